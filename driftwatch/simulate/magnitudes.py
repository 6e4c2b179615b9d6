"""Sizes used by the simulator.

All numbers are invented and illustrative: chosen so that a fleet of simulated units shows the relations
that the trade describes, with sizes a technician would not find absurd. None is measured on a real
transmission, and nothing in the analysis may rest on them.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class SignalSizes:
    """What one signal looks like, in its own unit.

    Attributes
    ----------
    unit : str
        Unit in which the numbers are meant.
    cleared : float
        Value the controller starts from after its learned values were cleared.
    spread : float
        Standard deviation of the needs of different cells around `cleared`: no two shifts are alike.
    noise : float
        Standard deviation of a fully learned value around the need: the last ten shifts differ.
    wander : float
        Standard deviation of a cell's own slow wandering (memory `WANDER_DAYS`).
    shared_wander : float
        Standard deviation of the wandering that all cells of the signal share: driver and duty.
    season : float
        Amplitude of the yearly wave that all cells of the signal share.
    per_degree : float
        Change per degC of fluid temperature at the reading, from 80 degC.

    """

    unit: str
    cleared: float
    spread: float
    noise: float
    wander: float
    shared_wander: float
    season: float
    per_degree: float


SIGNALS = {
    "clutch_volume": SignalSizes("cm3", 0.0, 0.0, 0.3, 0.12, 0.0, 0.0, 0.008),
    "apply_trim": SignalSizes("kPa", 0.0, 12.0, 2.2, 1.2, 0.8, 0.8, -0.10),
    "release_trim": SignalSizes("kPa", 0.0, 10.0, 2.2, 1.2, 0.8, 0.8, -0.08),
    "shift_time": SignalSizes("s", 0.50, 0.03, 0.010, 0.005, 0.003, 0.003, -0.0004),
    "torque_cut": SignalSizes("%", 25.0, 3.0, 0.7, 0.4, 0.25, 0.15, -0.01),
}

#: Memory of the slow wandering, in days: a season is felt, a month is not independent of the next.
WANDER_DAYS = 60.0

#: Learning shifts per 1000 km and cell, by mode. Steady running teaches nothing, so they are few; a mode
#: not named here counts as seldom used.
LEARNING_PER_1000_KM = {"normal": 12.0, "tow": 2.5, "low": 0.5}
OTHER_MODE_PER_1000_KM = 0.5
VOLUME_PER_1000_KM = 6.0

#: Ordinary wear: median share of a pack's allowance per 100 000 km and the sd of its logarithm. A
#: pack of the median rate would last two million km, one in forty under half a million.
ORDINARY_WEAR, ORDINARY_WEAR_SD = 0.04, 0.5
#: Sd of the logarithm of the wear of one month against the pack's own rate (duty), before `wander`.
WEAR_UNEVENNESS = 0.25
#: Share of the allowance that a fast-wearing pack uses over the history.
FAST_WEAR_SHARE = (0.36, 1.05)
#: How much the rate of a hastening pack grows over 100 000 km, relative to its first rate.
HASTE = (0.5, 2.5)
#: More fill asked for by the shifts that apply a pack, by the time its allowance is used up: kPa and s.
FILL_KPA, FILL_TIME = 28.0, 0.035

#: Power: kPa on the mean apply trim; the rest in proportion. A stronger torque needs more pressure on both
#: clutches and a deeper cut; the time is held by the controller, so it hardly moves.
POWER_KPA = (10.0, 40.0)
POWER_RELEASE, POWER_TIME_PER_KPA, POWER_CUT_PER_KPA = 0.75, 0.0002, 0.16
#: Share of shifts that hardly feel a power change.
POWER_SPARED = 0.06
#: Load: kPa on the apply trims of upshifts in the mode driven loaded.
LOAD_KPA = (10.0, 35.0)
LOAD_DOWNSHIFT, LOAD_OTHER_MODES, LOAD_TIME_PER_KPA, LOAD_CUT_PER_KPA, LOAD_RELEASE = (
    0.45,
    0.1,
    0.0022,
    0.01,
    0.1,
)
#: Fluid: kPa on all apply trims, and the time that goes with it.
FLUID_KPA = (6.0, 15.0)
FLUID_TIME_PER_KPA, FLUID_RELEASE, FLUID_CUT_PER_KPA = 0.0016, 0.1, 0.0
#: Old fluid: kPa of apply trim per 100 000 km (mean, sd), the other way than the service.
OLD_FLUID, OLD_FLUID_SD = 3.0, 1.5
#: Supply pressure: kPa on all apply trims by the end of the history, and the part on the release trims.
PRESSURE_KPA = (12.0, 40.0)
PRESSURE_RELEASE = 0.45
#: Sd of the factor by which one cell's answer differs from the rule, and the same for supply pressure,
#: which reaches all shifts alike.
CELL_FACTOR_SD, PRESSURE_FACTOR_SD = 0.15, 0.06
#: Factor on every pack's wear rate after a power-up or an added load.
RATE_AFTER = (1.0, 1.6)
