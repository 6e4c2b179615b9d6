"""The noise of learned values: what it is made of, and its covariance over a unit's snapshots.

Per signal, a reading is mean + own part + common part. The own part of a cell is

- white noise: rounding, and for packs the measurement itself;
- learning scatter: what the last handful of shifts happened to teach. It stays until about
  `shifts_to_learn` more shifts have been learned from, so a seldom-driven cell carries it for months:
  its correlation over N shifts is exp(-N / shifts_to_learn);
- wandering (driver, duty): an Ornstein-Uhlenbeck process in time.

The common part (white, wandering, and the season's yearly round) moves all cells of the signal in one unit
together; an unrecorded fluid temperature shows there.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from driftwatch.panel.panel import Floats, Panel

#: Distances in the models are in 10 000 km, so that slopes read as "per 10 000 km".
KM = 10_000.0
#: Fluid temperature to which readings are corrected, degC.
REFERENCE_TEMP_C = 80.0
#: Mean length of a month, days.
MONTH = 30.44
#: Mean length of a year, days.
YEAR = 365.25
#: Fluid temperatures up to so many standard deviations from the usual one are corrected for well enough;
#: beyond, the correction of each cell, and that of all of a signal's, is off by this share of it.
USUAL_WARMTH_SDS = 1.5
CORRECTION_ERROR = 0.5
#: Share of a disturbance's size that is left once it was taken off.
DISTURBANCE_LEFT = 0.4


@dataclass(frozen=True)
class SignalNoise:
    """Noise of one signal, in its unit.

    Attributes
    ----------
    white_sd, learning_sd, wander_sd : float
        A cell's own parts.
    common_white_sd, common_wander_sd : float
        The parts that all cells of a unit share.
    mode_wander_sd : float
        A part that the cells of one mode share: each mode is driven in its own way.
    season_sd : float
        The part of a season, which all cells of a unit share too: a yearly wave that begins anywhere.
    memory : float
        Correlation of the wandering from one month (30.44 days) to the next.
    temperature : float
        Change of the reading per degC of fluid temperature.
    resolution : float
        Step of the controller's values, from the profile; 0 if not declared.
    slope, slope_sd, slope_common_sd : float
        Fleet median of slopes per 10 000 km, spread of single cells, and spread of unit means.
    readings, units : int
        How much this was estimated from.

    """

    white_sd: float
    learning_sd: float
    wander_sd: float
    common_white_sd: float
    common_wander_sd: float
    mode_wander_sd: float
    season_sd: float
    memory: float
    temperature: float
    resolution: float
    slope: float
    slope_sd: float
    slope_common_sd: float
    readings: int
    units: int

    @cached_property
    def sd(self) -> float:
        """Standard deviation of one reading about its mean, all parts together."""
        own = self.white_sd**2 + self.learning_sd**2 + self.wander_sd**2
        return float(np.sqrt(own + self.common_variance))

    @cached_property
    def common_variance(self) -> float:
        """Variance of what one reading has in common with those of its mode's other cells."""
        return self.across_modes + self.mode_wander_sd**2

    @property
    def across_modes(self) -> float:
        """Variance of what one reading has in common with those of the unit's other modes as well."""
        return self.common_white_sd**2 + self.common_wander_sd**2 + self.season_sd**2

    def kernel(self, days: Floats) -> Floats:
        """Correlation of the wandering between snapshots, shape (T, T)."""
        return np.asarray(np.power(self.memory, np.abs(days[:, None] - days[None, :]) / MONTH))

    def own_covariance(self, days: Floats, shifts: Floats, shifts_to_learn: float) -> Floats:
        """Covariance of the own parts, shape (C, T, T), given the shifts learned so far `shifts` (C, T)."""
        apart = np.abs(shifts[:, :, None] - shifts[:, None, :])
        learning = self.learning_sd**2 * np.exp(-apart / shifts_to_learn)
        fixed = self.white_sd**2 * np.eye(len(days)) + self.wander_sd**2 * self.kernel(days)
        return np.asarray(learning + fixed)

    def common_covariance(self, days: Floats) -> Floats:
        """Covariance of the part that the cells of the signal share in one mode, shape (T, T)."""
        fixed = self.common_white_sd**2 * np.eye(len(days)) + self.common_wander_sd**2 * self.kernel(days)
        season = self.season_sd**2 * in_season(days[:, None] - days[None, :])
        return np.asarray(fixed + season + self.mode_covariance(days))

    def mode_covariance(self, days: Floats) -> Floats:
        """Covariance of what they do not share with the signal's other modes, shape (T, T)."""
        return self.mode_wander_sd**2 * self.kernel(days)


