"""What happens to a unit, and what the log says of it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from driftwatch.profile.model import Profile
from tests.bench.otherworld.dials import Dial
from tests.bench.otherworld.world import Bools, Floats

#: How often each cause is the one that is drawn.
OFTEN = {
    "wear": 0.22,
    "power": 0.18,
    "load": 0.16,
    "fluid": 0.17,
    "relearn": 0.1,
    "rebuild": 0.07,
    "pressure": 0.1,
}
#: What else may be done in the visit in which something is done.
TOGETHER = {
    "power": ("fluid", "relearn", "load"),
    "fluid": ("relearn", "power"),
    "load": ("power", "fluid"),
    "relearn": ("fluid", "power"),
    "rebuild": ("power",),
}
#: Causes that a unit has once at most: fresh fluid, for one, is not made fresher.
ONCE = ("wear", "pressure", "rebuild", "fluid")
#: Causes that a shop or an owner could write down.
LOGGABLE = frozenset(TOGETHER)
#: Visits lie at least so many days apart, and this far from both ends, as a share of the time told.
APART_DAYS = 80
MARGIN = 0.1


@dataclass(frozen=True)
class Deed:
    """One cause at work.

    Attributes
    ----------
    cause : str
    day : int
        When it begins, counted from the unit's first day.
    size : float
        Power: change of torque in %; load: tonnes (negative when taken off); fluid: share of the ageing
        that is undone; pressure: kPa lost at the end; wear: share of the allowance used up at the end;
        otherwise 1.
    ramp_days : int
        0 for a step; a slow loss of pressure takes this long.
    curve : float
        Exponent of a slow loss: above 1, it gets faster.
    pack : int
        The worn pack, or -1.
    renewed : array of bool (P,)
        Packs that a rebuild renews.
    hurry : array (P,)
        Factor on each pack's rate of wear from then on.

    """

    cause: str
    day: int
    size: float
    ramp_days: int = 0
    curve: float = 1.0
    pack: int = -1
    renewed: Bools | None = None
    hurry: Floats | None = None


@dataclass(frozen=True)
class Entry:
    """One line of the log, with the day counted from the unit's first."""

    day: int
    kind: str
    amount: float | None = None
    amount_unit: str = ""


def draw_deeds(profile: Profile, dial: Dial, days: int, rng: np.random.Generator) -> list[Deed]:
    """Draw what happens to a unit, in order of time; nothing, for a quiet one."""
    if rng.random() < dial.quiet:
        return []
    causes = _draw_causes(rng)
    steps = [c for c in causes if c != "wear"]
    deeds: list[Deed] = []
    for cause, day in zip(steps, _draw_days(len(steps), days, rng), strict=True):
        deeds.append(_deed(profile, cause, day, days, dial, rng))
        others = [c for c in TOGETHER.get(cause, ()) if c not in ONCE or c not in steps]
        if others and rng.random() < dial.same_visit:
            deeds.append(_deed(profile, str(rng.choice(others)), day, days, dial, rng))
    for load in [d for d in deeds if d.cause == "load"]:
        if rng.random() < 0.35:
            deeds += _taken_off(deeds, load, days, rng)
    if "wear" in causes:
        deeds.append(_wear(profile, deeds, dial, days, rng))
    return sorted(deeds, key=lambda d: d.day)


def _draw_causes(rng: np.random.Generator) -> list[str]:
    names = list(OFTEN)
    share = np.array(list(OFTEN.values()))
    count = int(rng.choice([1, 2, 3], p=[0.55, 0.33, 0.12]))
    causes = [str(c) for c in rng.choice(names, count, p=share / share.sum())]
    return [c for i, c in enumerate(causes) if c not in ONCE or c not in causes[:i]]


def _draw_days(count: int, days: int, rng: np.random.Generator) -> list[int]:
    """Days for so many visits, far enough from each other."""
    low, high = int(MARGIN * days), int((1 - MARGIN) * days)
    free = max(high - low - APART_DAYS * (count - 1), 1)
    loose = np.sort(rng.integers(0, free, count))
    chosen = [int(low + gap + i * APART_DAYS) for i, gap in enumerate(loose)]
    rng.shuffle(chosen)
    return chosen


