"""The look back: assess each month end with what was known then, and hold it against what came."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import date

from driftwatch.assessment.assess import analyse, made_by
from driftwatch.assessment.backtest.alerts import alarms_of, flaps_of, reached_in
from driftwatch.assessment.backtest.cut import origins_of, records_on
from driftwatch.assessment.backtest.figures import figures_of
from driftwatch.assessment.backtest.forecasts import checks_of, range_of
from driftwatch.assessment.backtest.observed import Life, day_of, pack_lives
from driftwatch.assessment.backtest.results import LEVELS, Backtest, Check, Range
from driftwatch.assessment.backtest.said import SaidFinding, SaidPack, findings_said, packs_said
from driftwatch.assessment.backtest.told import delays_of, what_became
from driftwatch.assessment.results import UnitAnalysis
from driftwatch.settings import Settings
from driftwatch.store.records import Records

Progress = Callable[[str, int, int], None]
Pack = tuple[str, str]


def backtest(
    records: Records,
    settings: Settings,
    start: date | None = None,
    end: date | None = None,
    every: int = 1,
    units: Sequence[str] | None = None,
    now: Callable[[], Sequence[UnitAnalysis]] | None = None,
    progress: Progress | None = None,
) -> Backtest:
    """Hold what would have been said at earlier month ends against what came.

    Parameters
    ----------
    records : Records
        All that is known at the end, of the whole fleet.
    settings : Settings
        Those of the store.
    start, end : date, optional
        Month ends from one day to the other are looked back from, both included. Without `start`, the first
        one by which a unit can be judged; without `end`, the last one before the last day known.
    every : int
        Months between them, counted back from the last.
    units : sequence of str, optional
        Only these are assessed and compared, on the evidence of the whole fleet; all if left out.
    now : callable, optional
        Gives `analyse(records, settings)`, for where that has been done already; asked once all else is found
        to be right.
    progress : callable, optional
        Called with what is being done, how much of it is done, and how much there is.

    Raises
    ------
    UsageError
        If there is no month end to look back from, or a day lies outside what is known.
    UnknownName
        If a unit is not in the records.

    """
    origins = origins_of(records, start, end, every, settings.least_snapshots)
    at_end = analyse(records, settings, units, progress) if now is None else now()
    final = {a.assessment.unit: a for a in at_end if units is None or a.assessment.unit in set(units)}
    packs: list[SaidPack] = []
    findings: list[SaidFinding] = []
    for number, day in enumerate(origins):
        for then in analyse(
            records_on(records, day), settings, units, _part_of(progress, number, len(origins))
        ):
            packs.extend(packs_said(day, then, final[then.assessment.unit]))
            findings.extend(findings_said(day, then))
    return compare(records, settings, origins, every, final, packs, findings)


def compare(
    records: Records,
    settings: Settings,
    origins: tuple[date, ...],
    every: int,
    now: dict[str, UnitAnalysis],
    packs: Sequence[SaidPack],
    findings: Sequence[SaidFinding],
) -> Backtest:
    """Hold what was said at the month ends against `now`, each unit's analysis on all that is known."""
    courses: dict[Pack, dict[date, SaidPack]] = {}
    for said in packs:
        courses.setdefault((said.unit, said.clutch), {})[said.origin] = said
    lives = {
        (unit, clutch): pack_lives(
            now[unit],
            clutch,
            max(course.values(), key=lambda s: s.origin).limit_cm3,
            [(s.last, s.life_start) for s in course.values()],
        )
        for (unit, clutch), course in courses.items()
    }
    panels = {unit: a.panel for unit, a in now.items()}
    ranges: list[Range] = []
    checks: list[Check] = []
    for said in packs:
        own, panel = lives[said.unit, said.clutch], panels[said.unit]
        made = range_of(said, own, panel)
        ranges.extend([] if made is None else [made])
        checks.extend(checks_of(said, own, panel))
    within = {"plan": settings.plan_km, "due": settings.due_km}
    reached = [
        r
        for (unit, clutch), course in courses.items()
        for r in reached_in(unit, clutch, lives[unit, clutch], panels[unit], course, origins)
    ]
    alarms = [
        a
        for (unit, clutch), course in courses.items()
        for a in alarms_of(lives[unit, clutch], panels[unit], course, origins, within)
    ]
    flaps = [f for pack, course in courses.items() for f in flaps_of(lives[pack], course, origins)]
    at_end = [f for a in now.values() for f in findings_said(records.as_of, a)]
    told = what_became(findings, at_end, _renewals(lives, now))
    delays = delays_of(findings, at_end, panels, origins[0])
    years = {level: _judged_years(packs, now, within[level], every) for level in LEVELS}
    pack_years = len(packs) * every / 12.0
    reached.sort(key=lambda r: (r.day, r.unit, r.clutch))
    alarms.sort(key=lambda a: (a.raised_on, a.unit, a.clutch, a.level))
    return Backtest(
        start=origins[0],
        end=origins[-1],
        known=records.as_of,
        every=every,
        origins=origins,
        units=tuple(now),
        fleet=len(records.units),
        made_by=made_by(),
        ranges=tuple(ranges),
        checks=tuple(checks),
        reached=tuple(reached),
        alarms=tuple(alarms),
        told=tuple(told),
        delays=tuple(delays),
        flaps=tuple(flaps),
        years=years,
        pack_years=pack_years,
        figures=figures_of(
            len(origins), ranges, checks, reached, alarms, told, delays, flaps, years, pack_years
        ),
    )


def _judged_years(
    packs: Sequence[SaidPack], now: dict[str, UnitAnalysis], within: float, every: int
) -> float:
    """Unit-years over which an alert could have been raised and judged.

    Every month end with a forecast stands for the months to the next, if the unit's snapshots go on for the
    distance that the alert speaks of.
    """
    judged = {
        (said.unit, said.origin)
        for said in packs
        if (km := now[said.unit].panel.odometer_km)[-1] - km[said.last] >= within
    }
    return len(judged) * every / 12.0


def _renewals(
    lives: dict[Pack, tuple[Life, ...]], now: dict[str, UnitAnalysis]
) -> list[tuple[str, str, date]]:
    return [
        (unit, clutch, day_of(now[unit].panel, life.start))
        for (unit, clutch), own in lives.items()
        for life in own[1:]
    ]


def _part_of(progress: Progress | None, number: int, of: int) -> Progress | None:
    """Turn the progress of one month end into that of all of them."""
    if progress is None:
        return None

    def show(_: str, done: int, total: int) -> None:
        progress("looking back", number * total + done, of * total)

    return show