@dataclass(frozen=True)
class Use:
    """How often the cells of a mode and channel are learned from, as the fleet drives.

    Attributes
    ----------
    shifts : float
        Shifts learned from in 10 000 km: the median of units.
    spread : float
        Standard deviation over units of its logarithm.

    """

    shifts: float
    spread: float


@dataclass(frozen=True, eq=False)
class Fleet:
    """Fleet-level quantities by signal; passed to every later block.

    Attributes
    ----------
    noise : dict
        Signal -> SignalNoise.
    shifts_to_learn : float
        Repeats a cell needs to learn a new need.
    use : dict
        Mode and channel -> how often its cells are learned from, where the fleet has counts.
    usual_temp_c, temp_sd_c : float
        Mean and standard deviation of the fluid temperatures recorded, degC.
    across : dict
        Two signals -> correlation of what the cells of each one share across modes, where there is any.
    units, snapshots : int

    """

    noise: dict[str, SignalNoise]
    shifts_to_learn: float
    use: dict[tuple[str, str], Use]
    usual_temp_c: float
    temp_sd_c: float
    across: Mapping[tuple[str, str], float]
    units: int
    snapshots: int

    def __repr__(self) -> str:
        return f"Fleet({self.units} units, {self.snapshots} snapshots, signals {', '.join(self.noise)})"


def in_season(days: Floats) -> Floats:
    """Correlation of a yearly wave that begins anywhere, over so many days; any shape."""
    return np.asarray(np.cos(2.0 * np.pi * days / YEAR))


def warmth(panel: Panel, usual_temp_c: float) -> Floats:
    """Degrees above the reference at each snapshot, (T,); the fleet's usual where none was recorded."""
    known = np.where(np.isfinite(panel.fluid_temp_c), panel.fluid_temp_c, usual_temp_c)
    return np.asarray(known - REFERENCE_TEMP_C)


def corrected(panel: Panel, fleet: Fleet) -> Floats:
    """Give the panel's values as they would read at the reference temperature; NaN where not usable."""
    coefficient = np.array([fleet.noise[c.signal].temperature for c in panel.cells])
    degrees = warmth(panel, fleet.usual_temp_c)
    return np.where(panel.usable, undisturbed(panel) - degrees[:, None] * coefficient, np.nan)


def undisturbed(panel: Panel) -> Floats:
    """Give the panel's values without what moved single snapshots as a whole, (T, C)."""
    return panel.values if panel.disturbance is None else panel.values - panel.disturbance


def unread_warmth_variance(panel: Panel, fleet: Fleet, signal: str) -> Floats:
    """Variance that an unrecorded fluid temperature adds to all of a signal's cells together, (T,).

    Where the disturbances of whole snapshots were taken off, a part is left; at the first and the last
    snapshot, where they cannot be told, all of it.
    """
    spread = (fleet.noise[signal].temperature * fleet.temp_sd_c) ** 2
    left = np.ones(len(panel.days))
    if panel.disturbance is not None:
        left[1:-1] = DISTURBANCE_LEFT**2
    return np.where(np.isfinite(panel.fluid_temp_c), 0.0, spread * left)


def odd_warmth_sd(panel: Panel, fleet: Fleet, signal: str) -> Floats:
    """How far the correction of snapshots read unusually cold or hot, noted or not, may be off, (T,).

    One coefficient serves a whole signal, and a straight line all temperatures; that is good near the usual
    temperature and worse the further from it.
    """
    away = np.abs(np.nan_to_num(panel.fluid_temp_c - fleet.usual_temp_c, nan=0.0))
    beyond = np.maximum(away - USUAL_WARMTH_SDS * fleet.temp_sd_c, 0.0)
    corrected_by = abs(fleet.noise[signal].temperature) * beyond
    if panel.disturbance is not None:
        cells = np.array([c.signal == signal for c in panel.cells])
        corrected_by = corrected_by + np.abs(panel.disturbance[:, cells]).max(axis=1, initial=0.0)
    return np.asarray(CORRECTION_ERROR * corrected_by)
