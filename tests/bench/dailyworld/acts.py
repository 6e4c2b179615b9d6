"""What happens to a unit: visits to the shop and failings; days count from the first one driven."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from tests.bench.dailyworld.dials import Dial
from tests.bench.dailyworld.layout import BURN_IN, PACKS, Bools, Ints

#: Causes, and how often each is the one of a visit.
CAUSES = {"fluid": 0.27, "power": 0.22, "load": 0.23, "relearn": 0.12, "pressure": 0.10, "rebuild": 0.06}
#: What may be done in the same visit.
PARTNERS: dict[str, tuple[str, ...]] = {
    "power": ("fluid", "relearn", "load"),
    "fluid": ("relearn", "power"),
    "load": ("power", "fluid"),
    "relearn": ("fluid",),
    "rebuild": ("power",),
    "pressure": (),
}
#: Visits lie so many days apart.
LEAST_GAP = 50


@dataclass(frozen=True)
class Act:
    """Something that happens, in the morning of a day.

    Attributes
    ----------
    cause : str
        One of `CAUSES`.
    day : int
        When it is done or begins.
    size : float
        Share of peak torque (power), tonnes (load), share renewed (fluid), kPa lost (pressure); negative
        where it is taken off or put right.
    span_km : float
        Distance over which pressure is lost; 0 for a step.
    grow : float or None
        Factor on wear from now on, for power and for load that is put on.
    renew : array of bool (5,)
        Packs that a rebuild renews.

    """

    cause: str
    day: int
    size: float = 0.0
    span_km: float = 0.0
    grow: float | None = None
    renew: Bools = field(default_factory=lambda: np.zeros(len(PACKS), dtype=bool))


def plan_acts(dial: Dial, days: int, km_end: float, rng: np.random.Generator) -> list[Act]:
    """Draw what happens to one unit, in order of time."""
    if rng.random() < dial.nothing:
        return []
    edge = 0.05 if dial.hard else 0.1
    first, last = BURN_IN + edge * (days - BURN_IN), BURN_IN + (1 - edge) * (days - BURN_IN)
    acts: list[Act] = []
    taken: list[int] = []
    seen: set[str] = set()
    for _ in range(int(rng.choice([1, 2, 3], p=[0.55, 0.36, 0.09]))):
        day = _free_day(first, last, taken, rng)
        if day is None:
            continue
        causes = _causes(dial, seen, rng)
        taken.append(day)
        for cause in causes:
            seen.add(cause)
            act = draw_act(dial, cause, day, rng)
            if cause == "load":
                after = _taken_off(act, last, rng)
                taken += [a.day for a in after]
            elif cause == "pressure":
                act = _fitted(act, days, km_end, rng)
                after = _put_right(act, days, km_end, last, rng)
            else:
                after = []
            acts += [act, *after]
    return sorted(acts, key=lambda a: a.day)


def _free_day(first: float, last: float, taken: list[int], rng: np.random.Generator) -> int | None:
    for _ in range(20):
        day = int(rng.uniform(first, last))
        if all(abs(day - other) >= LEAST_GAP for other in taken):
            return day
    return None


def _causes(dial: Dial, seen: set[str], rng: np.random.Generator) -> list[str]:
    """Draw the cause or the two causes of one visit."""
    cause = str(rng.choice(list(CAUSES), p=list(CAUSES.values())))
    if cause in seen and cause in ("pressure", "rebuild", "load"):
        cause = "fluid"
    if PARTNERS[cause] and rng.random() < dial.double:
        other = str(rng.choice(PARTNERS[cause]))
        if other not in seen or other in ("fluid", "relearn"):
            return [cause, other]
    return [cause]


def draw_act(dial: Dial, cause: str, day: int, rng: np.random.Generator) -> Act:
    """Draw the size of something that happens."""
    scale = rng.uniform(*dial.size)
    if cause == "power":
        size = rng.uniform(0.09, 0.24) * scale * (1 if rng.random() < 0.78 else -1)
        return Act(cause, day, size, grow=1 + size * rng.uniform(0.5, 4.0))
    if cause == "load":
        size = rng.uniform(1.1, 3.4) * scale
        return Act(cause, day, size, grow=1 + size * rng.uniform(0.0, 0.25))
    if cause == "fluid":
        return Act(cause, day, rng.uniform(0.65, 1.0) * (scale if dial.hard else 1.0))
    if cause == "pressure":
        size = rng.uniform(13, 36) * scale
        return Act(cause, day, size, span_km=0.0 if rng.random() < 0.2 else rng.uniform(2500, 15000))
    if cause == "rebuild":
        renew = np.ones(5, bool)
        if rng.random() < 0.45:
            renew = np.zeros(5, bool)
            renew[rng.choice(5, int(rng.integers(1, 4)), replace=False)] = True
        return Act(cause, day, renew=renew)
    return Act(cause, day)


def _taken_off(act: Act, last: float, rng: np.random.Generator) -> list[Act]:
    """Take a load off again, some of the time, and not always all of it."""
    if rng.random() < 0.4 and last - act.day > 120:
        off = int(rng.uniform(act.day + 70, last))
        return [Act("load", off, -act.size * (1 if rng.random() < 0.8 else 0.6))]
    return []


def _fitted(act: Act, days: int, km_end: float, rng: np.random.Generator) -> Act:
    """Let a slow loss of pressure come about within what is still driven, or not much later."""
    room = km_end * (1 - act.day / days)
    if act.span_km > room * 1.3:
        return replace(act, span_km=max(1500.0, room * rng.uniform(0.5, 1.2)))
    return act


def _put_right(act: Act, days: int, km_end: float, last: float, rng: np.random.Generator) -> list[Act]:
    """Find a loss of pressure and put it right, some of the time."""
    lost = act.day + act.span_km / max(km_end, 1.0) * days
    if rng.random() < 0.25 and lost + 60 < last:
        return [Act("pressure", int(rng.uniform(lost + 30, last)), -act.size * rng.uniform(0.8, 1.0))]
    return []


def acts_done(acts: Sequence[Act], days: int) -> Ints:
    """Give for each day how many acts lie behind; (days,)."""
    done = np.zeros(days, dtype=np.int64)
    for act in acts:
        done[act.day :] += 1
    return done
