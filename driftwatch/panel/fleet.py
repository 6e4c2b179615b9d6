"""What the fleet says about noise: its size, its memory, what is common to cells, and temperature.

A unit with nine snapshots cannot tell its own noise, so everything here is pooled over all units that
have the signal, by robust statistics, so that units with real changes do not inflate it. The parts of the
noise are split in `driftwatch.panel.variogram`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import pairwise

import numpy as np
from scipy.optimize import nnls

from driftwatch.panel.across import across_signals
from driftwatch.panel.noise import (
    KM,
    MONTH,
    REFERENCE_TEMP_C,
    Fleet,
    SignalNoise,
    in_season,
    undisturbed,
    warmth,
)
from driftwatch.panel.panel import Floats, Panel
from driftwatch.panel.robust import jumps as find_jumps
from driftwatch.panel.robust import median, nan_median, spread, trimmed_sd
from driftwatch.panel.use import driven, usual_use
from driftwatch.panel.variogram import FEW_UNITS, Gaps, Parts, split

#: A pair of readings counts as fresh when this many times `shifts_to_learn` lie between them.
FRESH = 2.0
#: What counts with few units for the slopes of trims, in multiples of the noise per 10 000 km.
USUAL_SLOPE = 0.12
#: Least part of the spread of slopes that is taken to be real, whatever noise could make.
LEAST_BEYOND = 0.4
#: Fewest snapshots of a unit that noise is learned from, where any unit has so many.
LEAST_SNAPSHOTS = 4
#: Fewest pairs of readings for a slope.
LEAST_RISES = 4
#: Noise is learned from so many units that have a signal at most: more would make it no surer.
ENOUGH_UNITS = 150
#: Bins of the shifts learned from between two readings, with the fewest differences in one and the fewest
#: bins for a learning curve; the error of a bin beside its chance error, as a share.
SHIFTS_APART = (0.0, 1.5, 2.5, 5.5, 10.5, 20.5, 40.5, 80.5)
LEAST_RECENT = 60
LEAST_BINS = 4
CURVE_ERROR = 0.05
#: Rates of learning tried, in multiples of the usual one, and how far (log-scale) it is thought to lie off.
RATES = np.array([0.4, 0.5, 0.63, 0.8, 1.0, 1.25, 1.6, 2.0, 2.5])
RATE_SD = 0.5
#: Share of a trim's short noise that is there at once, where no counts of shifts tell (no source).
USUAL_WHITE = 0.25


def fit_fleet(panels: list[Panel], shifts_to_learn: float) -> Fleet:
    """Estimate the noise of each signal over all panels that have it, or over enough of them."""
    every = range(len(panels))
    signals = [{cell.signal for cell in p.cells} for p in panels]
    names = sorted(set().union(*signals))
    having = {name: _enough([i for i in every if name in signals[i]]) for name in names}
    some = [panels[i] for i in _enough(every)]
    temperatures = np.concatenate([np.zeros(0)] + [p.fluid_temp_c for p in some])
    read = temperatures[np.isfinite(temperatures)]
    blank = Fleet(
        noise={},
        shifts_to_learn=shifts_to_learn,
        use=usual_use(some),
        usual_temp_c=float(np.median(read)) if len(read) else REFERENCE_TEMP_C,
        temp_sd_c=float(np.std(read)) if len(read) > 1 else 0.0,
        across={},
        units=len(some),
        snapshots=sum(len(p.taken_at) for p in some),
    )
    looked_at = sorted(set().union(*having.values()))
    known = {i: (panels[i], find_jumps(panels[i]), driven(panels[i], blank).so_far) for i in looked_at}
    gathered = {name: _gather(name, {i: known[i] for i in those}, blank) for name, those in having.items()}
    fleet = replace(blank, shifts_to_learn=_rate_of_learning(list(gathered.values()), shifts_to_learn))
    noise = {name: _noise(g, fleet) for name, g in gathered.items()}
    # What little packs share is one reading's error, no driver's or season's doing.
    means = {name: g.means for name, g in gathered.items() if not g.per_pack}
    return replace(fleet, noise=noise, across=across_signals(means, noise))


def _enough(numbers: Sequence[int]) -> list[int]:
    """Give all numbers, or of more than ENOUGH_UNITS as many of them, evenly spread."""
    at = np.linspace(0, max(len(numbers) - 1, 0), min(len(numbers), ENOUGH_UNITS)).round().astype(int)
    return [numbers[i] for i in at]


@dataclass(frozen=True)
class _Gathered:
    """What all units say about one signal."""

    name: str
    per_pack: bool
    resolution: float
    temperature: float
    gaps: Gaps
    slopes: Floats
    unit_slopes: Floats
    courses: list[tuple[Floats, Floats]]
    readings: int
    units: int
    looked_at: list[int]

    @property
    def means(self) -> dict[int, Floats]:
        """What `Gaps` has of the means of each unit's cells."""
        return dict(zip(self.looked_at, self.gaps.means, strict=True))

    @cached_property
    def learning_curve(self) -> Floats:
        """Rows of mean shifts, half the squared scale of the differences, and how many; (B, 3)."""
        if self.per_pack or not self.gaps.recent:
            return np.zeros((0, 3))
        gap, shifts = np.concatenate(self.gaps.recent, axis=1)
        rows = []
        for low, high in pairwise(SHIFTS_APART):
            inside = (shifts > low) & (shifts <= high)
            if inside.sum() >= LEAST_RECENT:
                rows.append([shifts[inside].mean(), trimmed_sd(gap[inside]) ** 2 / 2.0, inside.sum()])
        return np.array(rows).reshape(-1, 3)


