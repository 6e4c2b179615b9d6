"""The look back as a page, and the few lines of it that the fleet review cites."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from pathlib import Path
from statistics import median

from driftwatch.assessment.backtest.figures import MEANINGS
from driftwatch.assessment.backtest.results import Alarm, Backtest, Figure, Told
from driftwatch.assessment.results import CAUSES, UnitAnalysis
from driftwatch.reporting import hindsight, render, sentences, verdicts
from driftwatch.reporting.about import about
from driftwatch.reporting.context.backtest import BacktestContext
from driftwatch.reporting.context.review import TrackRecord
from driftwatch.reporting.parts import Table
from driftwatch.reporting.texts import count
from driftwatch.wording import day, distance, measured, name, percent, set_distance, shown

#: Mean length of a month, days.
_MONTH_DAYS = 30.44
_TERMS = ("pack", "fill volume", "limit", "80 % range", "snapshot")

CANNOT = (
    "Packs renewed in time: whether their limit would have come is never seen. The better alerts are obeyed, "
    "the fewer limits are reached, and those that are reached are the ones that surprised.",
    "Truth: findings are held against what the program says today, not against what was done to the vehicle.",
    "What came late: a value corrected later, or an entry logged late, counts here from the day it is about. "
    "In life it was not known yet.",
    "Slow packs: ranges that reach beyond the readings are still open, so short distances and early limits "
    "are too many among those that are settled.",
    "Independence: many looks at one pack see the same wear. Mind the number of packs, not that of looks.",
)


def write_backtest(made: Backtest, analyses: Sequence[UnitAnalysis], folder: Path) -> list[Path]:
    """Write the look back as a page, its rows as JSON, and give their paths.

    Parameters
    ----------
    made : Backtest
        The look back.
    analyses : sequence of UnitAnalysis
        Its units on the last day known, for the limits used.
    folder : Path
        Made if missing.

    Returns
    -------
    list of Path
        HTML, JSON (what the page says).

    """
    context = build_backtest(made, analyses)
    stem = f"backtest-{made.start}-{made.end}"
    return [
        render.write(folder / f"{stem}.html", render.page("backtest.html", context)),
        render.write(folder / f"{stem}.json", render.context_json(context)),
    ]


def build_backtest(made: Backtest, analyses: Sequence[UnitAnalysis]) -> BacktestContext:
    """Put the page together; parameters as in `write_backtest`."""
    return BacktestContext(
        title=f"Look back, {day(made.start)} to {day(made.end)}",
        period=verdicts.period(made),
        lead=(verdicts.readings_line(made), verdicts.warning_line(made), verdicts.findings_line(made)),
        forecasts=_said(
            verdicts.ranges_line(made),
            verdicts.chances_line(made),
            verdicts.line_line(made),
            hindsight.other_horizons(made),
        ),
        coverage=hindsight.coverage(made),
        distances=hindsight.distances(made),
        growth=hindsight.growth(made),
        warnings=_said(
            verdicts.warning_line(made),
            verdicts.false_line(made, "plan"),
            verdicts.false_line(made, "due"),
            verdicts.flaps_line(made),
        ),
        leads=hindsight.leads(made.reached),
        alerts=_alerts(made.alarms),
        findings=_said(verdicts.findings_line(made), verdicts.delay_line(made)),
        fates=_fates(made),
        moved=tuple(_moved(t) for t in made.told if t.fate in ("changed", "gone")),
        figures=_figures(made.figures),
        cannot=CANNOT,
        about=about(analyses, made.known, _TERMS),
    )


def track_record(made: Backtest | None, analyses: Sequence[UnitAnalysis], as_of: date) -> TrackRecord:
    """Put the review's section together; `made` is None where there is too little to look back on."""
    if made is None:
        firsts = [a.assessment.first for a in analyses if a.assessment.first is not None]
        if not firsts:
            return TrackRecord("There are no readings to look back on yet.", ())
        months = int((as_of - min(firsts)).days / _MONTH_DAYS)
        return TrackRecord(
            f"The store holds {count(months, 'month')} of readings. To look back, it needs a unit that had "
            "enough snapshots to be judged three months ago or earlier.",
            (),
        )
    lines = (
        verdicts.readings_line(made),
        verdicts.ranges_line(made),
        verdicts.warning_line(made),
        verdicts.false_line(made, "plan"),
        verdicts.findings_line(made),
    )
    return TrackRecord(verdicts.period(made), _said(*lines))


