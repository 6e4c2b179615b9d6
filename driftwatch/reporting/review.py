"""The fleet manager's month: who needs someone, by when, how sure, and what changed."""

from __future__ import annotations

import calendar as days_of
from collections.abc import Sequence
from datetime import date
from pathlib import Path

from driftwatch.assessment.results import UnitAnalysis, UnitAssessment
from driftwatch.errors import UsageError
from driftwatch.reporting import figures, ics, render, sentences, unknowns
from driftwatch.reporting.about import about
from driftwatch.reporting.context.review import (
    FleetRow,
    MonthChange,
    ReviewContext,
    TrackRecord,
    UnitNote,
    WorkItem,
)
from driftwatch.reporting.due import service_calendar
from driftwatch.reporting.outlooks import UNTOLD, why_untold
from driftwatch.reporting.parts import Chart
from driftwatch.reporting.texts import count, csv_text
from driftwatch.reporting.work import ORDER, compare, subject, urgency_order, work_items
from driftwatch.service.results import ClutchOutlook
from driftwatch.service.states import CLEARS_BELOW
from driftwatch.settings import Settings
from driftwatch.wording import day, listed, month_name, name, percent, percent_chance, set_distance

#: A unit's name in the lead lines is cut here; whole names stand in the table.
_SHORT = 40
_TERMS = ("learned value", "pack", "fill volume", "limit", "80 % range", "mode", "settling", "snapshot")


def write_review(
    analyses: Sequence[UnitAnalysis],
    previous: Sequence[UnitAssessment] | None,
    month: str,
    settings: Settings,
    folder: Path,
    as_of: date | None = None,
    record: TrackRecord | None = None,
) -> list[Path]:
    """Write the month's report, its work items as CSV and calendar, and its context as JSON.

    Parameters
    ----------
    analyses : sequence of UnitAnalysis
        Every unit, as of the month's end (or of `as_of`).
    previous : sequence of UnitAssessment, or None
        The same as of the end of the month before; None if there is none to compare with.
    month : str
        `YYYY-MM`.
    settings : Settings
        Those of the store.
    folder : Path
        Made if missing.
    as_of : date, optional
        Last day known; the last day of the month if not given.
    record : TrackRecord, optional
        How right the program would have been in the year before, where that was asked for.

    Returns
    -------
    list of Path
        HTML, CSV of the work items, CSV of the units, ICS, JSON.

    Raises
    ------
    UsageError
        If `month` is not a month.

    """
    context = build_review(analyses, previous, month, settings, as_of, record)
    stem = f"review-{context.month}"
    return [
        render.write(folder / f"{stem}.html", render.page("review.html", context)),
        render.write(folder / f"{stem}.csv", "\ufeff" + work_csv(context.work)),
        render.write(folder / f"{stem}-units.csv", "\ufeff" + units_csv(context.fleet)),
        render.write(folder / f"{stem}.ics", ics.calendar(context)),
        render.write(folder / f"{stem}.json", render.context_json(context)),
    ]


def build_review(
    analyses: Sequence[UnitAnalysis],
    previous: Sequence[UnitAssessment] | None,
    month: str,
    settings: Settings,
    as_of: date | None = None,
    record: TrackRecord | None = None,
) -> ReviewContext:
    """Put the month's report together; parameters as in `write_review`."""
    year, number = _parsed(month)
    last_day = as_of or date(year, number, days_of.monthrange(year, number)[1])
    sites = {a.assessment.unit: a.panel.site for a in analyses}
    units = [a.assessment for a in analyses]
    now = [item for u in units for item in work_items(u, sites[u.unit])]
    before = [item for u in previous or () for item in work_items(u, sites.get(u.unit, ""))]
    changes: tuple[MonthChange, ...] = ()
    if previous is not None:
        now_marked, changes = compare(now, before, sites)
        now = list(now_marked)
    work = tuple(sorted(now, key=urgency_order))
    packs = [(u.unit, c) for u in units for c in u.clutches]
    compared = (
        "There is no assessment of the month before to compare with."
        if previous is None
        else f"Against the assessment at the end of the month before ({count(len(previous), 'unit')})."
    )
    moves = {m: sum(c.move == m for c in changes) for m in ("new", "worse", "better", "cleared")}
    return ReviewContext(
        title=f"Fleet review, {month_name(year, number)}",
        month=f"{year:04d}-{number:02d}",
        lead=_lead(work, units, moves if previous is not None else None),
        counts=_counts(work, len(units)),
        meaning=_meaning(settings),
        work=work,
        odds=odds(work, settings.chance_km),
        compared=compared,
        changes=changes,
        calendar=service_calendar([(sites[u], c) for u, c in packs], last_day) if packs else None,
        reach=_reach(packs),
        untold="" if packs else unknowns.no_forecast(analyses),
        notes=tuple(_note(u, sites[u.unit]) for u in units if u.state in ("settling", "changed")),
        readings=_readings(units, sites),
        fleet=tuple(_fleet_row(a) for a in analyses),
        record=record,
        would_change=unknowns.fleet_would_change(units),
        unknown=unknowns.fleet_unknown(analyses),
        about=about(analyses, last_day, _TERMS),
    )


