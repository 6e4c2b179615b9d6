"""The fleet: what needs someone, and all units."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from driftwatch.reporting import sentences
from driftwatch.reporting.context.review import FleetRow, WorkItem
from driftwatch.reporting.work import ORDER, urgency_order
from driftwatch.web.lists import part_of
from driftwatch.web.page import Page
from driftwatch.web.reading import Facts, View

SORTS = {"urgency": "most urgent first", "when": "soonest first", "unit": "by unit", "site": "by site"}
_WORST = ("due", "plan", "watch", "clear", "")


@dataclass(frozen=True)
class Choice:
    """What a list is narrowed to, as the address says it."""

    show: str
    text: str
    urgency: str
    state: str
    site: str
    sort: str

    @property
    def query(self) -> dict[str, str]:
        """The same for a link to another page of the list."""
        told = {
            "show": self.show, "q": self.text, "urgency": self.urgency, "state": self.state,
            "site": self.site, "sort": self.sort,
        }  # fmt: skip
        usual = {"show": "work", "sort": "urgency"}
        return {name: value for name, value in told.items() if value and value != usual.get(name)}


def fleet(page: Page, request: Request) -> Response:
    """Show what needs someone, or all units, narrowed and sorted as the address says."""
    view = page.view(request)
    if view.facts is None or not view.facts.units:
        return page.html(request, "start.html", view=view)
    choice = _choice(request)
    listed, states = _listed(view, choice)
    return page.html(
        request, "fleet.html", view=view, fleet=view.said.fleet if view.said else None, choice=choice,
        part=part_of(listed, request), urgency_of=_urgencies(view), sorts=SORTS, states=states,
        urgencies=ORDER, sites=view.facts.sites,
    )  # fmt: skip


def find(page: Page, request: Request) -> Response:
    """Go to the unit of that name; to the list of those with it in their name, if there is none."""
    from driftwatch.web.page import as_of, link, see

    text = request.query_params.get("q", "").strip()
    facts, _ = page.reader.facts()
    names = {str(u["unit"]).casefold(): str(u["unit"]) for u in facts.units} if facts else {}
    if text.casefold() in names:
        return see(link(as_of(request), "/unit", name=names[text.casefold()]))
    return see(link(as_of(request), "/", show="units", q=text))


def status(page: Page, request: Request) -> Response:
    """Tell a script how far the assessment is."""
    view = page.view(request)
    job = view.job
    return JSONResponse(
        {
            "busy": view.is_busy,
            "fresh": view.is_fresh or view.facts is None or not view.facts.units,
            "assessing": None if job is None else {"done": job.done, "total": job.total, "state": job.state},
        }
    )


def _choice(request: Request) -> Choice:
    told = request.query_params
    return Choice(
        show="units" if told.get("show") == "units" else "work",
        text=told.get("q", "").strip()[:200],
        urgency=told.get("urgency", "") if told.get("urgency") in ORDER else "",
        state=told.get("state", "") if told.get("state") in sentences.STATE else "",
        site=told.get("site", ""),
        sort=told.get("sort", "") if told.get("sort") in SORTS else "urgency",
    )


def _listed(view: View, choice: Choice) -> tuple[Sequence[Any], Sequence[str]]:
    """Give the rows that fit, in order, and the states to choose from."""
    assert view.facts is not None  # noqa: S101 - asked before
    if view.said is None:
        return _unassessed(view.facts, choice), ()
    fleet = view.said.fleet
    states = [s for s in sentences.STATE if any(row.state == s for row in fleet.fleet)]
    state_of = {row.unit: row.state for row in fleet.fleet}
    if choice.show == "work":
        work = [
            i
            for i in fleet.work
            if _fits(choice, i.unit, i.site, i.reason, i.check)
            and choice.urgency in ("", i.urgency)
            and choice.state in ("", state_of.get(i.unit))
        ]
        return sorted(work, key=_work_order(choice.sort)), states
    rows = [
        row
        for row in fleet.fleet
        if _fits(choice, row.unit, row.site, row.sentence, row.profile) and choice.state in ("", row.state)
    ]
    return sorted(rows, key=_row_order(choice.sort, _urgencies(view))), states


def _urgencies(view: View) -> dict[str, str]:
    """Give the most urgent thing of each unit that needs any."""
    items = view.said.fleet.work if view.said else ()
    return {i.unit: i.urgency for i in sorted(items, key=urgency_order, reverse=True)}


def _fits(choice: Choice, unit: str, site: str, *others: str) -> bool:
    wanted = choice.text.casefold()
    return choice.site in ("", site) and any(wanted in t.casefold() for t in (unit, site, *others))


def _work_order(sort: str) -> Any:
    if sort == "unit":
        return lambda i: (i.unit.casefold(), urgency_order(i))
    if sort == "site":
        return lambda i: (i.site.casefold(), urgency_order(i))
    if sort == "when":
        return lambda i: (_when(i), urgency_order(i))
    return urgency_order


def _when(item: WorkItem) -> date:
    return item.middle or item.early or (date.min if item.urgency in ("now", "inspect") else date.max)


def _row_order(sort: str, urgency_of: Mapping[str, str]) -> Any:
    def urgent(row: FleetRow) -> tuple[int, int, str]:
        urgency = urgency_of.get(row.unit)
        rank = len(ORDER) if urgency is None else ORDER.index(urgency)
        return (rank, _WORST.index(row.worst), row.unit.casefold())

    if sort == "unit":
        return lambda row: row.unit.casefold()
    if sort == "site":
        return lambda row: (row.site.casefold(), row.unit.casefold())
    return urgent


def _unassessed(facts: Facts, choice: Choice) -> Sequence[dict[str, Any]]:
    found = [u for u in facts.units if _fits(choice, str(u["unit"]), str(u["site"]), str(u["profile"]))]
    return sorted(found, key=lambda u: str(u["unit"]).casefold())


def routes(page: Page) -> Iterable[Route]:
    """Give the routes of the fleet."""
    return (page.get("/", fleet), page.get("/find", find), page.get("/status.json", status))
