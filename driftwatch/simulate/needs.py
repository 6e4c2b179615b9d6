"""What each cell truly needs, over time: base, causes, wear, old fluid, season and wandering."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from driftwatch.errors import UsageError
from driftwatch.profile.model import Profile
from driftwatch.simulate import magnitudes as m
from driftwatch.simulate.difficulty import Difficulty
from driftwatch.simulate.plan import Action, Floats, UnitPlan
from driftwatch.simulate.wear import WearPath, allowance_cm3

TRIMS = ("apply_trim", "release_trim")


@dataclass(frozen=True, eq=False)
class Cells:
    """All cells of a transmission type as arrays of length C.

    Attributes
    ----------
    signal, channel, mode : array of str
    signal_no, channel_no, mode_no : array of int
        Positions in `signals`, `channels` and `modes` (the latter with "" first).
    applied, released : array of int
        Positions of the packs; for a volume, `applied` is the pack itself and `released` -1.
    up : array of bool
    torque : array
        Weight of the torque that passes, mean 1 over the shifts.
    cleared, spread, noise, wander, shared_wander, season, per_degree : array
        See `magnitudes.SignalSizes`.
    lower, upper, resolution : array
        From the profile; infinite or 0 where it gives none.

    """

    signals: tuple[str, ...]
    channels: tuple[str, ...]
    modes: tuple[str, ...]
    signal_no: np.ndarray
    channel_no: np.ndarray
    mode_no: np.ndarray
    applied: np.ndarray
    released: np.ndarray
    up: np.ndarray
    torque: Floats
    sizes: dict[str, Floats]
    lower: Floats
    upper: Floats
    resolution: Floats

    def __len__(self) -> int:
        return len(self.signal_no)

    @property
    def signal(self) -> np.ndarray:
        """Signal name of each cell."""
        return np.asarray(np.array(self.signals)[self.signal_no])

    @property
    def channel(self) -> np.ndarray:
        """Channel of each cell."""
        return np.asarray(np.array(self.channels)[self.channel_no])

    @property
    def mode(self) -> np.ndarray:
        """Mode of each cell, "" for volumes."""
        return np.asarray(np.array(self.modes)[self.mode_no])

    def of(self, signal: str) -> np.ndarray:
        """Mask of the cells of one signal."""
        if signal not in self.signals:
            return np.zeros(len(self), dtype=bool)
        return np.asarray(self.signal_no == self.signals.index(signal))


def cells_of(profile: Profile) -> Cells:
    """List a profile's cells in the order signal, channel, mode.

    Signals that the simulator has no sizes for are left out. `UsageError` if a signal is declared in
    another unit than the simulator's (see `magnitudes.SIGNALS`).
    """
    signals = [s for s in profile.signals if s.name in m.SIGNALS]
    for s in signals:
        if s.unit != m.SIGNALS[s.name].unit:
            raise UsageError(
                f"the simulator gives {s.name} in {m.SIGNALS[s.name].unit}, not in {s.unit}",
                where=f"profile {profile.name}",
                do="simulate a profile in these units",
            )
    packs = [c.id for c in profile.clutches]
    shifts = list(profile.shifts)
    torque = _torque(profile)
    rows: list[tuple[int, int, int, int, int, bool, float]] = []
    for k, s in enumerate(signals):
        if s.per_pack:
            rows += [(k, p, 0, p, -1, False, 0.0) for p in range(len(packs))]
        else:
            rows += [
                (
                    k,
                    len(packs) + i,
                    1 + j,
                    packs.index(x.applies),
                    packs.index(x.releases),
                    x.is_up,
                    torque[i],
                )
                for i, x in enumerate(shifts)
                for j in range(len(profile.modes))
            ]
    columns = list(zip(*rows, strict=True))
    number = np.array(columns[0])
    names = ("cleared", "spread", "noise", "wander", "shared_wander", "season", "per_degree")
    return Cells(
        signals=tuple(s.name for s in signals),
        channels=(*packs, *(x.id for x in shifts)),
        modes=("", *profile.modes),
        signal_no=number,
        channel_no=np.array(columns[1]),
        mode_no=np.array(columns[2]),
        applied=np.array(columns[3]),
        released=np.array(columns[4]),
        up=np.array(columns[5]),
        torque=np.array(columns[6]),
        sizes={n: np.array([getattr(m.SIGNALS[s.name], n) for s in signals])[number] for n in names},
        lower=np.array([-np.inf if s.lower is None else s.lower for s in signals])[number],
        upper=np.array([np.inf if s.upper is None else s.upper for s in signals])[number],
        resolution=np.array([s.resolution or 0.0 for s in signals])[number],
    )


def _torque(profile: Profile) -> Floats:
    """More torque passes in the low gears, and less in a downshift than in the upshift; mean 1."""
    top = max(max(x.gears) for x in profile.shifts)
    raw = [
        (1.35 - 0.6 * (min(x.gears) - 1) / max(top - 2, 1)) * (1.0 if x.is_up else 0.8)
        for x in profile.shifts
    ]
    return np.asarray(np.array(raw) / np.mean(raw), dtype=np.float64)


def effect(action: Action, cells: Cells, profile: Profile, rng: np.random.Generator) -> Floats:
    """Give what a step (or, for `pressure`, one year of it) adds to the need of every cell, (C,).

    Cells answer with a factor of their own. `wear`, `relearn` and `rebuild` are not of this form and give 0.
    """
    own = np.clip(rng.normal(1.0, m.CELL_FACTOR_SD, len(cells)), 0.4, 1.6)
    even = np.clip(rng.normal(1.0, m.PRESSURE_FACTOR_SD, len(cells)), 0.8, 1.2)
    felt = rng.random(len(profile.shifts)) >= m.POWER_SPARED
    apply_, release = cells.of("apply_trim"), cells.of("release_trim")
    time, cut = cells.of("shift_time"), cells.of("torque_cut")

    def share(a: float, r: float, t: float, c: float) -> Floats:
        return np.asarray(a * apply_ + r * release + t * time + c * cut, dtype=np.float64)

    if action.kind == "power":
        shift_no = cells.channel_no - len(profile.clutches)
        feels = np.where(shift_no >= 0, felt[np.maximum(shift_no, 0)], True)
        shape = share(1.0, m.POWER_RELEASE, m.POWER_TIME_PER_KPA, m.POWER_CUT_PER_KPA)
        return action.size * shape * cells.torque * own * np.where(feels, 1.0, 0.1)
    if action.kind == "load":
        loaded = np.where(cells.mode == action.mode, 1.0, m.LOAD_OTHER_MODES)
        shape = share(1.0, m.LOAD_RELEASE, m.LOAD_TIME_PER_KPA, m.LOAD_CUT_PER_KPA)
        return action.size * shape * loaded * np.where(cells.up, 1.0, m.LOAD_DOWNSHIFT) * own
    if action.kind == "fluid":
        return action.size * share(1.0, m.FLUID_RELEASE, m.FLUID_TIME_PER_KPA, m.FLUID_CUT_PER_KPA) * own
    if action.kind == "pressure":
        return action.size * share(1.0, m.PRESSURE_RELEASE, 0.0, 0.0) * even
    return np.zeros(len(cells))


def needs(
    plan: UnitPlan,
    cells: Cells,
    path: WearPath,
    steps: int,
    streams: tuple[np.random.Generator, np.random.Generator, np.random.Generator],
    difficulty: Difficulty,
) -> Floats:
    """Give the true need of every cell at the first `steps` rows of the path's grid, (S, C).

    A row at the time of an action shows the need just before it.
    """
    for_base, for_effects, for_wander = streams
    days, km = path.days[:steps], path.km[:steps]
    volume = cells.of("clutch_volume")
    base = np.tile(_new_base(cells, for_base), (steps, 1))
    for action in plan.actions:
        if action.kind == "rebuild":
            base[days > action.day] = _new_base(cells, for_base)
    need = np.where(volume, path.volume[:steps, cells.applied], base)

    fill = m.FILL_KPA * cells.of("apply_trim") + m.FILL_TIME * cells.of("shift_time")
    fill = fill * np.clip(for_effects.normal(1.0, m.CELL_FACTOR_SD, len(cells)), 0.4, 1.6)
    allowance = np.array([allowance_cm3(c) for c in plan.profile.clutches])
    need += (path.since_start[:steps] / allowance)[:, cells.applied] * fill

    fluid = next((a.size for a in plan.actions if a.kind == "fluid"), -1.0)
    ageing = (
        -np.sign(fluid)
        * max(for_effects.normal(m.OLD_FLUID, m.OLD_FLUID_SD), 0.0)
        * min(difficulty.wander, 1.0)
    )
    old = cells.of("apply_trim") + m.FLUID_TIME_PER_KPA * cells.of("shift_time")
    need += np.outer((km - km[0]) / 1e5, ageing * old)

    for action in plan.actions:
        change = effect(action, cells, plan.profile, for_effects)
        if action.kind == "pressure":
            need += np.outer(np.maximum(days - action.day, 0.0) / 365.25, change)
        else:
            need += np.outer(days > action.day, change)
    return need + difficulty.wander * _wandering(days, cells, for_wander)


def _new_base(cells: Cells, rng: np.random.Generator) -> Floats:
    """Draw base needs: shifts differ, and the modes of one shift are alike in part."""
    by_shift = rng.normal(size=(len(cells.signals), len(cells.channels)))[cells.signal_no, cells.channel_no]
    alone = rng.normal(size=len(cells))
    drawn = cells.sizes["cleared"] + cells.sizes["spread"] * (0.85 * by_shift + 0.5 * alone)
    return np.asarray(np.clip(drawn, cells.lower, cells.upper), dtype=np.float64)


def _wandering(days: Floats, cells: Cells, rng: np.random.Generator) -> Floats:
    """Own and shared wandering (first-order, memory `WANDER_DAYS`) and a yearly wave, (S, C)."""
    keep = np.exp(-np.diff(days, prepend=days[0]) / m.WANDER_DAYS)
    keep[0] = 0.0
    kicks = np.sqrt(1.0 - keep**2)
    own = rng.normal(size=(len(days), len(cells))) * kicks[:, None]
    shared = rng.normal(size=(len(days), len(cells.signals))) * kicks[:, None]
    for j in range(1, len(days)):
        own[j] += keep[j] * own[j - 1]
        shared[j] += keep[j] * shared[j - 1]
    wave = np.sin(2.0 * np.pi * (days / 365.25 + rng.random()))
    lean = np.clip(rng.normal(1.0, 0.3, len(cells)), 0.0, 2.0)
    out = cells.sizes["wander"] * own + cells.sizes["shared_wander"] * shared[:, cells.signal_no]
    return np.asarray(out + np.outer(wave, cells.sizes["season"] * lean), dtype=np.float64)