def _gather(name: str, used: dict[int, tuple[Panel, Floats, Floats]], fleet: Fleet) -> _Gathered:
    """Put together what panels, with the jumps and the shifts so far of their cells, say of a signal."""
    kind = next(panel for panel, _, _ in used.values()).profile.signal(name)
    temperature = _temperature(name, [(panel, jump) for panel, jump, _ in used.values()])
    gaps, slopes, unit_slopes, courses, count = Gaps(), [np.zeros(0)], [], [], 0
    looked_at: list[int] = []
    longest = max(len(panel.days) for panel, _, _ in used.values())
    least = max(min(LEAST_SNAPSHOTS, longest), 2)
    for number, (panel, jump, so_far) in used.items():
        inside = np.array([c.signal == name for c in panel.cells], dtype=bool)
        degrees = temperature * warmth(panel, fleet.usual_temp_c)
        values = np.where(panel.usable, undisturbed(panel), np.nan)[:, inside] - degrees[:, None]
        count += int(np.isfinite(values).sum())
        if len(values) < least:
            continue
        looked_at.append(number)
        slope = _robust_slope(values, panel.odometer_km / KM, jump[:, inside])
        unit_slopes.append(median(slope))
        slopes.append(slope - unit_slopes[-1])
        courses.append((panel.days, panel.odometer_km / KM))
        values = values - _clear_slope(slope) * (panel.odometer_km / KM)[:, None]
        fresh_from = 0.0 if kind.per_pack else FRESH * fleet.shifts_to_learn
        counted = np.isfinite(panel.learn_counts[:, inside])
        modes = np.array([c.mode for c in panel.cells])[inside]
        gaps.add(values, so_far[:, inside], counted, panel.days, jump[:, inside], modes, fresh_from)
    return _Gathered(
        name,
        kind.per_pack,
        kind.resolution or 0.0,
        temperature,
        gaps,
        np.concatenate(slopes),
        np.array(unit_slopes or [0.0]),
        courses,
        count,
        len(used),
        looked_at,
    )


def _rate_of_learning(gathered: list[_Gathered], usual: float) -> float:
    """Shifts that a cell needs to learn, from how differences grow with the shifts between them.

    Half the squared scale of differences over N shifts is a + b (1 - exp(-N / rate)); the rate that fits
    all signals best, not far from the usual one.
    """
    rates = usual * RATES
    misfit = (np.log(RATES) / RATE_SD) ** 2
    for signal in gathered:
        if len(signal.learning_curve) >= LEAST_BINS:
            misfit = misfit + np.array([_learning_split(signal.learning_curve, r)[2] for r in rates])
    return float(rates[np.argmin(misfit)])


def _learning_split(curve: Floats, rate: float) -> tuple[float, float, float]:
    """Parts a (there at once) and b (learned) of a learning curve, and the misfit of `_rate_of_learning`."""
    shifts, size, count = curve.T
    # Values that do not move at all have no scale; the bin then counts as exact, not as infinitely so.
    error = np.maximum(size, 1e-6 * max(float(size.max()), 1e-12)) * np.sqrt(2.0 / count + CURVE_ERROR**2)
    design = np.stack([np.ones_like(shifts), 1.0 - np.exp(-shifts / rate)], axis=1) / error[:, None]
    (a, b), left = nnls(design, size / error)
    return float(a), float(b), float(left) ** 2


def _noise(g: _Gathered, fleet: Fleet) -> SignalNoise:
    """Work out the parts of a signal's noise from what all units say."""
    parts = split(g.gaps, g.units)
    white = parts.white
    floor = max(g.resolution / np.sqrt(12.0), 1e-9)
    at_once = white
    if not g.per_pack:
        enough = len(g.learning_curve) >= LEAST_BINS
        there = _learning_split(g.learning_curve, fleet.shifts_to_learn)[0] if enough else USUAL_WHITE * white
        at_once = min(max(there - parts.common_white, floor**2), white)
    centre = float(np.nan_to_num(median(g.unit_slopes)))
    by_chance, common_by_chance = _slope_noise(g.courses, parts)
    slope_sd = _beyond(spread(g.slopes), by_chance)
    slope_common_sd = _beyond(spread(g.unit_slopes - centre), common_by_chance)
    if not g.per_pack:
        # What a few units do is not what is usual: trims usually stay where they are.
        lean = FEW_UNITS / (FEW_UNITS + g.units)
        usual = USUAL_SLOPE * float(np.sqrt(white + parts.wander))
        centre *= 1.0 - lean
        slope_sd = (1.0 - lean) * slope_sd + lean * usual
        slope_common_sd = (1.0 - lean) * slope_common_sd + lean * usual
    return SignalNoise(
        white_sd=max(float(np.sqrt(at_once)), floor),
        learning_sd=float(np.sqrt(max(white - at_once, 0.0))),
        wander_sd=float(np.sqrt(parts.wander)),
        common_white_sd=float(np.sqrt(parts.common_white)),
        common_wander_sd=float(np.sqrt(parts.common_wander)),
        mode_wander_sd=float(np.sqrt(parts.mode_wander)),
        season_sd=float(np.sqrt(parts.season)),
        memory=parts.memory,
        temperature=g.temperature,
        resolution=g.resolution,
        slope=centre,
        slope_sd=slope_sd,
        slope_common_sd=slope_common_sd,
        readings=g.readings,
        units=g.units,
    )


