"""What the fleet says about noise: its size, its memory, what is common to cells, and temperature.

A unit with nine snapshots cannot tell its own noise, so everything here is pooled over all units that
have the signal, by robust statistics (medians), so that units with real changes do not inflate it.

Model, per signal. A reading is mean + common part + own part. The own part is an Ornstein-Uhlenbeck
process plus white noise; the common part moves all cells of the signal in one unit together (driver,
season, fluid temperature where it was not recorded). Their variograms

    g(k) = half the squared scale of differences over k snapshots = white + wander x (1 - rho^k)

are estimated from medians of absolute differences, leaving out gaps in which the whole unit jumped.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from driftwatch.panel.panel import Floats, Panel

LAGS = np.arange(1, 7)
MAD_TO_SD = 1.4826
#: Distances in the models are in 10 000 km, so that slopes read as "per 10 000 km".
KM = 10_000.0
#: Fluid temperature to which readings are corrected, degC.
REFERENCE_TEMP_C = 80.0


@dataclass(frozen=True)
class SignalNoise:
    """Noise of one signal, in its unit.

    Attributes
    ----------
    white_sd, wander_sd : float
        Own white noise and own wandering of a cell.
    common_white_sd, common_wander_sd : float
        The same, for the part that all cells of a unit share.
    memory : float
        Correlation of the wandering from one month (30.44 days) to the next.
    temperature : float
        Change of the reading per degC of fluid temperature.
    resolution : float
        Smallest step seen or declared.
    slope, slope_sd, slope_common_sd : float
        Fleet median of slopes per 10 000 km, spread of single cells, and spread of unit means.
    readings, units : int
        How much this was estimated from.

    """

    white_sd: float
    wander_sd: float
    common_white_sd: float
    common_wander_sd: float
    memory: float
    temperature: float
    resolution: float
    slope: float
    slope_sd: float
    slope_common_sd: float
    readings: int
    units: int

    @property
    def sd(self) -> float:
        """Standard deviation of one reading about its mean, all parts together."""
        parts = (self.white_sd, self.wander_sd, self.common_white_sd, self.common_wander_sd)
        return float(np.sqrt(sum(p * p for p in parts)))

    def covariance(self, days: Floats) -> Floats:
        """Give the covariance of one cell's readings on those days, shape (T, T), own and common parts."""
        memory = self._kernel(days)
        white = self.white_sd**2 + self.common_white_sd**2
        return np.asarray(white * np.eye(len(days)) + (self.wander_sd**2 + self.common_wander_sd**2) * memory)

    def common_covariance(self, days: Floats) -> Floats:
        """Give the covariance of the part that all cells of the signal share, shape (T, T)."""
        return np.asarray(
            self.common_white_sd**2 * np.eye(len(days)) + self.common_wander_sd**2 * self._kernel(days)
        )

    def _kernel(self, days: Floats) -> Floats:
        months = np.abs(days[:, None] - days[None, :]) / 30.44
        return np.asarray(np.power(self.memory, months))


@dataclass(frozen=True)
class Fleet:
    """Fleet-level quantities by signal; passed to every later block."""

    noise: dict[str, SignalNoise]
    units: int
    snapshots: int
    extra: dict[str, Any] = field(default_factory=dict)

    def __repr__(self) -> str:
        return f"Fleet({self.units} units, {self.snapshots} snapshots, signals {', '.join(self.noise)})"


def fit_fleet(panels: list[Panel]) -> Fleet:
    """Estimate the noise of each signal over all panels."""
    names = sorted({cell.signal for p in panels for cell in p.cells})
    jumps = [_jumps(p) for p in panels]
    noise = {name: _fit_signal(name, panels, jumps) for name in names}
    return Fleet(noise, len(panels), sum(len(p.taken_at) for p in panels))


def corrected(panel: Panel, fleet: Fleet) -> Floats:
    """Give the panel's values as they would read at the reference temperature; NaN where not usable."""
    coefficient = np.array([fleet.noise[c.signal].temperature for c in panel.cells])
    warmth = np.nan_to_num(panel.fluid_temp_c - REFERENCE_TEMP_C)
    values = panel.values - warmth[:, None] * coefficient
    return np.where(panel.usable, values, np.nan)