def _deed(profile: Profile, cause: str, day: int, days: int, dial: Dial, rng: np.random.Generator) -> Deed:
    """Draw the size of one cause."""
    packs = len(profile.clutches)
    factor = float(rng.uniform(*dial.size))
    if cause == "power":
        sign = 1.0 if rng.random() < 0.75 else -1.0
        hurry = _hurry(packs, 0.6, rng) if sign > 0 else np.ones(packs)
        return Deed(cause, day, sign * 15.0 * factor, hurry=hurry)
    if cause == "load":
        return Deed(cause, day, 2.2 * factor, hurry=_hurry(packs, 0.4, rng))
    if cause == "fluid":
        return Deed(cause, day, min(0.75 * factor, 1.0))
    if cause == "pressure":
        sudden = rng.random() < 0.25
        ramp = 0 if sudden else int(rng.integers(150, max(151, min(520, days - day))))
        return Deed(cause, day, 24.0 * factor, ramp, float(rng.uniform(0.9, 1.7)))
    if cause == "rebuild":
        renewed = np.ones(packs, dtype=bool) if rng.random() < 0.5 else rng.random(packs) < 0.4
        renewed[int(rng.integers(packs))] = True
        return Deed(cause, day, 1.0, renewed=renewed)
    return Deed(cause, day, 1.0)


def _hurry(packs: int, chance: float, rng: np.random.Generator) -> Floats:
    faster = rng.random(packs) < chance
    return np.where(faster, rng.uniform(1.1, 1.9, packs), 1.0)


def _taken_off(deeds: list[Deed], load: Deed, days: int, rng: np.random.Generator) -> list[Deed]:
    """A load that goes again, if there is time and room; it is a change of load like its coming."""
    off = load.day + int(rng.integers(APART_DAYS + 10, 260))
    if off > (1 - MARGIN / 2) * days or any(abs(d.day - off) < APART_DAYS / 2 for d in deeds):
        return []
    return [Deed("load", off, -load.size, hurry=1.0 / load.hurry if load.hurry is not None else None)]


def _wear(profile: Profile, deeds: list[Deed], dial: Dial, days: int, rng: np.random.Generator) -> Deed:
    """One pack that wears fast, from the first day or from some later one, perhaps faster and faster."""
    rebuilt = next((d for d in deeds if d.cause == "rebuild"), None)
    pack = int(rng.integers(len(profile.clutches)))
    if rebuilt is not None and rebuilt.renewed is not None:
        renewed = rebuilt.renewed.copy()
        renewed[pack] = True
        deeds[deeds.index(rebuilt)] = replace(rebuilt, renewed=renewed)
    begins = 0 if rng.random() < 0.7 else int(rng.uniform(0.05, 0.4) * days)
    hastens = float(rng.uniform(0.6, 2.2)) if rng.random() < dial.hastens else 0.0
    return Deed("wear", begins, float(rng.uniform(0.36, 1.1)), pack=pack, curve=hastens)


def draw_log(
    deeds: list[Deed], dial: Dial, days: int, rng: np.random.Generator
) -> tuple[list[Entry], list[bool]]:
    """Write the log: what was noted of the deeds, and what was noted for nothing.

    Returns
    -------
    entries : list of Entry
        In order of time.
    logged : list of bool
        For each deed, whether it has an entry of its own kind.

    """
    entries: list[Entry] = []
    logged = []
    for deed in deeds:
        noted = deed.cause in LOGGABLE and rng.random() < dial.logged
        wrong = noted and rng.random() < dial.wrong_kind
        logged.append(noted and not wrong)
        if noted:
            kind = str(rng.choice(["repair", "other", "fluid", "power"])) if wrong else deed.cause
            entries.append(_entry(deed, kind, _noted_day(deed.day, dial, days, rng), rng))
    if rng.random() < dial.no_effect:
        kind = str(rng.choice(["fluid", "power", "load", "repair", "other"]))
        entries.append(Entry(int(rng.integers(5, days - 5)), kind))
    return sorted(entries, key=lambda e: e.day), logged


def _noted_day(day: int, dial: Dial, days: int, rng: np.random.Generator) -> int:
    off = (
        int(rng.integers(-dial.misdated_days, dial.misdated_days + 1)) if rng.random() < dial.misdated else 0
    )
    return int(np.clip(day + off, 0, days - 1))


def _entry(deed: Deed, kind: str, day: int, rng: np.random.Generator) -> Entry:
    """Amounts are noted half of the time, and roughly."""
    if kind != deed.cause or rng.random() < 0.5:
        return Entry(day, kind)
    rough = float(rng.normal(1.0, 0.1))
    if kind == "power":
        return Entry(day, kind, round(6.0 * deed.size * rough / 5) * 5.0, "N.m")
    if kind == "load":
        return Entry(day, kind, round(1000 * deed.size * rough / 50) * 50.0, "kg")
    return Entry(day, kind)