def _slope_noise(courses: list[tuple[Floats, Floats]], parts: Parts) -> tuple[float, float]:
    """Variance of `_robust_slope` by noise alone, of a cell's own parts and of the common ones.

    Over half a history; white noise is averaged as the median does it (an efficiency of 2 / pi), wandering
    and the season hardly.
    """
    made = []
    for days, distance in courses:
        lag = len(days) // 2
        run = distance[lag:] - distance[:-lag]
        if (run <= 0).any():
            continue
        weights = np.zeros(len(days))
        weights[lag:] += 1.0 / run
        weights[:-lag] -= 1.0 / run
        weights /= len(run)
        apart = np.abs(days[:, None] - days[None, :])
        wandering = weights @ np.power(parts.memory, apart / MONTH) @ weights
        made.append((0.5 * np.pi * weights @ weights, wandering, weights @ in_season(apart) @ weights))
    if not made:
        return 0.0, 0.0
    of = np.median(np.array(made), axis=0)
    own = np.array([parts.white, parts.wander, 0.0]) @ of
    wander = parts.common_wander + parts.alike * parts.mode_wander
    return float(own), float(np.array([parts.common_white, wander, parts.season]) @ of)


def _beyond(spread: float, by_chance: float) -> float:
    """Spread of slopes beyond what noise makes of them: at least LEAST_BEYOND of it."""
    return float(np.sqrt(max(spread**2 - by_chance, (LEAST_BEYOND * spread) ** 2)))


def _temperature(name: str, used: list[tuple[Panel, Floats]]) -> float:
    """Estimate the change per degC from differences between neighbouring snapshots, robustly.

    Weighted median of dy/dT with weights |dT|: the L1 regression through the origin.
    """
    ratios, weights = [], []
    for panel, jump in used:
        warm = np.diff(panel.fluid_temp_c)
        fair = np.isfinite(warm) & (np.abs(warm) > 1.0)
        if not fair.any():
            continue
        inside = np.array([c.signal == name for c in panel.cells], dtype=bool)
        values = np.where(panel.usable, panel.values, np.nan)[:, inside]
        calm = np.diff(jump[:, inside], axis=0) == 0
        ratio = np.where(calm, np.diff(values, axis=0), np.nan)[fair] / warm[fair, None]
        weight = np.broadcast_to(np.abs(warm[fair, None]), ratio.shape)
        ratios.append(ratio[np.isfinite(ratio)])
        weights.append(weight[np.isfinite(ratio)])
    if not ratios or sum(len(r) for r in ratios) < 30:
        return 0.0
    ratio, weight = np.concatenate(ratios), np.concatenate(weights)
    order = np.argsort(ratio)
    total = np.cumsum(weight[order])
    return float(ratio[order][np.searchsorted(total, total[-1] / 2.0)])


def _robust_slope(values: Floats, distance: Floats, jump: Floats) -> Floats:
    """Slope of each column per unit of distance, NaN where it cannot be told.

    Median of the slopes between readings as far apart as half a history, or as the longest stretch without
    a jump allows; never across a jump, so that a step does not pass for a slope.
    """
    slope = np.full(values.shape[1], np.nan)
    for lag in (len(values) // 2, len(values) // 3, len(values) // 5, 2):
        if lag < 1:
            continue
        run = distance[lag:] - distance[:-lag]
        calm = (jump[lag:] == jump[:-lag]) & (run > 0)[:, None]
        rise = np.where(calm, values[lag:] - values[:-lag], np.nan) / np.where(run > 0, run, 1.0)[:, None]
        found = np.where(np.isfinite(rise).sum(axis=0) >= LEAST_RISES, nan_median(rise, axis=0), np.nan)
        slope = np.where(np.isfinite(slope), slope, found)
        if np.isfinite(slope).all():
            break
    return slope


def _clear_slope(slope: Floats) -> Floats:
    """The unit's typical slope, and a cell's own only where it stands out (wear): noise wanders too."""
    if not np.isfinite(slope).any():
        return np.zeros_like(slope)
    typical = median(slope)
    apart = np.abs(slope - typical) > 4.0 * spread(slope - typical)
    return np.where(apart & np.isfinite(slope), slope, typical)