def _columns(panel: Panel, name: str) -> Floats:
    inside = np.array([c.signal == name for c in panel.cells], dtype=bool)
    return np.where(panel.usable, panel.values, np.nan)[:, inside]


def _jumps(panel: Panel) -> Floats:
    """Mark gaps between snapshots in which the unit as a whole moved: to be left out of noise estimates.

    Gives a cumulative count of such gaps, shape (T,): two snapshots with equal counts have none between.
    """
    values = np.where(panel.usable, panel.values, np.nan)
    if len(values) < 4:
        return np.zeros(len(values))
    step = np.abs(np.diff(values, axis=0))
    with np.errstate(invalid="ignore"):
        scale = _nan_quantile(step, 0.5, axis=0)
        size = _nan_quantile(step / np.where(scale > 0, scale, np.nan), 0.5, axis=1)
    typical = np.nanmedian(size) if np.isfinite(size).any() else 0.0
    return np.r_[0.0, np.cumsum(np.nan_to_num(size) > 2.0 * typical)]


def _nan_quantile(values: Floats, q: float, axis: int) -> Floats:
    """Quantile over finite values, NaN (without a warning) where there are none."""
    empty = ~np.isfinite(values).any(axis=axis, keepdims=True)
    filled = np.where(empty, 0.0, values)
    result = np.nanquantile(filled, q, axis=axis)
    return np.asarray(np.where(np.squeeze(empty, axis=axis), np.nan, result))


def _fit_signal(name: str, panels: list[Panel], jumps: list[Floats]) -> SignalNoise:
    resolution = max((p.profile.signal(name).resolution or 0.0 for p in panels), default=0.0)
    used = [(p, j) for p, j in zip(panels, jumps, strict=True) if any(c.signal == name for c in p.cells)]
    temperature = _temperature(name, used)
    cell_gaps: list[list[Floats]] = [[] for _ in LAGS]
    mean_gaps: list[list[Floats]] = [[] for _ in LAGS]
    sizes, months, slopes, unit_slopes = [], [], [], []
    count = 0
    for panel, jump in used:
        warmth = np.nan_to_num(panel.fluid_temp_c - REFERENCE_TEMP_C)
        values = _columns(panel, name) - temperature * warmth[:, None]
        count += int(np.isfinite(values).sum())
        if len(values) < 4:
            continue
        slope = _robust_slope(values, panel.odometer_km / KM)
        slopes.append(slope)
        unit_slopes.append(np.nanmedian(slope) if np.isfinite(slope).any() else np.nan)
        values = values - np.nan_to_num(slope) * (panel.odometer_km / KM)[:, None]
        months.append(np.diff(panel.days) / 30.44)
        for i, lag in enumerate(LAGS):
            if len(values) <= lag:
                continue
            gap = (values[lag:] - values[:-lag])[jump[lag:] == jump[:-lag]]
            cell_gaps[i].append(gap[np.isfinite(gap)])
            known = np.isfinite(gap).sum(axis=1)
            wide = known >= 3
            if wide.any():
                mean_gaps[i].append(np.nanmean(gap[wide], axis=1))
                sizes.append(known[wide])
    floor = resolution / np.sqrt(12.0)
    own = np.array([_scale(g) for g in cell_gaps]) ** 2 / 2.0
    shared = np.array([_scale(g) for g in mean_gaps]) ** 2 / 2.0
    cells = float(np.median(np.concatenate(sizes))) if sizes else 1.0
    share = (
        np.nan_to_num(np.clip((shared - own / cells) / (1.0 - 1.0 / cells), 0.0, own))
        if cells > 1
        else 0 * own
    )
    spacing = float(np.median(np.concatenate(months))) if months else 1.0
    white, wander, memory = _variogram(own, spacing)
    c_white, c_wander, _ = _variogram(share, spacing, memory)
    all_slopes = np.concatenate(slopes) if slopes else np.zeros(1)
    centre = float(np.nanmedian(all_slopes)) if np.isfinite(all_slopes).any() else 0.0
    return SignalNoise(
        white_sd=float(np.sqrt(max(white - c_white, floor**2, (0.05 * resolution) ** 2))),
        wander_sd=float(np.sqrt(max(wander - c_wander, 0.0))),
        common_white_sd=float(np.sqrt(c_white)),
        common_wander_sd=float(np.sqrt(c_wander)),
        memory=memory,
        temperature=temperature,
        resolution=resolution,
        slope=centre,
        slope_sd=_spread(all_slopes - centre),
        slope_common_sd=_spread(np.array(unit_slopes or [0.0]) - centre),
        readings=count,
        units=len(used),
    )