def work_csv(work: Sequence[WorkItem]) -> str:
    """Give the work items as CSV; see `csv_text`."""
    columns = (
        "urgency", "unit", "site", "about", "clutch", "reason", "by_when", "due_p10", "due_p50", "due_p90",
        "chance", "how_sure", "check", "new_this_month",
    )  # fmt: skip
    rows = (
        (
            sentences.URGENCY[i.urgency], i.unit, i.site, subject(i), i.clutch, i.reason, i.by_when, i.early,
            i.middle, i.late, i.chance, i.sure, i.check, "yes" if i.is_new else "no",
        )
        for i in work
    )  # fmt: skip
    return csv_text(columns, rows)


def units_csv(fleet: Sequence[FleetRow]) -> str:
    """Give the list of all units as CSV; see `csv_text`."""
    columns = (
        "unit", "site", "profile", "state", "service", "snapshots", "last_read", "odometer_km", "in_short",
    )  # fmt: skip
    rows = (
        (
            u.unit, u.site, u.profile, u.state, u.worst, u.snapshots, u.last,
            None if u.odometer_km is None else round(u.odometer_km), u.sentence,
        )
        for u in fleet
    )  # fmt: skip
    return csv_text(columns, rows)


def odds(work: Sequence[WorkItem], chance_km: float) -> tuple[str, ...]:
    """Say how much of the list is expected to come true, and how much of it to be false."""
    clutches = [i.chance for i in work if i.kind == "clutch" and i.chance is not None]
    found = [i.chance for i in work if i.kind in ("pressure", "unexplained") and i.chance is not None]
    lines = []
    if clutches:
        lines.append(
            f"Of the {count(len(clutches), 'clutch', 'clutches')} listed, {_few(sum(clutches))} should reach "
            f"the limit within {set_distance(chance_km)} of the last reading, by the chances given."
        )
    if found:
        lines.append(_wrong(found))
    return tuple(lines)


def _wrong(chances: Sequence[float]) -> str:
    """Say how many of some findings may be wrong; the chance of any is no more than the sum of theirs."""
    expected, n = sum(1.0 - p for p in chances), len(chances)
    if n == 1:
        return f"The chance that the finding listed is wrong is {percent_chance(expected)}."
    if expected < 1:
        at_most = percent_chance(expected)
        return f"The chance that one or more of the {n} findings listed are wrong is at most {at_most}."
    return f"Of the {n} findings listed, about {expected:.0f} should turn out to be wrong."


def _few(expected: float) -> str:
    """Give an expected number in words: with one decimal, or next to none."""
    return f"about {expected:.1f}" if expected >= 0.05 else "hardly any"


