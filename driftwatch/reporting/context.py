"""What each report says, as frozen objects: the templates, the JSON files and a web page share them.

Everything here is ready to show: sentences, dates, shares and chart data. Keys are documented in
`docs/report-context.md`; `driftwatch.reporting.parts.to_plain` gives the JSON form.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from driftwatch.reporting.parts import About, Chart, LimitUsed, Table

# --- review ------------------------------------------------------------------------------------


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
    worst : str
        The highest service state among its clutches, or empty where there is no volume reading.
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
    compared : str
        What the changes are measured against.
    changes : tuple of MonthChange
        What is new, worse, better or cleared.
    calendar : Chart or None
        Packs expected to reach their limit in each of the next twelve months.
    reach : Chart or None
        Distance left for the packs nearest to their limit.
    notes : tuple of UnitNote
        Units settling or changed, and what explains each.
    readings : tuple of UnitNote
        Units whose readings are old, odd or too few.
    fleet : tuple of FleetRow
        All units.
    record : TrackRecord or None
        How right the program would have been in the year before; None if that was not asked for.
    about : About
        Footer of the page.

    """

    title: str
    month: str
    lead: tuple[str, ...]
    counts: tuple[tuple[str, int], ...]
    meaning: tuple[tuple[str, str], ...]
    work: tuple[WorkItem, ...]
    compared: str
    changes: tuple[MonthChange, ...]
    calendar: Chart | None
    reach: Chart | None
    notes: tuple[UnitNote, ...]
    readings: tuple[UnitNote, ...]
    fleet: tuple[FleetRow, ...]
    record: TrackRecord | None
    about: About


# --- followup ----------------------------------------------------------------------------------


@dataclass(frozen=True)
class MapCell:
    """What one cell did between before and after.

    Attributes
    ----------
    before, after, change : float or None
        In the signal's unit; None where not read.
    noise_units : float or None
        Change divided by the spread of one reading.
    level : {"up", "up-strong", "down", "down-strong", "still", "missing"}
        How the map colours it.
    text : str
        What the map shows, with sign.
    odd : str
        Why this cell does otherwise than the change should do; empty if it does not.
    learned : str
        `learned`, `3 more shifts`, `not driven` or `not recorded`; empty for packs.

    """

    before: float | None
    after: float | None
    change: float | None
    noise_units: float | None
    level: str
    text: str
    odd: str
    learned: str


@dataclass(frozen=True)
class ChangeMap:
    """Channels x modes for one signal.

    Attributes
    ----------
    signal, unit, title, says, expected : str
        Signal and its unit, heading, what to see, and what this kind of change should do to it (may be
        empty).
    modes, channels : tuple of str
        Columns and rows.
    cells : tuple of tuple of MapCell
        One row a channel.

    """

    signal: str
    unit: str
    title: str
    says: str
    expected: str
    modes: tuple[str, ...]
    channels: tuple[str, ...]
    cells: tuple[tuple[MapCell, ...], ...]


@dataclass(frozen=True)
class LearnRow:
    """How far one shift in one mode has learned since the change.

    Attributes
    ----------
    mode, shift : str
        Mode and shift concerned.
    shifts_seen : int or None
        Shifts learned from since; None where the reading-out does not count them.
    wants : int or None
        How many more; 0 if learned, None if not countable.
    text : str
        The same in words.

    """

    mode: str
    shift: str
    shifts_seen: int | None
    wants: int | None
    text: str


@dataclass(frozen=True)
class DriveStep:
    """One part of the drive plan.

    Attributes
    ----------
    mode : str
        Mode to drive in.
    shifts : tuple of str
        Shifts that want repeats.
    sentence : str
        What to drive, in a sentence.

    """

    mode: str
    shifts: tuple[str, ...]
    sentence: str