def _temperature(name: str, used: list[tuple[Panel, Floats]]) -> float:
    """Estimate the change per degC from differences between neighbouring snapshots, robustly.

    Weighted median of dy/dT with weights |dT|: the L1 regression through the origin.
    """
    ratios, weights = [], []
    for panel, jump in used:
        warm = np.diff(panel.fluid_temp_c)
        fair = np.isfinite(warm) & (np.abs(warm) > 1.0) & (np.diff(jump) == 0)
        if not fair.any():
            continue
        ratio = np.diff(_columns(panel, name), axis=0)[fair] / warm[fair, None]
        weight = np.broadcast_to(np.abs(warm[fair, None]), ratio.shape)
        ratios.append(ratio[np.isfinite(ratio)])
        weights.append(weight[np.isfinite(ratio)])
    if not ratios or sum(len(r) for r in ratios) < 30:
        return 0.0
    ratio, weight = np.concatenate(ratios), np.concatenate(weights)
    order = np.argsort(ratio)
    total = np.cumsum(weight[order])
    return float(ratio[order][np.searchsorted(total, total[-1] / 2.0)])


def _robust_slope(values: Floats, distance: Floats) -> Floats:
    """Slope of each column per unit of distance: median of the slopes between points half a history apart."""
    half = len(values) // 2
    run = distance[half:] - distance[:-half]
    with np.errstate(invalid="ignore", divide="ignore"):
        slope = (values[half:] - values[:-half]) / np.where(run > 0, run, np.nan)[:, None]
    return _nan_quantile(slope, 0.5, axis=0)


def _scale(parts: list[Floats]) -> float:
    """Robust standard deviation of pooled differences about zero."""
    pooled = np.concatenate(parts) if parts else np.empty(0)
    return float(MAD_TO_SD * np.median(np.abs(pooled))) if len(pooled) >= 5 else np.nan


def _spread(values: Floats) -> float:
    finite = values[np.isfinite(values)]
    return float(MAD_TO_SD * np.median(np.abs(finite))) if len(finite) else 0.0


def _variogram(g: Floats, spacing: float, memory: float | None = None) -> tuple[float, float, float]:
    """Fit white + wander (1 - memory^(lag x spacing)) to a variogram by least squares on a grid of memories.

    Gives the two variances and the month-to-month memory. Weights fall with the lag, where fewer pairs are.
    """
    known = np.isfinite(g)
    if not known.any():
        return 0.0, 0.0, 0.5
    if known.sum() < 3:
        return float(g[known][0]), 0.0, 0.5
    lags, target = LAGS[known] * max(spacing, 1e-3), g[known]
    weight = 1.0 / np.sqrt(LAGS[known])
    best = (np.inf, 0.0, 0.0, 0.5)
    for rho in [memory] if memory is not None else np.arange(0.1, 0.96, 0.05):
        design = np.column_stack([np.ones(len(lags)), 1.0 - rho**lags])
        for columns in ([0, 1], [0], [1]):
            x = design[:, columns] * weight[:, None]
            solution = np.linalg.lstsq(x, target * weight, rcond=None)[0]
            if (solution < 0).any():
                continue
            loss = float(np.sum((x @ solution - target * weight) ** 2))
            if loss < best[0]:
                parts = dict(zip(columns, solution, strict=True))
                best = (loss, float(parts.get(0, 0.0)), float(parts.get(1, 0.0)), float(rho))
    return best[1], best[2], best[3]
