"""Rows that could not be right: looked at, put right in place, or dropped."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from typing import Any

from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from driftwatch.errors import DriftwatchError, UnknownName, UsageError
from driftwatch.intake.columns import KINDS
from driftwatch.web.lists import part_of
from driftwatch.web.page import Page, form_status, link, say, see, text_of, wrong_words
from driftwatch.web.reading import Facts

_SIEVE = ("unit", "code", "file")


def rows(page: Page, request: Request) -> Response:
    """List rows in quarantine."""
    return _rows(page, request)


def put_all_right(page: Page, request: Request, form: FormData) -> Response:
    """Put one column of all rows that are chosen right, judge them as they are, or drop them."""
    facts = _facts(page)
    chosen = {name: request.query_params.get(name, "") for name in _SIEVE}
    numbers = [int(row["quarantine_id"]) for row in _chosen(facts, chosen)]
    column, text, do = text_of(form, "column"), text_of(form, "text"), text_of(form, "do")
    try:
        if not numbers or not any(chosen.values()):
            raise UsageError("no row is chosen", do="choose a unit, a reason or a file")
        if do == "drop":
            with page.write(request) as store:
                gone = store.drop_quarantined(numbers, text_of(form, "note"))
            say(request, f"{_count(gone)} dropped. What they were stays on record.")
        else:
            if do == "set" and not column:
                raise UsageError("no column is chosen", do="choose the one to put right")
            with page.write(request) as store:
                outcome = store.fix_quarantined(numbers, {column: text} if do == "set" else {})
            say(request, f"{_count(len(outcome.taken))} taken, {len(outcome.left)} still cannot be right.")
    except DriftwatchError as error:
        return _rows(page, request, error)
    return see(link(None, "/take-in/quarantine", **chosen))


def row(page: Page, request: Request) -> Response:
    """Show one row, field by field."""
    return _row(page, request, *_found(page, request))


def put_right(page: Page, request: Request, form: FormData) -> Response:
    """Judge one row anew with its fields as they are now; what was changed stays on record."""
    number, held, fields = _found(page, request)
    told = {name: str(form.get(f"field-{k}") or "") for k, name in enumerate(fields)}
    changes = {name: text for name, text in told.items() if text.strip() != fields[name].strip()}
    try:
        with page.write(request) as store:
            if text_of(form, "do") == "drop":
                store.drop_quarantined([number], text_of(form, "note"))
                say(request, "The row is dropped. What it was stays on record.")
                return see("/take-in/quarantine")
            outcome = store.fix_quarantined([number], changes)
        if outcome.left:
            raise UsageError(f"it still cannot be right: {outcome.left[0][1]}")
    except DriftwatchError as error:
        return _row(page, request, number, held, told, error)
    say(request, "The row is taken.")
    return see("/take-in/quarantine")


def _facts(page: Page) -> Facts:
    facts, _ = page.reader.facts()
    if facts is None:
        raise UnknownName("there is no store yet", do="take files in first")
    return facts


def _chosen(facts: Facts, chosen: Mapping[str, str]) -> list[dict[str, Any]]:
    return [q for q in facts.quarantine if all(v in ("", q[name]) for name, v in chosen.items())]


def _rows(page: Page, request: Request, error: DriftwatchError | None = None) -> Response:
    facts = _facts(page)
    chosen = {name: request.query_params.get(name, "") for name in _SIEVE}
    listed = _chosen(facts, chosen)
    values = {name: sorted({str(q[name]) for q in facts.quarantine if q[name]}) for name in _SIEVE}
    kinds = {str(q["kind"]) for q in listed}
    columns = sorted({c for kind in kinds for c in KINDS[kind].all_columns if not c.endswith("_entered")})
    return page.html(
        request, "quarantine.html", form_status(error), view=page.view(request), chosen=chosen,
        part=part_of(listed, request), values=values, columns=columns, wrong=wrong_words(error),
        query=link(None, "/take-in/quarantine", **chosen),
    )  # fmt: skip


def _found(page: Page, request: Request) -> tuple[int, dict[str, Any], dict[str, str]]:
    """Give a row's number, what is known of it, and its fields."""
    told = request.query_params.get("id", "")
    number = int(told) if told.isdecimal() and len(told) < 12 else -1
    held = next((q for q in _facts(page).quarantine if q["quarantine_id"] == number), None)
    if held is None:
        raise UnknownName(f"there is no row {told!r} in quarantine", do="it may have been put right")
    raw = {str(name): str(text) for name, text in json.loads(str(held["raw"])).items()}
    known = {name.casefold() for name in raw}
    required = KINDS[str(held["kind"])].required
    missing = {group[0]: "" for group in required if not known & {name.casefold() for name in group}}
    return number, held, {**raw, **missing}


def _row(
    page: Page,
    request: Request,
    number: int,
    held: Mapping[str, Any],
    fields: Mapping[str, str],
    error: DriftwatchError | None = None,
) -> Response:
    return page.html(
        request, "quarantined.html", form_status(error), view=page.view(request), number=number, held=held,
        fields=fields, wrong=wrong_words(error),
    )  # fmt: skip


def _count(n: int) -> str:
    return f"{n} row{'' if n == 1 else 's'}"


def routes(page: Page) -> Iterable[Route]:
    """Give the routes of the quarantine."""
    return (
        page.get("/take-in/quarantine", rows),
        page.post("/take-in/quarantine", put_all_right),
        page.get("/take-in/quarantine/row", row),
        page.post("/take-in/quarantine/row", put_right),
    )
