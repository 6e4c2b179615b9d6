"""The backtest: every comparison as a frozen row, and the key figures that follow from them.

What each figure means stands in `docs/backtest.md`.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, fields, is_dataclass
from datetime import date
from typing import Any

import pandas as pd

from driftwatch.assessment.backtest.scores import interval_score
from driftwatch.plain import plain

FORMAT = "driftwatch-backtest"
VERSION = 1

RANGE_OUTCOMES = ("inside", "sooner", "later", "open", "renewed")
ALARM_OUTCOMES = ("right", "false", "open", "renewed")
FATES = ("kept", "changed", "gone", "renewed")
LEVELS = ("plan", "due")


@dataclass(frozen=True, slots=True)
class Range:
    """A remaining distance said at one month end, and what came.

    Attributes
    ----------
    origin : date
        The month end.
    unit, clutch, service : str
        The pack, and its service state as said.
    odometer_km : float
        At the last snapshot known then; distances count from there.
    p10, p50, p90 : float or None
        Distance to the limit as said, km; None where it is not reached.
    chance_km, chance : float
        Chance said that the limit is reached within that distance.
    outcome : {"inside", "sooner", "later", "open", "renewed"}
        Limit reached inside the range, sooner, or later (or not yet, beyond its late end); still open; or a
        rebuild came first.
    reached_km : float or None
        Distance at which the limit was reached.
    followed_km : float
        Distance over which readings of the same life follow.
    near : bool
        True for a miss by less than the noise of one reading.
    whole : bool
        True if the unit's snapshots go on beyond the late end, whatever came before.
    came : bool or None
        Whether the limit was reached within `chance_km`; None if the unit's snapshots do not go on so far, or
        a rebuild came first.

    """

    origin: date
    unit: str
    clutch: str
    service: str
    odometer_km: float
    p10: float | None
    p50: float | None
    p90: float | None
    chance_km: float
    chance: float
    outcome: str
    reached_km: float | None
    followed_km: float
    near: bool
    whole: bool
    came: bool | None

    @property
    def settled(self) -> bool:
        """True if it is known whether the range was right."""
        return self.outcome in ("inside", "sooner", "later")


@dataclass(frozen=True, slots=True)
class Check:
    """A volume said to be read some months on, and the one that was, cm3.

    Attributes
    ----------
    origin : date
        The month end.
    unit, clutch : str
        The pack.
    months : int
        How far ahead.
    read_on : date
        Day of the later reading.
    from_cm3 : float
        Volume fitted at the month end.
    low, middle, high : float or None
        Range of the later reading as said (10, 50 and 90 %); None if the forecast was not drawn that far.
    line_low, line_high : float or None
        The same range from a straight line through the readings known then.
    read : float
        What was read.

    """

    origin: date
    unit: str
    clutch: str
    months: int
    read_on: date
    from_cm3: float
    low: float | None
    middle: float | None
    high: float | None
    line_low: float | None
    line_high: float | None
    read: float

    @property
    def inside(self) -> bool | None:
        """Whether the reading lay in the range."""
        return None if self.low is None or self.high is None else self.low <= self.read <= self.high

    @property
    def score(self) -> float | None:
        """Interval score of the range, cm3; smaller is better."""
        return (
            None if self.low is None or self.high is None else interval_score(self.low, self.high, self.read)
        )

    @property
    def line_score(self) -> float | None:
        """The same of the straight line's range."""
        if self.line_low is None or self.line_high is None:
            return None
        return interval_score(self.line_low, self.line_high, self.read)


@dataclass(frozen=True, slots=True)
class Lead:
    """How long before a limit was reached an alert level stood.

    Attributes
    ----------
    on : date or None
        First month end from which on it stood until then; None if it did not stand at the last one before.
    km, days : float or None
        From that month end to the limit.
    at_least : bool
        True if it stood at the first month end looked at, so may have stood for longer.
    late_days : int or None
        Where it did not stand before: days from the limit to the first month end at which it did.

    """

    on: date | None
    km: float | None
    days: int | None
    at_least: bool
    late_days: int | None


@dataclass(frozen=True, slots=True)
class Reached:
    """A pack that reached its limit after the first month end looked at.

    Attributes
    ----------
    unit, clutch : str
    day : date
    odometer_km : float
        Where the level of the readings stood at the limit.
    early_km, late_km : float or None
        Odometers at which it stood one reading's noise below and above; None if it did not come so far.
    looks : int
        Month ends before, in the same life.
    plan, due : Lead

    """

    unit: str
    clutch: str
    day: date
    odometer_km: float
    early_km: float
    late_km: float | None
    looks: int
    plan: Lead
    due: Lead


@dataclass(frozen=True, slots=True)
class Alarm:
    """An alert of one level that was raised at a month end.

    Attributes
    ----------
    unit, clutch : str
    level : {"plan", "due"}
        `plan` stands at `due` too.
    raised_on : date
    cleared_on : date or None
        First month end after at which it no longer stood.
    within_km : float
        The distance that the level speaks of, from the last snapshot then.
    outcome : {"right", "false", "open", "renewed"}
        Limit reached within that distance; not reached, the readings going on so far; not so far yet; or a
        rebuild came first.
    came_km : float or None
        Distance at which the limit was reached; negative if it had been already.
    near : bool
        True for a false one if the level came within the noise of one reading of the limit in that distance.

    """

    unit: str
    clutch: str
    level: str
    raised_on: date
    cleared_on: date | None
    within_km: float
    outcome: str
    came_km: float | None
    near: bool


