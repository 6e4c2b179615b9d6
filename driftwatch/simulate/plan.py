"""What is to happen to one simulated unit: causes, log, snapshots, what is recorded."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from driftwatch.profile.model import Profile
from driftwatch.simulate import magnitudes as m
from driftwatch.simulate.difficulty import Difficulty

Floats = NDArray[np.float64]

#: Share of units by first cause; `nothing` happens to about a third.
MIX = {
    "nothing": 0.34,
    "wear": 0.14,
    "power": 0.13,
    "load": 0.11,
    "fluid": 0.09,
    "relearn": 0.05,
    "rebuild": 0.06,
    "pressure": 0.08,
}

#: Causes that a visit to the shop (or a new trailer) brings and that can be logged under their own kind.
LOGGABLE = ("power", "load", "fluid", "relearn", "rebuild")


@dataclass(frozen=True)
class Action:
    """One cause acting on one unit.

    Attributes
    ----------
    kind : str
        `wear`, `power`, `load`, `fluid`, `relearn`, `rebuild` or `pressure`.
    day : float
        When it happens, or begins, in days since the unit's first snapshot; may be negative.
    size : float
        `power`, `load`, `fluid`: kPa on the apply trims, with sign. `pressure`: kPa per year.
        `wear`: share of the pack's allowance per 100 000 km, on top of the ordinary rate. Else unused.
    packs : tuple of str
        `wear`: the one pack; `rebuild`: the packs renewed.
    mode : str
        `load`: the mode that is driven loaded.
    haste : float
        `wear`: relative growth of the rate over 100 000 km.
    rate_after : float
        `power`, `load`: factor on every pack's wear rate from then on.

    """

    kind: str
    day: float
    size: float = 0.0
    packs: tuple[str, ...] = ()
    mode: str = ""
    haste: float = 0.0
    rate_after: float = 1.0


@dataclass(frozen=True)
class LogEntry:
    """One line of the event log, dated in days since the unit's first snapshot."""

    day: float
    kind: str
    amount: float | None = None
    amount_unit: str = ""
    note: str = ""


@dataclass(frozen=True, eq=False)
class UnitPlan:
    """One unit before it runs.

    Attributes
    ----------
    unit : str
    profile : Profile
    first : datetime64[m]
        Time of the first snapshot.
    snapshot_days : array (T,)
        Snapshot times in days since the first.
    km_per_day, first_odometer_km : float
    actions : tuple of Action
    logged : tuple of bool
        For each action, whether the log has it.
    log : tuple of LogEntry
    signals, modes : tuple of str
        What is recorded.
    has_temperature, has_counts : bool
    mode_use : dict
        Factor on how often each mode is learned in.
    site, note : str

    """

    unit: str
    profile: Profile
    first: np.datetime64
    snapshot_days: Floats
    km_per_day: float
    first_odometer_km: float
    actions: tuple[Action, ...]
    logged: tuple[bool, ...]
    log: tuple[LogEntry, ...]
    signals: tuple[str, ...]
    modes: tuple[str, ...]
    has_temperature: bool = True
    has_counts: bool = True
    mode_use: dict[str, float] | None = None
    site: str = ""
    note: str = ""