@dataclass(frozen=True)
class FollowupContext:
    """The shop's page after a change.

    Attributes
    ----------
    title, unit, profile_title : str
        Heading, name of the unit, title of its transmission profile.
    since : date
        Day that before and after are counted from.
    change : str
        What was done, in words.
    verdict : {"hand over", "drive first", "inspect first"}
        What to do with the vehicle.
    reason : str
        The weightiest reason for the verdict.
    reasons : tuple of str
        Everything else that speaks for it, one line each.
    facts : tuple of (str, str)
        Unit, odometer, snapshots before and after, ...
    expected : str
        What this kind of change should do.
    maps : tuple of ChangeMap
        One map a signal.
    odd : tuple of str
        Cells that do otherwise, one line each.
    learning : tuple of LearnRow
        One row a shift and mode in use.
    plan : tuple of DriveStep
        What is still to be driven, one step a mode.
    plan_cautions : tuple of str
        What to mind while driving.
    clutch : tuple of str
        Whether anything points to a clutch, one line each.
    overlap : tuple of str
        Overlap and authority, one line each.
    findings : tuple of str
        What the assessment found, one line each.
    marks : tuple of str
        What the marks in the timelines stand for: logged events (E1, ...), changes found (A, ...).
    charts : tuple of Chart
        Timelines and forecasts.
    appendix : Table
        Readings before and after, cell by cell.
    snapshots : Table
        Snapshots used.
    about : About
        Footer of the page.

    """

    title: str
    unit: str
    profile_title: str
    since: date
    change: str
    verdict: str
    reason: str
    reasons: tuple[str, ...]
    facts: tuple[tuple[str, str], ...]
    expected: str
    maps: tuple[ChangeMap, ...]
    odd: tuple[str, ...]
    learning: tuple[LearnRow, ...]
    plan: tuple[DriveStep, ...]
    plan_cautions: tuple[str, ...]
    clutch: tuple[str, ...]
    overlap: tuple[str, ...]
    findings: tuple[str, ...]
    marks: tuple[str, ...]
    charts: tuple[Chart, ...]
    appendix: Table
    snapshots: Table
    about: About


# --- explain -----------------------------------------------------------------------------------


@dataclass(frozen=True)
class Share:
    """What one cause has of the whole change.

    Attributes
    ----------
    cause, label : str
        Cause as in the assessment, and in the owner's words.
    share, low, high : float
        The share and its range, 0 to 1; all `share` add up to 1.
    asked : bool
        True for the cause the question is about.

    """

    cause: str
    label: str
    share: float
    low: float
    high: float
    asked: bool


@dataclass(frozen=True)
class ExplainContext:
    """The owner's page.

    Attributes
    ----------
    title, unit, question : str
        Heading, name of the unit, the question as asked.
    since : date
        Day of the event, or the day asked about.
    answer : {"yes", "mostly", "partly", "no", "can't tell yet"}
        The answer in a word or two.
    answer_sentence, because : str
        The answer in a sentence, and the reason for it.
    shares : tuple of Share
        Largest first; empty where no change is seen.
    picture : Chart or None
        The shares with their ranges.
    learning : str
        Whether the transmission is still learning.
    wear : str
        Whether something is wearing out.
    do, dont : tuple of str
        What to do, and what not to do.
    come_back : str
        When to have it read out again.
    would_change : tuple of str
        What would change the answer.
    details : tuple of str
        What was found, one line each.
    about : About
        Footer of the page.

    """

    title: str
    unit: str
    question: str
    since: date
    answer: str
    answer_sentence: str
    because: str
    shares: tuple[Share, ...]
    picture: Chart | None
    learning: str
    wear: str
    do: tuple[str, ...]
    dont: tuple[str, ...]
    come_back: str
    would_change: tuple[str, ...]
    details: tuple[str, ...]
    about: About


# --- backtest ----------------------------------------------------------------------------------


@dataclass(frozen=True)
class BacktestContext:
    """The look back: what would have been said, against what came.

    Attributes
    ----------
    title : str
        Heading of the page.
    period : str
        What was looked at.
    lead : tuple of str
        Three lines: how right the ranges were, how early the warnings, how lasting the findings.
    forecasts : tuple of str
        What is to be said of the ranges, one line each.
    coverage : Chart or None
        How often each kind of range held.
    distances : Chart or None
        Distances to the limit said, against those that came.
    growth : Chart or None
        Volumes said and read, some months on.
    warnings : tuple of str
        What is to be said of the alerts, one line each.
    leads : Chart or None
        For how long before each limit the alerts had stood; None if no limit was reached.
    alerts : Table
        Every alert that was raised, and what came of it.
    findings : tuple of str
        What is to be said of the findings, one line each.
    fates : Table
        What became of the findings, by cause.
    moved : tuple of str
        Findings that changed or are gone, one line each.
    figures : Table
        All key figures.
    cannot : tuple of str
        What a look back cannot show, one line each.
    about : About
        Footer of the page.

    """

    title: str
    period: str
    lead: tuple[str, ...]
    forecasts: tuple[str, ...]
    coverage: Chart | None
    distances: Chart | None
    growth: Chart | None
    warnings: tuple[str, ...]
    leads: Chart | None
    alerts: Table
    findings: tuple[str, ...]
    fates: Table
    moved: tuple[str, ...]
    figures: Table
    cannot: tuple[str, ...]
    about: About


#: Every class above that a context is made of, for the documentation and its test.
PARTS: tuple[type, ...] = (
    ReviewContext,
    WorkItem,
    MonthChange,
    UnitNote,
    FleetRow,
    TrackRecord,
    FollowupContext,
    ChangeMap,
    MapCell,
    LearnRow,
    DriveStep,
    ExplainContext,
    Share,
    BacktestContext,
    Chart,
    Table,
    About,
    LimitUsed,
)
