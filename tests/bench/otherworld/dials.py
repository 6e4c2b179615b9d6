"""How hard a fleet is to read: sizes, noise, gaps and the honesty of the log."""

from __future__ import annotations

from dataclasses import dataclass, replace

Span = tuple[float, float]


@dataclass(frozen=True)
class Dial:
    """Settings of one difficulty. Shares are chances from 0 to 1, days are days.

    Attributes
    ----------
    snapshots, days : (low, high)
        How many readings out a unit gets (shop visits add some), over how many days.
    noise : float
        Multiplies every random error.
    size : (low, high)
        Multiplies the effect of every cause, drawn for each.
    quiet : float
        Share of units to which nothing happens.
    logged, misdated, misdated_days, wrong_kind, no_effect
        Log: chance that an action has an entry; that its date is off, and by how much at most; that it has
        the wrong kind; chance that a unit has an entry that did nothing.
    same_visit : float
        Chance that an action brings a second one in the same visit.
    hastens : float
        Chance that the growth of a worn pack speeds up by itself.
    fleet_lacks, unit_lacks : float
        Chance that the whole fleet, or a unit, was read without one of the signals or modes.
    no_temperature, no_counts : float
        Share of units read without fluid temperature, or without learn counts.
    unread, slips : float
        Share of readings that are missing, or mistyped.

    """

    name: str
    snapshots: tuple[int, int] = (24, 40)
    days: tuple[int, int] = (740, 1090)
    noise: float = 1.0
    size: Span = (0.8, 1.5)
    quiet: float = 0.25
    logged: float = 0.8
    misdated: float = 0.2
    misdated_days: int = 6
    wrong_kind: float = 0.01
    no_effect: float = 0.08
    same_visit: float = 0.06
    hastens: float = 0.25
    fleet_lacks: float = 0.0
    unit_lacks: float = 0.0
    no_temperature: float = 0.0
    no_counts: float = 0.0
    unread: float = 0.0
    slips: float = 0.0


_USUAL = Dial("usual")
DIALS: dict[str, Dial] = {
    "usual": _USUAL,
    "noisy": replace(_USUAL, name="noisy", noise=1.8),
    "sparse": replace(_USUAL, name="sparse", snapshots=(9, 16)),
    "hard": Dial(
        "hard",
        snapshots=(14, 34),
        size=(0.4, 1.0),
        logged=0.55,
        misdated=0.45,
        misdated_days=24,
        wrong_kind=0.06,
        no_effect=0.3,
        same_visit=0.25,
        hastens=0.6,
        fleet_lacks=0.35,
        unit_lacks=0.3,
        no_temperature=0.35,
        no_counts=0.35,
        unread=0.02,
        slips=0.001,
    ),
}
