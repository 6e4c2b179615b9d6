"""What the follow-up of work says, as frozen objects."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from driftwatch.reporting.parts import About, Chart, Table


@dataclass(frozen=True)
class MapCell:
    """What one cell did between before and after.

    Attributes
    ----------
    before, after : float or None
        The last reading before and the last one since, in the signal's stored unit; None where not read.
    change : float or None
        What came at once by the fitted course, the slow drift taken off, in the same unit; None where there
        is nothing to compare.
    noise_units : float or None
        Change divided by the spread of one reading.
    level : {"up", "up-strong", "down", "down-strong", "still", "missing"}
        How the map colours it, by its noise units.
    text : str
        What the map shows of the change, in the reader's unit, with sign.
    odd : str
        Why this cell does otherwise than the change should do; empty if it does not.
    learned : str
        `learned`, `3 more shifts`, `not driven` or `not recorded`; empty for packs.
    drift : float or None
        What came slowly between the two readings, by the fitted slopes, in the stored unit.
    drift_units : float or None
        Drift divided by the spread of one reading.
    drift_text : str
        The drift in the reader's unit, with sign; empty where it is within chance.

    """

    before: float | None
    after: float | None
    change: float | None
    noise_units: float | None
    level: str
    text: str
    odd: str
    learned: str
    drift: float | None = None
    drift_units: float | None = None
    drift_text: str = ""


@dataclass(frozen=True)
class ChangeMap:
    """Channels x modes for one signal.

    Attributes
    ----------
    signal, stored_unit, unit : str
        Signal, the unit its values are stored in, and the sign of the unit in which they are shown.
    title, says, expected : str
        Heading, what to see, and what this kind of change should do to it (may be empty).
    modes, channels : tuple of str
        Columns and rows.
    cells : tuple of tuple of MapCell
        One row a channel.

    """

    signal: str
    stored_unit: str
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
    km : float or None
        About how far this transmission drives until it has made so many, by its use so far; None if it never
        made them, or nothing is wanted.
    text : str
        The same in words.

    """

    mode: str
    shift: str
    shifts_seen: int | None
    wants: int | None
    km: float | None
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
    rounds : tuple of (str, int)
        Throttle step, and how often to go up through the gears and back down at it.
    km : float or None
        About how far that is by the unit's use so far, if it is left to itself.
    sentence : str
        What to drive, in a sentence or two.

    """

    mode: str
    shifts: tuple[str, ...]
    rounds: tuple[tuple[str, int], ...]
    km: float | None
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
        Everything else that speaks for it, one line each; with a hand-over, what to check first.
    facts : tuple of (str, str)
        Unit, odometer, snapshots before and after, ...
    expected : str
        What this kind of change should do.
    maps : tuple of ChangeMap
        One map a signal.
    odd : tuple of str
        Cells that do otherwise, one line each.
    checks : tuple of str
        What to check about them, one line a shift or pack.
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
    would_change, unknown : tuple of str
        What would change the verdict, and what this page cannot know; one line each.
    appendix : Table
        Readings before and after, cell by cell.
    snapshots : Table
        Snapshots used.
    sources : Table
        Files behind the data, with their fingerprints, when and by whom they were taken in.
    corrections : Table
        What was corrected, logged or refused since.
    settings : Table
        Every setting in force.
    asked : tuple of (str, str)
        Who had the report made, and when.
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
    checks: tuple[str, ...]
    learning: tuple[LearnRow, ...]
    plan: tuple[DriveStep, ...]
    plan_cautions: tuple[str, ...]
    clutch: tuple[str, ...]
    overlap: tuple[str, ...]
    findings: tuple[str, ...]
    marks: tuple[str, ...]
    charts: tuple[Chart, ...]
    would_change: tuple[str, ...]
    unknown: tuple[str, ...]
    appendix: Table
    snapshots: Table
    sources: Table
    corrections: Table
    settings: Table
    asked: tuple[tuple[str, str], ...]
    about: About