def _lead(
    work: Sequence[WorkItem], units: Sequence[UnitAssessment], moves: dict[str, int] | None
) -> tuple[str, ...]:
    """Answer in three lines: who now, what to book, what is different or cannot be told."""
    urgent = _names(work, "now")
    look = [u for u in _names(work, "inspect") if u not in urgent]
    whole = count(len(units), "unit")
    if urgent or look:
        n = len(urgent) + len(look)
        first = f"{n} of {whole} {'needs' if n == 1 else 'need'} someone this month"
        parts = [f"now {_short(urgent)}"] if urgent else []
        parts += [f"inspect {_short(look)}"] if look else []
        first += ": " + "; ".join(parts) + "."
    else:
        first = f"None of {whole} needs someone this month."
    plan = _names(work, "plan")
    watch = _names(work, "watch")
    second = f"To be booked: {_short(plan)}." if plan else "Nothing has to be booked ahead."
    if watch:
        second += f" {count(len(watch), 'unit')} to keep in view."
    read = _names(work, "read")
    third = "There is no month before to compare with."
    if moves is not None:
        third = (
            "Nothing changed since the month before."
            if not any(moves.values())
            else f"Since the month before: {', '.join(f'{n} {move}' for move, n in moves.items() if n)}."
        )
    if read:
        third += f" {count(len(read), 'unit')} cannot be judged well: read out {_short(read)}."
    return first, second, third


def _meaning(settings: Settings) -> tuple[tuple[str, str], ...]:
    """Say what each urgency means, with the horizons that are set."""
    due, plan, watch = (set_distance(v) for v in (settings.due_km, settings.plan_km, settings.watch_km))
    held = f"or was so, and the chance has not yet fallen below {percent(CLEARS_BELOW)}"
    return (
        ("now", f"a clutch at its limit, or more likely than not to reach it within {due}, {held}"),
        ("inspect", "something in the hydraulics or an unexplained change wants a look on the vehicle"),
        ("plan", f"a clutch that is more likely than not to reach its limit within {plan}, {held}"),
        ("watch", f"the same within {watch}"),
        ("read", "the readings are too old, too few or contradict each other"),
    )


def _names(work: Sequence[WorkItem], urgency: str) -> list[str]:
    return list(dict.fromkeys(i.unit for i in work if i.urgency == urgency))


def _short(units: Sequence[str]) -> str:
    return listed([name(u if len(u) <= _SHORT else u[: _SHORT - 1] + "…") for u in units], 4)


def _counts(work: Sequence[WorkItem], units: int) -> tuple[tuple[str, int], ...]:
    seen: dict[str, str] = {}
    for item in work:  # in order of urgency: the first is the unit's most urgent
        seen.setdefault(item.unit, item.urgency)
    counted = [(u, sum(v == u for v in seen.values())) for u in ORDER]
    return (*counted, ("none", units - len(seen)))


def _reach(packs: Sequence[tuple[str, ClutchOutlook]]) -> Chart | None:
    near = [(u, c.clutch, c.remaining_km, c.service) for u, c in packs if c.service != "clear"]
    near.sort(key=lambda r: (r[2]["p50"] if r[2]["p50"] is not None else float("inf"), r[0], r[1]))
    return figures.reach(near) if near else None


def _note(u: UnitAssessment, site: str) -> UnitNote:
    found = sorted(u.findings, key=lambda f: -f.probability)
    return UnitNote(u.unit, site, u.state, u.sentence, tuple(f.sentence for f in found))


def _readings(units: Sequence[UnitAssessment], sites: dict[str, str]) -> tuple[UnitNote, ...]:
    notes = []
    for u in units:
        told = tuple(c.sentence for c in u.cautions if c.kind in ("stale", "data"))
        if told or u.state == "too_few":
            last = f"Last read {day(u.last)}, {count(u.snapshots, 'snapshot')} in all."
            notes.append(UnitNote(u.unit, sites[u.unit], u.state, last, told or (u.sentence,)))
    return tuple(notes)


def _fleet_row(analysis: UnitAnalysis) -> FleetRow:
    u, untold = analysis.assessment, why_untold(analysis)
    rank = ("due", "plan", "watch", "clear")
    return FleetRow(
        unit=u.unit,
        site=analysis.panel.site,
        profile=u.profile,
        state=u.state,
        snapshots=u.snapshots,
        last=u.last,
        odometer_km=u.odometer_km,
        worst=min((c.service for c in u.clutches), key=rank.index, default=""),
        untold=UNTOLD[untold][0] if untold else "",
        sentence=u.sentence,
    )


def _parsed(month: str) -> tuple[int, int]:
    try:
        year, number = month.split("-")
        date(int(year), int(number), 1)
    except (ValueError, AttributeError):
        raise UsageError(f"{month!r} is not a month", do="write it as YYYY-MM, such as 2026-03") from None
    return int(year), int(number)