def draw_plan(
    unit: str,
    profile: Profile,
    rng: np.random.Generator,
    difficulty: Difficulty,
    *,
    years: float,
    ends: np.datetime64,
    mix: dict[str, float],
) -> UnitPlan:
    """Draw one unit's history at random.

    Parameters
    ----------
    unit : str
        Its name.
    profile : Profile
        Its transmission type.
    rng : Generator
        Used up here; the same state gives the same plan.
    difficulty : Difficulty
        How hard the unit is to read.
    years : float
        Length of the history.
    ends : datetime64
        No snapshot is later.
    mix : dict
        Weight of each first cause, see `MIX`.

    Returns
    -------
    UnitPlan

    """
    days = _snapshot_days(rng, difficulty, years)
    km_per_day = float(np.clip(np.exp(rng.normal(np.log(130.0), 0.4)), 40.0, 350.0))
    signals = tuple(
        s.name
        for s in profile.signals
        if s.name in m.SIGNALS and (s.name == "apply_trim" or rng.random() >= difficulty.missing_signal)
    )
    modes = tuple(
        mode for i, mode in enumerate(profile.modes) if i == 0 or rng.random() >= difficulty.missing_mode
    )
    actions = _draw_actions(rng, profile, difficulty, days[-1], km_per_day, modes, mix)
    logged, log = _draw_log(rng, actions, difficulty, days[-1])
    slack = rng.uniform(0.0, 20.0)
    return UnitPlan(
        unit=unit,
        profile=profile,
        first=ends.astype("datetime64[m]") - np.timedelta64(round((days[-1] + slack) * 1440), "m"),
        snapshot_days=days,
        km_per_day=km_per_day,
        first_odometer_km=float(rng.uniform(5_000.0, 250_000.0)),
        actions=actions,
        logged=logged,
        log=log,
        signals=signals,
        modes=modes,
        has_temperature=bool(rng.random() >= difficulty.no_temperature),
        has_counts=bool(rng.random() >= difficulty.no_counts),
        mode_use={mode: float(np.exp(rng.normal(0.0, 0.5))) for mode in profile.modes},
    )


def _snapshot_days(rng: np.random.Generator, difficulty: Difficulty, years: float) -> Floats:
    """About evenly spaced, each shifted by up to a third of the spacing; the first is day 0."""
    if difficulty.snapshots_per_year is None:
        count = int(rng.integers(difficulty.snapshots[0], difficulty.snapshots[1] + 1))
    else:
        count = round(float(rng.uniform(*difficulty.snapshots_per_year)) * years)
    count = max(count, 2)
    spacing = years * 365.25 / count
    days = spacing * (np.arange(count) + rng.uniform(-0.33, 0.33, count))
    return np.asarray(days - days[0], dtype=np.float64)


def _draw_actions(
    rng: np.random.Generator,
    profile: Profile,
    difficulty: Difficulty,
    span: float,
    km_per_day: float,
    modes: tuple[str, ...],
    mix: dict[str, float],
) -> tuple[Action, ...]:
    """First cause by the mix, perhaps a second one, perhaps wear that follows."""
    kinds = list(mix)
    weights = np.array([mix[k] for k in kinds], dtype=float)
    kind = str(rng.choice(kinds, p=weights / weights.sum()))
    if kind == "nothing":
        return ()
    day = float(rng.uniform(0.2, 0.8)) * span
    actions = _actions_of(kind, day, rng, profile, difficulty, span, km_per_day, modes)
    if rng.random() < difficulty.second_cause:
        others = [k for k in kinds if k not in (kind, "nothing") and mix[k] > 0]
        if others:
            other = str(rng.choice(others))
            together = kind in LOGGABLE and other in LOGGABLE and "rebuild" not in (kind, other)
            if not (together and rng.random() < difficulty.same_visit):
                day = _apart(float(rng.uniform(0.2, 0.8)), day / span) * span
            actions += _actions_of(other, day, rng, profile, difficulty, span, km_per_day, modes)
    cause = next((a for a in actions if a.kind in ("power", "load") and a.size > 0), None)
    if (
        cause is not None
        and not any(a.kind in ("wear", "rebuild") for a in actions)
        and rng.random() < difficulty.wear_after
    ):
        actions += (_wear(cause.day, rng, profile, difficulty, span, km_per_day),)
    return tuple(sorted(actions, key=lambda a: a.day))


def _apart(place: float, other: float) -> float:
    """Keep the second visit at least a seventh of the history away from the first."""
    if abs(place - other) >= 0.15:
        return place
    return other - 0.3 if other > 0.5 else other + 0.3


