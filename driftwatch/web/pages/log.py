"""The log of what was done: entries added, corrected, retracted."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from driftwatch.days import as_moment, as_number
from driftwatch.errors import DriftwatchError, UnknownName, UsageError
from driftwatch.intake.columns import EVENT_KINDS
from driftwatch.web.lists import part_of
from driftwatch.web.page import Page, form_status, link, say, see, text_of, wrong_words
from driftwatch.web.reading import View

#: Units of measure that are offered for an amount; others of the same kind are understood.
MEASURES = {"power": ("N.m", "lb.ft", "%"), "load": ("kg", "t", "lb")}
_FIELDS = ("unit", "kind", "day", "time", "amount", "amount_unit", "note")


def log(page: Page, request: Request) -> Response:
    """Show the log, and a form for a new entry."""
    told = request.query_params
    unit = told.get("unit", "")
    return _log(page, request, {"unit": unit, "day": told.get("day", ""), "kind": told.get("kind", "")})


def add(page: Page, request: Request, form: FormData) -> Response:
    """Log what was done."""
    fields = {name: text_of(form, name) for name in _FIELDS}
    try:
        amount = as_number(fields["amount"], "the amount") if fields["amount"] else None
        when = as_moment(_moment(fields))
        with page.write(request) as store:
            number = store.add_event(
                fields["unit"], fields["kind"], when, amount, fields["amount_unit"], fields["note"]
            )
    except DriftwatchError as error:
        return _log(page, request, fields, error)
    say(request, f"Logged as entry {number}.")
    return see(link(None, "/log", unit=fields["unit"]))


def entry(page: Page, request: Request) -> Response:
    """Show one entry, to be corrected or retracted."""
    view, row = _found(page, request)
    when = str(row["happened_at"])
    time = when[11:16]
    fields = {
        "kind": row["kind"],
        "day": when[:10],
        "time": "" if time == "00:00" else time,
        "amount": "" if row["amount_entered"] is None else f"{row['amount_entered']:g}",
        "amount_unit": row["amount_unit_entered"] or (row["amount_unit"] if row["amount_entered"] else ""),
        "note": row["note"],
    }
    return _entry(page, request, view, row, fields)


def correct(page: Page, request: Request, form: FormData) -> Response:
    """Change an entry."""
    view, row = _found(page, request)
    fields = {name: text_of(form, name) for name in _FIELDS[1:]}
    try:
        as_moment(_moment(fields))
        changes = {name: fields[name] for name in ("kind", "amount", "amount_unit", "note")}
        with page.write(request) as store:
            changed = store.correct_event(str(row["event_id"]), {"happened_at": _moment(fields), **changes})
    except DriftwatchError as error:
        return _entry(page, request, view, row, fields, error)
    number = row["event_id"]
    say(request, f"Entry {number} is corrected." if changed else f"Entry {number} was so already.")
    return see(link(None, "/log", unit=row["unit"]))


def retract(page: Page, request: Request, form: FormData) -> Response:
    """Take an entry out of the log."""
    view, row = _found(page, request)
    try:
        with page.write(request) as store:
            store.retract_event(str(row["event_id"]), text_of(form, "reason"))
    except DriftwatchError as error:
        return _entry(page, request, view, row, {}, error)
    say(request, f"Entry {row['event_id']} is retracted. What it was stays on record.")
    return see(link(None, "/log", unit=row["unit"]))


def _moment(fields: Mapping[str, str]) -> str:
    if not fields["day"]:
        raise UsageError("the day is missing", do="say when it was done")
    return fields["day"] + (f"T{fields['time']}" if fields["time"] else "")


def _log(
    page: Page, request: Request, fields: Mapping[str, str], error: DriftwatchError | None = None
) -> Response:
    view = page.view(request)
    told = request.query_params
    unit, kind, text = told.get("unit", ""), told.get("of", ""), told.get("q", "").strip()
    rows = [
        e
        for e in (view.facts.events if view.facts else ())
        if unit in ("", e["unit"])
        and kind in ("", e["kind"])
        and text.casefold() in f"{e['unit']} {e['note']} {e['event_id']}".casefold()
    ]
    rows.sort(key=lambda e: str(e["happened_at"]), reverse=True)
    return page.html(
        request, "log.html", form_status(error), view=view, wrong=wrong_words(error),
        fields={**dict.fromkeys(_FIELDS, ""), **fields}, part=part_of(rows, request),
        kinds=EVENT_KINDS, measures=MEASURES, chosen={"unit": unit, "of": kind, "q": text},
    )  # fmt: skip


def _found(page: Page, request: Request) -> tuple[View, dict[str, Any]]:
    view, number = page.view(request), request.query_params.get("id", "")
    row = next((e for e in view.facts.events if e["event_id"] == number), None) if view.facts else None
    if row is None:
        raise UnknownName(f"there is no entry {number!r} in the log", do="look for it on the page Log")
    return view, row


def _entry(
    page: Page,
    request: Request,
    view: View,
    row: Mapping[str, Any],
    fields: Mapping[str, Any],
    error: DriftwatchError | None = None,
) -> Response:
    return page.html(
        request, "entry.html", form_status(error), view=view, entry=row,
        fields=fields, wrong=wrong_words(error), kinds=EVENT_KINDS, measures=MEASURES,
    )  # fmt: skip


def routes(page: Page) -> Iterable[Route]:
    """Give the routes of the log."""
    return (
        page.get("/log", log),
        page.post("/log", add),
        page.get("/log/entry", entry),
        page.post("/log/entry", correct),
        page.post("/log/retract", retract),
    )