@dataclass(frozen=True, slots=True)
class Told:
    """A finding said with 0.5 or more at one month end at least, and what became of it.

    Attributes
    ----------
    unit, cause, clutch : str
        `clutch` for wear only.
    after, by : date or None
        As first said.
    first_on, last_on : date
        First and last month end at which it was said.
    times : int
        Month ends at which it was said.
    probability : float
        As first said.
    fate : {"kept", "changed", "gone", "renewed"}
        Said at the end too; another cause said there instead; no longer said; or (wear) the pack was renewed.
    became : str
        The other cause.

    """

    unit: str
    cause: str
    clutch: str
    after: date | None
    by: date | None
    first_on: date
    last_on: date
    times: int
    probability: float
    fate: str
    became: str


@dataclass(frozen=True, slots=True)
class Delay:
    """How soon a change that stands at the end was first said.

    Attributes
    ----------
    unit, cause : str
    by : date
        First snapshot after the change.
    first_on : date
        First month end (or the last day known) at which it was said.
    days, snapshots : int
        From `by` to then, and snapshots since the change, that of `by` among them.

    """

    unit: str
    cause: str
    by: date
    first_on: date
    days: int
    snapshots: int


@dataclass(frozen=True, slots=True)
class Flap:
    """A service state that went up at one month end and down again at the next."""

    unit: str
    clutch: str
    on: date
    before: str
    peak: str
    afterwards: str


@dataclass(frozen=True)
class Figure:
    """One key figure.

    Attributes
    ----------
    name : str
        Stable; described in `docs/backtest.md`.
    value : float or None
        None where there is nothing to tell it from.
    unit : str
        `share`, `km`, `days`, `snapshots`, `cm3`, `a unit-year` or empty (a count).
    expected : float or None
        What a forecast that is exactly right would show.
    low, high : float or None
        What a share could be in truth, with a chance of 90 %.
    of : int
        How many rows it is made from.
    packs : int or None
        Different packs among them.

    """

    name: str
    value: float | None
    unit: str = ""
    expected: float | None = None
    low: float | None = None
    high: float | None = None
    of: int = 0
    packs: int | None = None


@dataclass(frozen=True)
class Backtest:
    """What would have been said at each month end, and what came.

    Attributes
    ----------
    start, end : date
        First and last month end looked back from.
    known : date
        Last day known: what came is told from all that was read up to it.
    every : int
        Months between month ends.
    origins : tuple of date
    units : tuple of str
        Units looked at.
    fleet : int
        Number of units in the store.
    made_by : str
    ranges, checks, reached, alarms, told, delays, flaps : tuple
        One row each; see their classes.
    years : dict
        Level -> unit-years over which an alert could have been raised and judged.
    pack_years : float
        Pack-years looked at, for the flaps.
    figures : tuple of Figure

    """

    start: date
    end: date
    known: date
    every: int
    origins: tuple[date, ...]
    units: tuple[str, ...]
    fleet: int
    made_by: str
    ranges: tuple[Range, ...]
    checks: tuple[Check, ...]
    reached: tuple[Reached, ...]
    alarms: tuple[Alarm, ...]
    told: tuple[Told, ...]
    delays: tuple[Delay, ...]
    flaps: tuple[Flap, ...]
    years: dict[str, float]
    pack_years: float
    figures: tuple[Figure, ...]

    def __repr__(self) -> str:
        return (
            f"Backtest({len(self.origins)} month ends {self.start} to {self.end}, {len(self.units)} units, "
            f"known to {self.known}: {len(self.ranges)} ranges, {len(self.checks)} later readings, "
            f"{len(self.reached)} limits reached)"
        )

    def figure(self, name: str) -> Figure:
        """Give one key figure by its name."""
        return next(f for f in self.figures if f.name == name)

    def to_dict(self) -> dict[str, Any]:
        """Give all of it as plain values; days as ISO text."""
        head = {"format": FORMAT, "version": VERSION}
        rest = {f.name: getattr(self, f.name) for f in fields(self)}
        return head | {name: _plain(value) for name, value in rest.items()}

    def to_frame(self, what: str = "figures") -> pd.DataFrame:
        """Give one table, one row each.

        Parameters
        ----------
        what : str
            `figures`, `ranges`, `checks`, `reached`, `alarms`, `told`, `delays` or `flaps`. The two leads of
            `reached` are spread into columns such as `plan.km`.

        """
        if what not in TABLES:
            raise ValueError(f"{what!r} is none of {', '.join(TABLES)}")
        kind = TABLES[what]
        return pd.DataFrame([_row(item) for item in getattr(self, what)], columns=_columns(kind))


TABLES: dict[str, type] = {
    "figures": Figure,
    "ranges": Range,
    "checks": Check,
    "reached": Reached,
    "alarms": Alarm,
    "told": Told,
    "delays": Delay,
    "flaps": Flap,
}


def _plain(value: Any) -> Any:
    if isinstance(value, tuple) and value and is_dataclass(value[0]):
        return [plain(_with_derived(item)) for item in value]
    return plain(value)


def _with_derived(item: Any) -> dict[str, Any]:
    """Give a row with what follows from it."""
    derived = (
        {"inside": item.inside, "score": item.score, "line_score": item.line_score}
        if isinstance(item, Check)
        else {}
    )
    return asdict(item) | derived


def _row(item: Any) -> dict[str, Any]:
    flat: dict[str, Any] = {}
    for name, value in _with_derived(item).items():
        if isinstance(value, dict):
            flat.update({f"{name}.{inner}": v for inner, v in value.items()})
        else:
            flat[name] = value
    return flat


def _columns(kind: type) -> list[str]:
    """Give the columns of a table, so that an empty one has them too."""
    names: list[str] = []
    for f in fields(kind):
        if kind is Reached and f.name in LEVELS:
            names += [f"{f.name}.{inner.name}" for inner in fields(Lead)]
        else:
            names.append(f.name)
    return names + (["inside", "score", "line_score"] if kind is Check else [])