def _actions_of(
    kind: str,
    day: float,
    rng: np.random.Generator,
    profile: Profile,
    difficulty: Difficulty,
    span: float,
    km_per_day: float,
    modes: tuple[str, ...],
) -> tuple[Action, ...]:
    """One cause with random size; a load may be taken off again, and a wear may begin before the history."""
    if kind == "wear":
        begin = 0.0 if rng.random() < 0.6 else float(rng.uniform(0.05, 0.5)) * span
        return (_wear(begin, rng, profile, difficulty, span, km_per_day),)
    if kind == "power":
        size = float(rng.uniform(*m.POWER_KPA)) * difficulty.size * (1.0 if rng.random() < 0.8 else -1.0)
        after = float(rng.uniform(*m.RATE_AFTER)) if size > 0 else 1.0
        return (Action("power", day, size, rate_after=after),)
    if kind == "load":
        mode = "tow" if "tow" in modes else modes[0]
        put_on = Action(
            "load",
            day,
            float(rng.uniform(*m.LOAD_KPA)) * difficulty.size,
            mode=mode,
            rate_after=float(rng.uniform(*m.RATE_AFTER)),
        )
        if rng.random() < 0.3 and day < 0.6 * span:
            off = replace(
                put_on,
                day=day + float(rng.uniform(0.2, 0.35)) * span,
                size=-put_on.size,
                rate_after=1 / put_on.rate_after,
            )
            return put_on, off
        return (put_on,)
    if kind == "fluid":
        sign = -1.0 if rng.random() < 0.8 else 1.0
        return (Action("fluid", day, sign * float(rng.uniform(*m.FLUID_KPA)) * difficulty.size),)
    if kind == "rebuild":
        names = [c.id for c in profile.clutches]
        if rng.random() < 0.6:
            return (Action("rebuild", day, packs=tuple(names)),)
        some = rng.permutation(len(names))[: int(rng.integers(1, len(names)))]
        return (Action("rebuild", day, packs=tuple(names[i] for i in sorted(some))),)
    if kind == "pressure":
        begin = max(float(rng.uniform(-0.2, 0.5)) * span, 0.0)
        total = float(rng.uniform(*m.PRESSURE_KPA)) * difficulty.size
        return (Action("pressure", begin, total / ((span - begin) / 365.25)),)
    return (Action("relearn", day),)


def _wear(
    begin: float,
    rng: np.random.Generator,
    profile: Profile,
    difficulty: Difficulty,
    span: float,
    km_per_day: float,
) -> Action:
    """One pack that uses a drawn share of its allowance between `begin` and the end of the history."""
    limited = [c.id for c in profile.clutches if c.limit_cm3 is not None] or [c.id for c in profile.clutches]
    pack = limited[int(rng.integers(len(limited)))]
    haste = float(rng.uniform(*m.HASTE)) if rng.random() < difficulty.hastening else 0.0
    share = float(rng.uniform(*m.FAST_WEAR_SHARE))
    distance = (span - begin) * km_per_day / 1e5
    return Action("wear", begin, share / (distance * (1.0 + haste * distance / 2.0)), (pack,), haste=haste)


def _draw_log(
    rng: np.random.Generator, actions: tuple[Action, ...], difficulty: Difficulty, span: float
) -> tuple[tuple[bool, ...], tuple[LogEntry, ...]]:
    """What the log says of the actions, with its omissions, wrong dates and entries without effect."""
    logged: list[bool] = []
    log: list[LogEntry] = []
    for action in actions:
        known = action.kind in LOGGABLE and rng.random() >= difficulty.unlogged
        logged.append(bool(known))
        if known:
            wrong = rng.random() < difficulty.misdated
            error = (
                rng.uniform(1.0, max(difficulty.misdated_days, 1.0)) * rng.choice([-1.0, 1.0])
                if wrong
                else 0.0
            )
            day = float(np.clip(action.day + error, 0.0, span))
            log.append(_entry(day, action.kind, np.sign(action.size), abs(action.size), rng))
    for _ in range(int(rng.poisson(difficulty.wrong_entries * span / 365.25))):
        kind = str(rng.choice(["power", "load", "fluid", "repair", "other"]))
        log.append(_entry(float(rng.uniform(0.05, 0.95)) * span, kind, 1.0, 15.0, rng))
    return tuple(logged), tuple(sorted(log, key=lambda e: e.day))


def _entry(day: float, kind: str, sign: float, size: float, rng: np.random.Generator) -> LogEntry:
    """A log line whose amount goes with the size, as loosely as a log does."""
    if kind == "power":
        return LogEntry(day, kind, round(float(sign * size * rng.uniform(4.0, 7.0)), -1), "N.m")
    if kind == "load":
        return LogEntry(day, kind, round(float(sign * size * rng.uniform(80.0, 160.0)), -2), "kg")
    return LogEntry(day, kind)
