"""What the fleet review says, as frozen objects."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from driftwatch.reporting.parts import About, Chart


@dataclass(frozen=True)
class WorkItem:
    """Something to do for one unit.

    Attributes
    ----------
    key : str
        Stable from month to month: unit, kind of work and clutch.
    unit, site : str
        Name of the unit, and where it is kept (may be empty).
    urgency : {"now", "inspect", "plan", "watch", "read"}
        In this order: limit reached or near; something odd to look at; to be booked; to be kept in view;
        only a reading-out is wanted.
    kind : str
        `clutch`, a cause (`pressure`, `unexplained`) or a caution's kind (`authority`, `overlap`, ...).
    clutch : str
        The pack concerned, or empty.
    reason : str
        Why, in a sentence.
    early, middle, late : date or None
        Days by which the limit is reached with a chance of 10, 50 and 90 %.
    by_when : str
        The days in words.
    chance : float or None
        How sure, 0 to 1.
    sure : str
        How sure in words, and of what.
    check : str
        What to check on the vehicle itself.
    is_new : bool
        True if the previous month did not list it (False where there is no previous month).

    """

    key: str
    unit: str
    site: str
    urgency: str
    kind: str
    clutch: str
    reason: str
    early: date | None
    middle: date | None
    late: date | None
    by_when: str
    chance: float | None
    sure: str
    check: str
    is_new: bool


@dataclass(frozen=True)
class MonthChange:
    """How one item stands against the month before.

    Attributes
    ----------
    move : {"new", "worse", "better", "cleared"}
        How it moved.
    unit, what, sentence : str
        The unit, the item in a few words, and why.

    """

    move: str
    unit: str
    what: str
    sentence: str


@dataclass(frozen=True)
class UnitNote:
    """One line on a unit that needs no work now, but should be known about.

    Attributes
    ----------
    unit, site, state : str
        Name, place (may be empty) and state of the unit.
    sentence : str
        The assessment's own sentence, or what was read when.
    explained_by : tuple of str
        One line for each finding (or caution), most probable first.

    """

    unit: str
    site: str
    state: str
    sentence: str
    explained_by: tuple[str, ...]


@dataclass(frozen=True)
class FleetRow:
    """One unit in the list of all units.

    Attributes
    ----------
    unit, site, profile, state : str
        Name, place, transmission profile and state of the unit.
    snapshots : int
        Number of snapshots.
    last : date or None
        Day of the last snapshot.
    odometer_km : float or None
        Odometer at the last snapshot, in km.
    worst, untold : str
        The highest service state among its clutches; where there is no forecast, empty, and why in two words.
    sentence : str
        The assessment's own sentence.

    """

    unit: str
    site: str
    profile: str
    state: str
    snapshots: int
    last: date | None
    odometer_km: float | None
    worst: str
    untold: str
    sentence: str


@dataclass(frozen=True)
class TrackRecord:
    """How right the program would have been in the year before.

    Attributes
    ----------
    looked_back : str
        What was looked at, or why nothing could be.
    lines : tuple of str
        What it shows, one line each; empty where there is too little to look back on.

    """

    looked_back: str
    lines: tuple[str, ...]


@dataclass(frozen=True)
class ReviewContext:
    """The fleet's month.

    Attributes
    ----------
    title : str
        Heading of the page.
    month : str
        The month as YYYY-MM.
    lead : tuple of str
        Three lines that answer who needs someone this month.
    counts : tuple of (str, int)
        Units by their most urgent item, in order of urgency; `none` last.
    meaning : tuple of (str, str)
        What each urgency means.
    work : tuple of WorkItem
        What has to be done, in order of urgency.
    odds : tuple of str
        How much of it is expected to come true, and to be false; empty where no chance is given.
    compared : str
        What the changes are measured against.
    changes : tuple of MonthChange
        What is new, worse, better or cleared.
    calendar : Chart or None
        Packs expected to reach their limit in each of the next twelve months, by site, with a band.
    reach : Chart or None
        Distance left for the packs nearest to their limit.
    untold : str
        Why nothing can be said of when a clutch is due; empty where something can.
    notes : tuple of UnitNote
        Units settling or changed, and what explains each.
    readings : tuple of UnitNote
        Units whose readings are old, odd or too few.
    fleet : tuple of FleetRow
        All units.
    record : TrackRecord or None
        How right the program would have been in the year before; None if that was not asked for.
    would_change, unknown : tuple of str
        What would change this list, and what it cannot know; one line each.
    about : About
        Footer of the page.

    """

    title: str
    month: str
    lead: tuple[str, ...]
    counts: tuple[tuple[str, int], ...]
    meaning: tuple[tuple[str, str], ...]
    work: tuple[WorkItem, ...]
    odds: tuple[str, ...]
    compared: str
    changes: tuple[MonthChange, ...]
    calendar: Chart | None
    reach: Chart | None
    untold: str
    notes: tuple[UnitNote, ...]
    readings: tuple[UnitNote, ...]
    fleet: tuple[FleetRow, ...]
    record: TrackRecord | None
    would_change: tuple[str, ...]
    unknown: tuple[str, ...]
    about: About
