"""What each report says, as frozen objects: the templates, the JSON files and a web page share them.

Everything here is ready to show: sentences, dates, shares and chart data. Keys are documented in
`docs/report-context.md`; `to_plain` gives the JSON form.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, is_dataclass
from datetime import date
from typing import Any


@dataclass(frozen=True)
class Table:
    """The numbers behind a chart, or a list to read.

    Attributes
    ----------
    caption : str
        What the table holds, units included.
    columns : tuple of str
    rows : tuple of tuple of str
        Already formatted; as many cells as there are columns.

    """

    caption: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


@dataclass(frozen=True)
class Chart:
    """One picture with the sentence that says what to see in it.

    Attributes
    ----------
    id : str
        Unique on the page.
    title : str
    says : str
        What to see, in one or two sentences.
    height : int
        Pixels.
    figure : dict
        Plotly figure: `data` and `layout`, plain values only.
    table : Table
        The same numbers.

    """

    id: str
    title: str
    says: str
    height: int
    figure: dict[str, Any]
    table: Table


@dataclass(frozen=True)
class LimitUsed:
    """One service limit that the report relied on.

    Attributes
    ----------
    profile, profile_title, clutch : str
    limit_cm3 : float
    source : str
        Where the limit comes from, as the profile says; never empty.
    illustrative : bool
        True if it is only an example value, not one of the transmission's own literature.

    """

    profile: str
    profile_title: str
    clutch: str
    limit_cm3: float
    source: str
    illustrative: bool


@dataclass(frozen=True)
class About:
    """The footer of every report.

    Attributes
    ----------
    as_of : date
        Last day known to the report.
    made_by : str
        Program and version.
    limits : tuple of LimitUsed
    warning : str
        The loud line where any limit is only illustrative; empty otherwise.
    cautions : tuple of str
        What a reader must bear in mind before acting.
    terms : tuple of (str, str)
        Words of the trade used on the page, each with its meaning.

    """

    as_of: date
    made_by: str
    limits: tuple[LimitUsed, ...]
    warning: str
    cautions: tuple[str, ...]
    terms: tuple[tuple[str, str], ...]


# --- review ------------------------------------------------------------------------------------


@dataclass(frozen=True)
class WorkItem:
    """Something to do for one unit.

    Attributes
    ----------
    key : str
        Stable from month to month: unit, kind of work and clutch.
    unit, site : str
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
        The same in words.
    chance : float or None
        How sure, 0 to 1.
    sure : str
        The same in words, and of what.
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
    unit, what, sentence : str

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
    sentence : str
        The assessment's own sentence.
    explained_by : tuple of str
        One line for each finding, most probable first.

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
    snapshots : int
    last : date or None
        Day of the last snapshot.
    odometer_km : float or None
    worst : str
        The highest service state among its clutches, or empty where there is no volume reading.
    sentence : str

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
class ReviewContext:
    """The fleet's month.

    Attributes
    ----------
    title : str
    month : str
        YYYY-MM.
    lead : tuple of str
        Three lines that answer who needs someone this month.
    counts : tuple of (str, int)
        Units by their most urgent item, in order of urgency; `none` last.
    meaning : tuple of (str, str)
        What each urgency means.
    work : tuple of WorkItem
        In order of urgency.
    compared : str
        What the changes are measured against.
    changes : tuple of MonthChange
    calendar, reach : Chart or None
        Packs expected to reach their limit a month; distance left for those nearest to it.
    notes : tuple of UnitNote
        Units settling or changed, and what explains each.
    readings : tuple of UnitNote
        Units whose readings are old, odd or too few.
    fleet : tuple of FleetRow
        All units.
    about : About

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
        `expected` says what this kind of change should do to this signal.
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
    shifts_seen : int or None
        Shifts learned from since; None where the reading-out does not count them.
    wants : int or None
        How many more; 0 if learned, None if not countable.
    text : str

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
    shifts : tuple of str
    sentence : str

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
    since : date
    change : str
        What was done, in words.
    verdict : {"hand over", "drive first", "inspect first"}
    reason : str
    reasons : tuple of str
        Everything that speaks for the verdict, one line each.
    facts : tuple of (str, str)
        Unit, odometer, snapshots before and after, ...
    expected : str
        What this kind of change should do.
    maps : tuple of ChangeMap
    odd : tuple of str
        Cells that do otherwise, one line each.
    learning : tuple of LearnRow
    plan : tuple of DriveStep
    plan_cautions : tuple of str
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
        0 to 1; all `share` add up to 1.
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
    since : date
    answer : {"yes", "mostly", "partly", "no", "can't tell yet"}
    answer_sentence, because : str
    shares : tuple of Share
        Largest first; empty where no change is seen.
    picture : Chart or None
    learning : str
        Whether the transmission is still learning.
    wear : str
        Whether something is wearing out.
    do, dont : tuple of str
    come_back : str
    would_change : tuple of str
        What would change the answer.
    details : tuple of str
        What was found, one line each.
    about : About

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


#: Every class above that a context is made of, for the documentation and its test.
PARTS: tuple[type, ...] = (
    ReviewContext,
    WorkItem,
    MonthChange,
    UnitNote,
    FleetRow,
    FollowupContext,
    ChangeMap,
    MapCell,
    LearnRow,
    DriveStep,
    ExplainContext,
    Share,
    Chart,
    Table,
    About,
    LimitUsed,
)


def to_plain(value: Any) -> Any:
    """Give any part of a context as JSON values: mappings, lists, text, numbers; dates as ISO text."""
    if is_dataclass(value) and not isinstance(value, type):
        return {f.name: to_plain(getattr(value, f.name)) for f in fields(value)}
    if isinstance(value, dict):
        return {str(k): to_plain(v) for k, v in value.items()}
    if isinstance(value, (list, tuple)):
        return [to_plain(v) for v in value]
    if isinstance(value, date):
        return value.isoformat()
    return value
