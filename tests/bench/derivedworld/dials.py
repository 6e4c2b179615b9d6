"""How hard a fleet is to read: sizes, noise, gaps and the honesty of the log."""

from __future__ import annotations

from dataclasses import dataclass, replace


@dataclass(frozen=True)
class Dial:
    """Settings of one difficulty. Shares are chances from 0 to 1, days are days.

    Attributes
    ----------
    snapshots : (low, high)
        How many readings out a unit gets.
    noise : float
        Multiplies every random error.
    size : float
        Multiplies the size of every cause; below 1, fluid work is half-hearted, too.
    read_before, read_after : float
        Chance that an act is preceded, or followed within weeks, by a reading out.
    temperatures, counts : float
        Share of units read with fluid temperature (most of the time), or with learn counts.
    unread : float
        Share of readings that are missing, on average.
    unlogged, misdated, misdated_days, miswritten, no_effect
        Log: chance that an act has no entry; that its date is off, and by how much at most; that its amount
        or its kind is wrong (each); that a unit has an entry behind which nothing changed.
    same_visit : float
        Chance that a unit's first act has a second one in the same visit.
    slips : float
        Share of units with slips of the keyboard or the tool.
    lacks_signal, lacks_second, lacks_mode : float
        Chance that a unit was read without a signal, then without another one, or without a mode.
    hastens, hastens_too : float
        Share of fast packs whose growth speeds up by itself; and of those of another kind that do so, too.

    """

    snapshots: tuple[int, int] = (24, 40)
    noise: float = 1.0
    size: float = 1.0
    read_before: float = 0.65
    read_after: float = 0.75
    temperatures: float = 0.88
    counts: float = 0.78
    unread: float = 0.004
    unlogged: float = 0.10
    misdated: float = 0.15
    misdated_days: int = 7
    miswritten: float = 0.0
    no_effect: float = 0.16
    same_visit: float = 0.0
    slips: float = 0.0
    lacks_signal: float = 0.04
    lacks_second: float = 0.0
    lacks_mode: float = 0.06
    hastens: float = 0.25
    hastens_too: float = 0.0


_USUAL = Dial()
DIALS: dict[str, Dial] = {
    "usual": _USUAL,
    "noisy": replace(_USUAL, noise=1.8),
    "sparse": replace(
        _USUAL, snapshots=(9, 16), read_before=0.45, read_after=0.35, temperatures=0.85, counts=0.75
    ),
    "hard": Dial(
        snapshots=(12, 30),
        noise=1.1,
        size=0.5,
        read_before=0.4,
        read_after=0.45,
        temperatures=0.5,
        counts=0.5,
        unread=0.05,
        unlogged=0.25,
        misdated=0.40,
        misdated_days=21,
        miswritten=0.14,
        no_effect=0.34,
        same_visit=0.35,
        slips=0.55,
        lacks_signal=0.38,
        lacks_second=0.25,
        lacks_mode=0.35,
        hastens=0.65,
        hastens_too=0.4,
    ),
}
