"""The key figures of a backtest, from its rows."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from statistics import fmean, median

from driftwatch.assessment.backtest.results import (
    LEVELS,
    Alarm,
    Check,
    Delay,
    Figure,
    Flap,
    Range,
    Reached,
    Told,
)
from driftwatch.assessment.backtest.said import HORIZONS
from driftwatch.assessment.backtest.scores import MISS, plausible_share

#: Name -> what the figure is, in the order in which they are given.
MEANINGS = {
    "month_ends": "month ends looked back from",
    "ranges_open": "ranges of which it is not known yet whether they were right",
    "ranges_settled": "ranges of which it is known",
    "range_holds": "share of the settled ranges that held the distance at which the limit was reached",
    "range_holds_whole": "the same share of those whose late end the unit has passed, whatever came before",
    "limit_sooner": "share of the settled ranges whose limit was reached before the early end",
    "limit_later": "share of the settled ranges whose limit was not reached by the late end",
    "near_misses": "misses by less than the noise of one reading",
    "limits_within": "looks after which the limit came within the distance of the stated chance; expected: "
    "those chances added up",
    "chance_error": "mean squared error of those chances (Brier score); expected: if the chances are right",
    **{f"readings_{m}": f"share of the readings {m} months on that lay in their range" for m in HORIZONS},
    **{f"score_{m}": f"mean interval score of the ranges, {m} months on" for m in HORIZONS},
    **{
        f"line_score_{m}": f"mean interval score of a straight line's ranges, {m} months on" for m in HORIZONS
    },
    "readings_not_drawn": "later readings beyond the distance to which the forecast was drawn",
    "limits_reached": "packs that reached their limit after a month end that could have said so",
    "plan_before": "share of them for which `plan` stood before, and until then",
    "due_before": "share of them for which `due` stood before, and until then",
    "plan_lead_km": "median distance for which `plan` stood before the limit; 0 where it did not",
    "plan_lead_days": "median days for which `plan` stood before the limit; 0 where it did not",
    "due_lead_km": "median distance for which `due` stood before the limit; 0 where it did not",
    "due_lead_days": "median days for which `due` stood before the limit; 0 where it did not",
    "plan_right": "share of the settled `plan` alerts that were followed by the limit in their distance",
    "due_right": "share of the settled `due` alerts that were followed by the limit in their distance",
    "plan_false_rate": "`plan` alerts not followed by the limit in their distance",
    "due_false_rate": "`due` alerts not followed by the limit in their distance",
    "findings_kept": "share of the findings said with 0.5 or more that are said at the end too",
    "findings_changed": "findings in whose place another cause is said at the end",
    "findings_gone": "findings in whose place nothing is said at the end",
    "delay_days": "median days from the first snapshot after a change to the month end that first said it",
    "delay_snapshots": "median snapshots from a change to the month end that first said it",
    "flap_rate": "service states that went up at one month end and down again at the next",
}


def figures_of(
    months: int,
    ranges: Sequence[Range],
    checks: Sequence[Check],
    reached: Sequence[Reached],
    alarms: Sequence[Alarm],
    told: Sequence[Told],
    delays: Sequence[Delay],
    flaps: Sequence[Flap],
    years: Mapping[str, float],
    pack_years: float,
) -> tuple[Figure, ...]:
    """Give all key figures, in the order of `MEANINGS`."""
    made = [
        Figure("month_ends", months),
        *_ranges(ranges),
        *_chances([r for r in ranges if r.came is not None]),
        *_readings(checks),
        *_leads(reached),
        *_alarms(alarms, years),
        *_findings(told, delays),
        _rate("flap_rate", len(flaps), pack_years / 100.0, "in 100 pack-years"),
    ]
    order = list(MEANINGS)
    return tuple(sorted(made, key=lambda f: order.index(f.name)))


def _ranges(ranges: Sequence[Range]) -> Iterable[Figure]:
    settled = [r for r in ranges if r.settled]
    missed = [r for r in settled if r.outcome != "inside"]
    opened = [r for r in ranges if r.outcome == "open"]
    yield Figure("ranges_open", len(opened), of=len(ranges), packs=packs_of(opened))
    yield Figure("ranges_settled", len(settled), of=len(ranges), packs=packs_of(settled))
    yield _share("range_holds", settled, "inside", 1.0 - MISS)
    yield _share("range_holds_whole", [r for r in settled if r.whole], "inside", 1.0 - MISS)
    yield _share("limit_sooner", settled, "sooner", MISS / 2.0)
    yield _share("limit_later", settled, "later", MISS / 2.0)
    yield Figure("near_misses", sum(r.near for r in missed), of=len(missed), packs=packs_of(missed))


def _chances(asked: Sequence[Range]) -> Iterable[Figure]:
    chances = [r.chance for r in asked]
    came = [float(bool(r.came)) for r in asked]
    packs = packs_of(asked)
    yield Figure(
        "limits_within", sum(came) if asked else None, expected=sum(chances), of=len(asked), packs=packs
    )
    yield Figure(
        "chance_error",
        fmean((p - c) ** 2 for p, c in zip(chances, came, strict=True)) if asked else None,
        expected=fmean(p * (1.0 - p) for p in chances) if asked else None,
        of=len(asked),
        packs=packs,
    )


def _readings(checks: Sequence[Check]) -> Iterable[Figure]:
    drawn = [c for c in checks if c.inside is not None]
    for months in HORIZONS:
        mine = [c for c in drawn if c.months == months]
        packs = packs_of(mine)
        yield _portion(f"readings_{months}", [bool(c.inside) for c in mine], packs, 1.0 - MISS)
        scored = [(c.score, c.line_score) for c in mine if c.score is not None and c.line_score is not None]
        for name, column in ((f"score_{months}", 0), (f"line_score_{months}", 1)):
            mean = fmean(pair[column] for pair in scored) if scored else None
            yield Figure(name, mean, "cm3", of=len(scored), packs=packs)
    yield Figure("readings_not_drawn", len(checks) - len(drawn), of=len(checks))


def _leads(reached: Sequence[Reached]) -> Iterable[Figure]:
    yield Figure("limits_reached", len(reached), packs=len({(r.unit, r.clutch) for r in reached}))
    for level in LEVELS:
        leads = [r.plan if level == "plan" else r.due for r in reached]
        yield _portion(f"{level}_before", [lead.on is not None for lead in leads], len(leads), None)
        km = median(lead.km or 0.0 for lead in leads) if leads else None
        days = median(lead.days or 0 for lead in leads) if leads else None
        yield Figure(f"{level}_lead_km", km, "km", of=len(leads))
        yield Figure(f"{level}_lead_days", days, "days", of=len(leads))


def _alarms(alarms: Sequence[Alarm], years: Mapping[str, float]) -> Iterable[Figure]:
    for level in LEVELS:
        settled = [a for a in alarms if a.level == level and a.outcome in ("right", "false")]
        packs = len({(a.unit, a.clutch) for a in settled})
        yield _portion(f"{level}_right", [a.outcome == "right" for a in settled], packs, None)
        false = sum(a.outcome == "false" for a in settled)
        yield _rate(f"{level}_false_rate", false, years[level], "a unit-year")


def _findings(told: Sequence[Told], delays: Sequence[Delay]) -> Iterable[Figure]:
    judged = [t for t in told if t.fate != "renewed"]
    units = len({t.unit for t in judged})
    yield _portion("findings_kept", [t.fate == "kept" for t in judged], units, None, packs=False)
    for name in ("changed", "gone"):
        yield Figure(f"findings_{name}", sum(t.fate == name for t in judged), of=len(judged))
    days = median(d.days for d in delays) if delays else None
    snapshots = median(d.snapshots for d in delays) if delays else None
    yield Figure("delay_days", days, "days", of=len(delays))
    yield Figure("delay_snapshots", snapshots, "snapshots", of=len(delays))


def packs_of(rows: Sequence[Range] | Sequence[Check]) -> int:
    """Count the different packs among rows."""
    return len({(row.unit, row.clutch) for row in rows})


def _share(name: str, rows: Sequence[Range], outcome: str, expected: float) -> Figure:
    return _portion(name, [r.outcome == outcome for r in rows], packs_of(rows), expected)


def _portion(
    name: str, flags: Sequence[bool], witnesses: int, expected: float | None, packs: bool = True
) -> Figure:
    """Make a figure of a share; `witnesses` says how many of the rows count as independent."""
    if not flags:
        return Figure(name, None, "share", expected)
    share = fmean(flags)
    low, high = plausible_share(share, witnesses)
    return Figure(name, share, "share", expected, low, high, len(flags), witnesses if packs else None)


def _rate(name: str, number: int, years: float, unit: str) -> Figure:
    return Figure(name, number / years if years > 0.0 else None, unit, of=number)