def _said(*lines: str) -> tuple[str, ...]:
    return tuple(line for line in lines if line)


def _alerts(alarms: Sequence[Alarm]) -> Table:
    rows = tuple(
        (
            a.unit,
            a.clutch,
            a.level,
            day(a.raised_on),
            day(a.cleared_on) if a.cleared_on else "stands",
            _came(a),
        )
        for a in alarms
    )
    return Table(
        "Alerts raised at a month end, and what came",
        ("Unit", "Clutch", "Level", "Raised", "Cleared", "What came"),
        rows,
    )


def _came(a: Alarm) -> str:
    if a.outcome == "open":
        return "not told yet"
    if a.outcome == "renewed":
        return "renewed first"
    if a.outcome == "right":
        if a.came_km is None or a.came_km <= 0:
            return "limit had been reached"
        return f"limit after {distance(a.came_km)}"
    if a.came_km is not None:
        return f"false: limit only after {distance(a.came_km)}"
    return f"false: no limit within {set_distance(a.within_km)}" + (", but near" if a.near else "")


def _fates(made: Backtest) -> Table:
    rows = []
    for cause in CAUSES:
        mine = [t for t in made.told if t.cause == cause]
        if not mine:
            continue
        delays = [d.days for d in made.delays if d.cause == cause]
        fates = [sum(t.fate == fate for t in mine) for fate in ("kept", "changed", "gone", "renewed")]
        after = count(round(median(delays)), "day") if delays else "–"
        rows.append((sentences.cause(cause), f"{len(mine)}", *(f"{n}" for n in fates), after))
    return Table(
        "Findings said with a chance of one half or more",
        ("Cause", "Said", "Still stand", "Another cause", "Gone", "Renewed since", "Said after (median)"),
        tuple(rows),
    )


def _moved(t: Told) -> str:
    when = f"between {day(t.after)} and {day(t.by)}" if t.by else f"since {day(t.after)}" if t.after else ""
    what = " ".join(part for part in (sentences.cause(t.cause), name(t.clutch), when) if part)
    said = f"on {day(t.first_on)}"
    if t.times > 1:
        said = f"at {t.times} month ends from {day(t.first_on)} on"
    became = f"put down to {sentences.cause(t.became)} now" if t.fate == "changed" else "no longer said"
    return f"{name(t.unit)}: {what}. Said {said}, at first with {percent(t.probability)}; {became}."


def _figures(figures: Sequence[Figure]) -> Table:
    rows = tuple(
        (
            _sentence(MEANINGS[f.name]),
            _value(f, f.value),
            _value(f, f.expected),
            "–" if f.low is None else f"{percent(f.low)} to {percent(f.high)}",
            f"{f.of}" if f.of else "–",
            "–" if f.packs is None else f"{f.packs}",
        )
        for f in figures
    )
    return Table("Key figures", ("What", "Value", "Exactly right", "Could be", "Made from", "Packs"), rows)


def _sentence(meaning: str) -> str:
    said = meaning.replace("`", "")
    return said[:1].upper() + said[1:]


def _value(f: Figure, value: float | None) -> str:
    if value is None:
        return "–"
    if f.unit == "share":
        return percent(value)
    if f.unit == "km":
        return distance(value)
    told = shown(value, f.unit, change=True)
    if float(told).is_integer():
        return f"{told:.0f} {f.unit}".strip()
    return measured(value, f.unit, change=True).strip()
