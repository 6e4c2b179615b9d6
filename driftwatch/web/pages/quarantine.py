"""Rows that could not be right: looked at, put right in place, or dropped."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
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
from driftwatch.web.words import WORDS

_SIEVE = ("unit", "code", "file")
#: What rows share that are shown as one: a wide file's line is many rows.
_ONE_LINE = ("file_id", "sheet", "line", "unit", "code", "reason")
#: Name under which a wide file's row says which column it stood in.
COLUMN = "column"


@dataclass(frozen=True)
class Held:
    """Rows in quarantine that are put right together.

    Attributes
    ----------
    first : dict
        The row that was asked for.
    numbers : list of int
        Of all of them.
    fields : dict
        Column -> text, of the columns that are the same in all.
    column : str
        Of a wide file, where one value is put right.

    """

    first: dict[str, Any]
    numbers: list[int]
    fields: dict[str, str]
    column: str


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
            say(request, f"{_count(gone)} dropped. What is dropped stays on record.")
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
    """Show one row, field by field; with `all`, those of its line that have the same reason."""
    return _row(page, request, _found(page, request))


def put_right(page: Page, request: Request, form: FormData) -> Response:
    """Judge a row anew with its fields as they are now; what was changed stays on record."""
    held = _found(page, request)
    told = {name: str(form.get(f"field-{name}", text)) for name, text in held.fields.items()}
    changes = {name: text for name, text in told.items() if text.strip() != held.fields[name].strip()}
    try:
        with page.write(request) as store:
            if text_of(form, "do") == "drop":
                gone = store.drop_quarantined(held.numbers, text_of(form, "note"))
                say(
                    request,
                    f"{_count(gone)} dropped. What {'it was' if gone == 1 else 'they were'} stays on record.",
                )
                return see("/take-in/quarantine")
            outcome = store.fix_quarantined(held.numbers, changes)
        if outcome.left and not outcome.taken:
            these = "it" if len(held.numbers) == 1 else "they"
            raise UsageError(f"{these} still cannot be right: {outcome.left[0][1]}")
    except DriftwatchError as error:
        return _row(page, request, replace(held, fields=told), error)
    left = f"{_count(len(outcome.left))} still cannot be right." if outcome.left else ""
    say(request, f"{_count(len(outcome.taken))} taken. {left}".strip())
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
        part=part_of(_by_line(listed), request), count=len(listed), values=values, columns=columns,
        words=WORDS, wrong=wrong_words(error), query=link(None, "/take-in/quarantine", **chosen),
    )  # fmt: skip


def _by_line(rows: Iterable[dict[str, Any]]) -> list[list[dict[str, Any]]]:
    """Put rows together that stand on one line of a file and cannot be right for the same reason."""
    found: dict[Any, list[dict[str, Any]]] = {}
    for row in rows:
        found.setdefault(tuple(row[name] for name in _ONE_LINE), []).append(row)
    return list(found.values())


def _found(page: Page, request: Request) -> Held:
    told = request.query_params.get("id", "")
    number = int(told) if told.isdecimal() and len(told) < 12 else -1
    quarantine = _facts(page).quarantine
    first = next((q for q in quarantine if q["quarantine_id"] == number), None)
    if first is None:
        raise UnknownName(f"there is no row {told!r} in quarantine", do="it may have been put right")
    together = [first]
    if "all" in request.query_params:
        together = [q for q in quarantine if all(q[name] == first[name] for name in _ONE_LINE)]
    raws = [{str(n): str(text) for n, text in json.loads(str(q["raw"])).items()} for q in together]
    shared = {n: text for n, text in raws[0].items() if all(raw.get(n) == text for raw in raws)}
    known = {name.casefold() for name in raws[0]}
    required = KINDS[str(first["kind"])].required
    missing = {group[0]: "" for group in required if not known & {name.casefold() for name in group}}
    column = shared.pop(COLUMN, "")
    return Held(first, [int(q["quarantine_id"]) for q in together], {**shared, **missing}, column)


def _row(page: Page, request: Request, held: Held, error: DriftwatchError | None = None) -> Response:
    return page.html(
        request, "quarantined.html", form_status(error), view=page.view(request), held=held, words=WORDS,
        wrong=wrong_words(error), query=link(None, "/take-in/quarantine/row", **request.query_params),
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
