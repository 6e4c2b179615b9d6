"""The coefficients: of a whole fleet (`World`), and of each transmission in it (`Gearbox`).

Pressures in kPa, times in s, torque cuts in % of engine torque, volumes in cm3. Every fleet draws its own
coefficients, so that nothing can be right about all of them but the structure.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from driftwatch.profile.model import Profile

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

#: The trims and times of a shift, in the order in which cells are laid out.
KINDS = ("apply_trim", "release_trim", "shift_time", "torque_cut")
#: Size of one unit of disturbance, by kind: kPa, kPa, s, %.
GRAIN: dict[str, float] = {"apply_trim": 2.2, "release_trim": 1.8, "shift_time": 0.007, "torque_cut": 0.45}
#: Spread of what the cells need when nothing has happened, by kind, around the base values.
SPREAD: dict[str, float] = {"apply_trim": 26.0, "release_trim": 20.0, "shift_time": 0.035, "torque_cut": 2.2}
#: Warm fluid: readings are said to be normal at this temperature, degC.
NORMAL_TEMP_C = 80.0
#: The low range does not reach higher gears than this.
TOP_OF_LOW = 3


@dataclass(frozen=True)
class Layout:
    """Which cell is what: arrays of length C (cells of shifts), packs apart."""

    profile: Profile
    kind: Ints
    shift: Ints
    mode: Ints
    applies: Ints
    up: Bools

    @property
    def cells(self) -> int:
        """Number of cells that belong to shifts."""
        return len(self.kind)

    def is_kind(self, name: str) -> Bools:
        """Say which cells are of one kind of signal."""
        return np.asarray(self.kind == KINDS.index(name))

    def by_kind(self, values: dict[str, float]) -> Floats:
        """Give each cell the value of its kind."""
        return np.array([values[name] for name in KINDS])[self.kind]


def layout(profile: Profile) -> Layout:
    """Lay out the cells of a profile: kind by kind, shift by shift, mode by mode."""
    packs = [c.id for c in profile.clutches]
    rows = [(k, s, m) for k in range(len(KINDS)) for s in range(len(profile.shifts)) for m in _modes(profile)]
    kind, shift, mode = np.array(rows, dtype=np.int64).T
    applies = np.array([packs.index(s.applies) for s in profile.shifts], dtype=np.int64)
    up = np.array([s.is_up for s in profile.shifts])
    return Layout(profile, kind, shift, mode, applies[shift], up[shift])


def _modes(profile: Profile) -> range:
    return range(len(profile.modes))


@dataclass(frozen=True)
class World:
    """What the units of one fleet have in common.

    `torque` (S,) is how much of the engine's torque passes each shift, about 1 on average; `load_in` (M,)
    how much of a load is felt in each mode; `leak` what "hardly" amounts to in this fleet, as a share.
    """

    torque: Floats
    power_apply: float
    power_release: float
    power_cut: float
    load_apply: float
    load_time: float
    load_down: float
    load_in: Floats
    fluid_apply: float
    fluid_time: float
    fluid_km: float
    pressure_release: float
    pressure_time: float
    fill_apply: float
    fill_time: float
    warmth: dict[str, float]
    warmth_cm3: float
    leak: float


def draw_world(profile: Profile, rng: np.random.Generator) -> World:
    """Draw the coefficients of a fleet."""
    up = np.array([s.is_up for s in profile.shifts])
    torque = rng.lognormal(0.0, 0.3, len(up)) * np.where(up, 1.0, rng.uniform(0.6, 0.9))
    felt = {"normal": rng.uniform(0.05, 0.25), "tow": 1.0}
    return World(
        torque=torque / torque.mean(),
        power_apply=rng.uniform(0.8, 1.4),
        power_release=rng.uniform(0.5, 1.0),
        power_cut=rng.uniform(0.12, 0.24),
        load_apply=rng.uniform(6.0, 10.0),
        load_time=rng.uniform(0.010, 0.020),
        load_down=rng.uniform(0.3, 0.65),
        load_in=np.array([felt.get(mode, rng.uniform(0.2, 0.6)) for mode in profile.modes]),
        fluid_apply=float(rng.choice([-1.0, 1.0]) * rng.uniform(7.0, 12.0)),
        fluid_time=rng.uniform(0.018, 0.032),
        fluid_km=rng.uniform(50_000, 90_000),
        pressure_release=rng.uniform(0.3, 0.6),
        pressure_time=rng.uniform(0.0, 0.0002),
        fill_apply=rng.uniform(1.2, 2.6),
        fill_time=rng.uniform(0.0, 0.002),
        warmth={
            "apply_trim": rng.uniform(-0.35, -0.1),
            "release_trim": rng.uniform(-0.2, -0.05),
            "shift_time": rng.uniform(-0.0012, -0.0003),
            "torque_cut": rng.uniform(0.0, 0.02),
        },
        warmth_cm3=rng.uniform(0.004, 0.012),
        leak=rng.uniform(0.0, 0.08),
    )


@dataclass(frozen=True)
class Gearbox:
    """One transmission.

    `base` (C,) are the values after clearing, `need` (C,) those asked for on the first day; `torque`,
    `fluid`, `fill`, `pressure`, `warmth` (C,) say how strongly each cell answers; `gain` (C,) is the share
    of the gap closed by one learned shift; `repeats` (C,) learned shifts a day at 100 km a day.
    """

    base: Floats
    need: Floats
    torque: Floats
    fluid: Floats
    fill: Floats
    pressure: Floats
    warmth: Floats
    gain: Floats
    repeats: Floats
    power_in: Floats
    fluid_age: float
    warmth_cm3: float


def draw_gearbox(cells: Layout, world: World, towing: float, rng: np.random.Generator) -> Gearbox:
    """Draw one transmission; `towing` is the share of its driving done in tow mode."""
    shifts, modes = len(cells.profile.shifts), len(cells.profile.modes)
    spread = cells.by_kind(SPREAD)
    own_torque = world.torque * rng.lognormal(0.0, 0.15, shifts)
    base = _base_values(cells, rng)
    return Gearbox(
        base=base,
        need=base + spread * (0.75 * rng.standard_normal(shifts)[cells.shift] + _own(cells, rng, 0.65)),
        torque=own_torque[cells.shift] * rng.lognormal(0.0, 0.06, cells.cells),
        fluid=rng.lognormal(0.0, 0.2, shifts)[cells.shift],
        fill=rng.lognormal(0.0, 0.25, shifts)[cells.shift],
        pressure=rng.normal(1.0, 0.06, cells.cells),
        warmth=cells.by_kind(world.warmth) * rng.lognormal(0.0, 0.25, cells.cells),
        gain=rng.uniform(0.1, 0.22, shifts)[cells.shift],
        repeats=_repeats(cells, towing, rng),
        power_in=np.array([1.0, *rng.uniform(0.8, 1.2, modes - 1)])[cells.mode],
        fluid_age=rng.uniform(0.2, 2.0),
        warmth_cm3=world.warmth_cm3 * rng.lognormal(0.0, 0.2),
    )


def _base_values(cells: Layout, rng: np.random.Generator) -> Floats:
    """What the controller starts from: trims at zero, times and cuts by shift."""
    shifts = len(cells.profile.shifts)
    time = rng.uniform(0.42, 0.62, shifts)[cells.shift]
    cut = rng.uniform(12.0, 28.0, shifts)[cells.shift]
    return np.select([cells.is_kind("shift_time"), cells.is_kind("torque_cut")], [time, cut], default=0.0)


def new_needs(cells: Layout, rng: np.random.Generator) -> Floats:
    """What a rebuilt transmission asks for on top of what it asked for before, by cell."""
    shifts = len(cells.profile.shifts)
    shared = rng.standard_normal((len(KINDS), shifts))[cells.kind, cells.shift]
    return cells.by_kind(SPREAD) * (0.7 * shared + _own(cells, rng, 0.35))


def _own(cells: Layout, rng: np.random.Generator, share: float) -> Floats:
    return share * rng.standard_normal(cells.cells)


def _repeats(cells: Layout, towing: float, rng: np.random.Generator) -> Floats:
    """Learned shifts a day: many in normal, few elsewhere, none in gears that the low range does not have."""
    profile = cells.profile
    by_shift = rng.lognormal(np.log(1.1), 0.45, len(profile.shifts))
    by_mode = {"normal": 1.0 - 0.7 * towing, "tow": towing, "low": rng.choice([0.004, 0.03, 0.07])}
    share = np.array([by_mode.get(mode, 0.2) for mode in profile.modes])
    reached = np.array([max(s.gears) <= TOP_OF_LOW for s in profile.shifts])
    is_low = np.array([mode == "low" for mode in profile.modes])
    rate = np.asarray(by_shift[cells.shift] * share[cells.mode], dtype=float)
    return np.where(is_low[cells.mode] & ~reached[cells.shift], 0.0, rate)
