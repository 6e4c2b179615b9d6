"""One unit: what is said of it, its pictures, its readings, its log, and how its data came to be."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from driftwatch.assessment.results import UnitAnalysis
from driftwatch.errors import UnknownName
from driftwatch.panel.panel import Panel
from driftwatch.plain import frame_rows
from driftwatch.reporting import timelines
from driftwatch.reporting.about import about
from driftwatch.reporting.forecast import forecast
from driftwatch.reporting.parts import About, Chart
from driftwatch.reporting.unknowns import no_forecast
from driftwatch.reporting.work import work_items
from driftwatch.web.compare import compare
from driftwatch.web.lists import part_of
from driftwatch.web.page import Page
from driftwatch.web.reading import View
from driftwatch.web.words import WORDS

_TERMS = (
    "learned value",
    "pack",
    "fill volume",
    "limit",
    "trim",
    "mode",
    "80 % range",
    "settling",
    "snapshot",
)
#: What lines of a unit's history share that are told as one.
_ALIKE = ("at_utc", "who", "what", "file", "line", "about", "field", "old_value", "new_value")
#: Forecasts that are drawn open; the others are folded away.
OPEN_FORECASTS = 2


def unit(page: Page, request: Request) -> Response:
    """Show all that is said of a unit."""
    view, row, analysis = found_unit(page, request)
    assert view.facts is not None  # noqa: S101 - the unit was found in them
    name = str(row["unit"])
    context: dict[str, Any] = {"view": view, "unit": row, "a": analysis, "name": name}
    context["events"] = [e for e in view.facts.events if e["unit"] == name]
    context["waiting"] = sum(q["unit"] == name for q in view.facts.quarantine)
    if analysis is not None and view.said is not None:
        key = ("unit", view.said.stamp, view.said.as_of, name)
        context["drawn"] = page.reader.once(key, lambda: _drawn(analysis, view))
        context["work"] = work_items(analysis.assessment, analysis.panel.site)
    return page.html(request, "unit.html", **context)


def readings(page: Page, request: Request) -> Response:
    """Show a unit's snapshots, one of them whole, or two held against each other."""
    view, row, analysis = found_unit(page, request)
    context: dict[str, Any] = {"view": view, "unit": row, "name": str(row["unit"]), "snapshots": []}
    if analysis is not None and len(analysis.panel.taken_at):
        assert view.facts is not None  # noqa: S101 - the unit was found in them
        panel, profile = analysis.panel, view.facts.profiles[str(row["profile"])]
        context["snapshots"] = _snapshots(panel)
        last = len(panel.taken_at) - 1
        second = _chosen(request, "to", last, last)
        first = _chosen(request, "from", last, max(second - 1, 0))
        first, second = min(first, second), max(first, second)
        context |= {"first": first, "second": second, "compared": compare(analysis, first, second, profile)}
    return page.html(request, "readings.html", **context)


def history(page: Page, request: Request) -> Response:
    """Tell how a unit's data came to be, newest first."""
    view, row, _ = found_unit(page, request)
    name = str(row["unit"])
    told = page.reader.ask(("history", name), lambda store: frame_rows(store.history(name)))
    return page.html(
        request, "history.html", view=view, unit=row, name=name, part=part_of(_alike(reversed(told)), request)
    )


def _alike(told: Iterable[Any]) -> list[tuple[dict[str, Any], int]]:
    """Say once, with how many there are of it, what is the same in all that is told of it."""
    counted: dict[Any, tuple[dict[str, Any], int]] = {}
    for row in map(_in_words, told):
        key = tuple(str(row[name]) for name in _ALIKE)
        first, n = counted.get(key, (row, 0))
        counted[key] = (first, n + 1)
    return list(counted.values())


def _in_words(row: Mapping[str, Any]) -> dict[str, Any]:
    """Give a line of the history with a row of a file, which is kept as it came, in words."""
    if not str(row["what"]).startswith("quarantine:"):
        return dict(row)
    was, became = (json.loads(row[name] or "{}") for name in ("old_value", "new_value"))
    return {
        **row,
        "field": None,
        "old_value": _named({n: was.get(n) for n in became or was if was.get(n)}),
        "new_value": _named(became),
    }


def _named(fields: Mapping[str, Any]) -> str:
    return ", ".join(f"{WORDS.get(name, name)}: {text}" for name, text in fields.items())


def found_unit(page: Page, request: Request) -> tuple[View, dict[str, Any], UnitAnalysis | None]:
    """Give the unit that the address names."""
    view = page.view(request)
    name = request.query_params.get("name", "")
    row = next((u for u in view.facts.units if u["unit"] == name), None) if view.facts else None
    if row is None:
        raise UnknownName(f"there is no unit {name!r}", do="look for it on the page Fleet")
    return view, row, view.said.units.get(name) if view.said else None


def _drawn(analysis: UnitAnalysis, view: View) -> dict[str, Any]:
    """Draw the pictures, most telling first."""
    assert view.said is not None  # noqa: S101 - asked before
    signals = dict.fromkeys(c.signal for c in analysis.panel.cells if c.signal != "clutch_volume")
    lines = [timelines.volumes(analysis), *(timelines.trims(analysis, s) for s in signals)]
    rank = ("due", "plan", "watch", "clear")
    packs = sorted(analysis.assessment.clutches, key=lambda c: (rank.index(c.service), -c.used))
    fans = [forecast(analysis, c) for c in packs]
    footer: About = about([analysis], view.said.as_of, _TERMS)
    shown: list[Chart] = [c for c in fans if c is not None]
    return {
        "timeline": [c for c in lines if c is not None],
        "forecasts": shown[:OPEN_FORECASTS],
        "more_forecasts": shown[OPEN_FORECASTS:],
        "marks": timelines.marks(analysis),
        "packs": packs,
        "untold": no_forecast([analysis]),
        "about": footer,
    }


def _snapshots(panel: Panel) -> list[dict[str, Any]]:
    rows = []
    for t in range(len(panel.taken_at)):
        read = np.isfinite(panel.values[t])
        temperature = float(panel.fluid_temp_c[t])
        rows.append(
            {
                "number": t,
                "at": str(panel.taken_at[t])[:16],
                "odometer_km": float(panel.odometer_km[t]),
                "temp": temperature if np.isfinite(temperature) else None,
                "readings": int(read.sum()),
                "repeats": int((read & ~panel.usable[t] & ~panel.slips[t]).sum()),
                "slips": int((read & panel.slips[t]).sum()),
            }
        )
    return rows


def _chosen(request: Request, name: str, last: int, usual: int) -> int:
    text = request.query_params.get(name, "")
    return min(int(text), last) if text.isdecimal() and len(text) < 9 else usual


def routes(page: Page) -> Iterable[Route]:
    """Give the routes of a unit."""
    return (
        page.get("/unit", unit),
        page.get("/unit/readings", readings),
        page.get("/unit/history", history),
    )
