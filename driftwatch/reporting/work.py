"""What has to be done for a unit: from an assessment to work items, in order of urgency."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from datetime import date

from driftwatch.assessment.results import Caution, Finding, UnitAssessment
from driftwatch.reporting import sentences
from driftwatch.reporting.context.review import MonthChange, WorkItem
from driftwatch.reporting.outlooks import FAR_KM, due_words
from driftwatch.service.results import ClutchOutlook
from driftwatch.wording import day, distance, listed, name, percent, percent_chance, set_distance

ORDER = ("now", "inspect", "plan", "watch", "read")
_CLUTCH_URGENCY = {"due": "now", "plan": "plan", "watch": "watch"}
_CAUTION_URGENCY = {"authority": "inspect", "overlap": "inspect", "data": "read", "stale": "read"}
#: A step of unknown cause wants a look for so many days after it; then it has been seen, or is left alone.
UNEXPLAINED_DAYS = 90


def work_items(unit: UnitAssessment, site: str = "") -> tuple[WorkItem, ...]:
    """Give what has to be done for one unit, most urgent first.

    A clutch at `due`, `plan` or `watch` is one item each; so is a caution of authority, overlap, stale or
    odd data; so is a `pressure` finding, and a recent unlogged `unexplained` one, held at one half or more.
    """
    items = [_clutch(unit, site, c) for c in unit.clutches if c.service in _CLUTCH_URGENCY]
    items += [_caution(unit, site, c) for c in unit.cautions if c.kind in _CAUTION_URGENCY]
    items += [
        _finding(unit, site, f)
        for f in unit.findings
        if f.probability >= 0.5 and (f.cause == "pressure" or _is_open(unit, f))
    ]
    if unit.state == "too_few":
        items.append(_too_few(unit, site))
    return tuple(sorted(_merged(items), key=urgency_order))


def urgency_order(item: WorkItem) -> tuple[int, date, float, str]:
    """Order by urgency, then by the day of the even chance (else the earliest), then by how sure."""
    return (
        ORDER.index(item.urgency),
        item.middle or item.early or date.max,
        -(item.chance or 0.0),
        item.key,
    )


def compare(
    now: Iterable[WorkItem], before: Iterable[WorkItem], units_now: Iterable[str]
) -> tuple[tuple[WorkItem, ...], tuple[MonthChange, ...]]:
    """Mark what is new, and say what became new, worse, better or was cleared since the month before."""
    present = {item.key: item for item in now}
    past = {item.key: item for item in before}
    here = set(units_now)
    changes = []
    for key, item in present.items():
        old = past.get(key)
        what = f"{sentences.URGENCY[item.urgency].lower()}: {subject(item)}"
        if old is None:
            changes.append(MonthChange("new", item.unit, what, item.reason))
        elif item.urgency != old.urgency:
            worse = ORDER.index(item.urgency) < ORDER.index(old.urgency)
            moved = (
                f"From {sentences.URGENCY[old.urgency].lower()} to {sentences.URGENCY[item.urgency].lower()}."
            )
            changes.append(
                MonthChange("worse" if worse else "better", item.unit, what, f"{moved} {item.reason}")
            )
    for key, old in past.items():
        if key not in present:
            gone = "" if old.unit in here else " The unit is not in this month's data."
            told = f"Was {sentences.URGENCY[old.urgency].lower()}: {old.reason}{gone}"
            changes.append(MonthChange("cleared", old.unit, subject(old), told))
    rank = {"new": 0, "worse": 1, "better": 2, "cleared": 3}
    marked = tuple(replace(item, is_new=item.key not in past) for item in present.values())
    return marked, tuple(sorted(changes, key=lambda c: (rank[c.move], c.unit, c.what)))


def subject(item: WorkItem) -> str:
    """Give what the item is about in two or three words."""
    words: Mapping[str, str] = {
        "authority": "end of learning range",
        "overlap": "clutch overlap",
        "data": "odd readings",
        "stale": "old readings",
        "too_few": "too few readings",
        "pressure": "supply pressure",
        "unexplained": "unexplained change",
    }
    return f"clutch {name(item.clutch)}" if item.kind == "clutch" else words.get(item.kind, item.kind)


def _is_open(unit: UnitAssessment, f: Finding) -> bool:
    """True for an unexplained change that nothing in the log accounts for and that is recent, or goes on."""
    if f.cause != "unexplained" or f.event is not None:
        return False
    return f.by is None or unit.last is None or (unit.last - f.by).days <= UNEXPLAINED_DAYS


def _clutch(unit: UnitAssessment, site: str, c: ClutchOutlook) -> WorkItem:
    early, middle, late = (c.due_on.get(q) for q in ("p10", "p50", "p90"))
    left = c.remaining_km["p50"]
    by_when = "limit reached"
    if c.used < 1 and unit.last is not None:
        by_when = due_words(c, unit.last)
        if left is not None and left <= FAR_KM:
            by_when += f"; about {distance(left)} after the reading of {day(unit.last)}"
    return WorkItem(
        key=f"{unit.unit}\x1fclutch\x1f{c.clutch}",
        unit=unit.unit, site=site, urgency=_CLUTCH_URGENCY[c.service], kind="clutch", clutch=c.clutch,
        reason=c.reason, early=early, middle=middle, late=late, by_when=by_when,
        chance=c.chance_within[1],
        sure=_how_likely(c),
        check=sentences.CHECK["clutch"], is_new=False,
    )  # fmt: skip


def _how_likely(c: ClutchOutlook) -> str:
    """Give the chance on which the urgency stands, and the one that is given of every clutch."""
    km, chance = c.chance_within
    given = f"{percent_chance(chance)}: limit within {set_distance(km)} of the last reading"
    if c.standing.km in (0.0, km):
        return given
    stands = f"{percent_chance(c.standing.chance)}: limit within {set_distance(c.standing.km)}"
    return f"{stands}; {percent_chance(chance)} within {set_distance(km)}"


def _caution(unit: UnitAssessment, site: str, c: Caution) -> WorkItem:
    urgency = _CAUTION_URGENCY[c.kind]
    return WorkItem(
        key=f"{unit.unit}\x1f{c.kind}\x1f",
        unit=unit.unit, site=site, urgency=urgency, kind=c.kind, clutch="",
        reason=c.sentence, early=None, middle=None, late=None,
        by_when="before further hard use" if urgency == "inspect" else "at the next stop",
        chance=None,
        sure="well beyond the noise of the readings" if c.kind == "overlap" else "read directly",
        check=sentences.CHECK[c.kind], is_new=False,
    )  # fmt: skip


def _finding(unit: UnitAssessment, site: str, f: Finding) -> WorkItem:
    rivals = [f"{sentences.cause(r.cause)} {percent(r.probability)}" for r in f.rivals]
    return WorkItem(
        key=f"{unit.unit}\x1f{f.cause}\x1f",
        unit=unit.unit, site=site, urgency="inspect", kind=f.cause, clutch="",
        reason=f.sentence, early=None, middle=None, late=None, by_when="at the next visit",
        chance=f.probability,
        sure=sentences.sure(f.probability) + (f"; still open: {listed(rivals)}" if rivals else ""),
        check=sentences.CHECK[f.cause], is_new=False,
    )  # fmt: skip


def _too_few(unit: UnitAssessment, site: str) -> WorkItem:
    return WorkItem(
        key=f"{unit.unit}\x1ftoo_few\x1f",
        unit=unit.unit, site=site, urgency="read", kind="too_few", clutch="",
        reason=unit.sentence, early=None, middle=None, late=None, by_when="at the next read-outs",
        chance=None, sure="read directly", check=sentences.CHECK["too_few"], is_new=False,
    )  # fmt: skip


def _merged(items: list[WorkItem]) -> list[WorkItem]:
    """Join items of one unit and kind: the reasons one after the other, the higher chance."""
    joined: dict[str, WorkItem] = {}
    for item in items:
        old = joined.get(item.key)
        if old is None:
            joined[item.key] = item
        else:
            surer = max(old, item, key=lambda i: i.chance or 0.0)
            joined[item.key] = replace(surer, reason=f"{old.reason} {item.reason}")
    return list(joined.values())
