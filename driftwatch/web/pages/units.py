"""Units by hand: a new one, and what is known of one."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from driftwatch.days import as_moment, as_number
from driftwatch.errors import DriftwatchError, InputRefused, NotConfirmed, UsageError
from driftwatch.plain import frame_rows
from driftwatch.quantities import to_unit
from driftwatch.reporting.texts import count
from driftwatch.web.by_hand import take_rows
from driftwatch.web.page import Page, form_status, link, say, see, text_of, wrong_words
from driftwatch.web.pages.unit import found_unit
from driftwatch.web.sheet import plain_number

_NEW = ("unit", "profile", "in_service_on", "site", "note")
_KNOWN = ("in_service_on", "site", "note")
_ODOMETER = ("day", "was", "reads", "measure", "instead_of")


def take_units(page: Page, request: Request, rows: Sequence[Mapping[str, str]]) -> None:
    """Take units in as a file of them would be; `InputRefused` says why one cannot be right."""
    name = "typed in, " + (rows[0]["unit"] if len(rows) == 1 else count(len(rows), "unit"))
    with page.write(request) as store:
        _, wrong = take_rows(store, name, "units", rows)
    if wrong:
        place, reason = wrong[0]
        raise InputRefused(reason, rows[place]["unit"], "nothing was taken; put it right and send it again")


def new(page: Page, request: Request) -> Response:
    """Show the form of a new unit."""
    return _new(page, request, {"unit": request.query_params.get("name", "")})


def add(page: Page, request: Request, form: FormData) -> Response:
    """Add a unit, and go on to its first reading."""
    fields = {name: text_of(form, name) for name in _NEW}
    try:
        facts, _ = page.reader.facts()
        if facts and any(str(u["unit"]).casefold() == fields["unit"].casefold() for u in facts.units):
            raise UsageError(f"there is a unit {fields['unit']!r} already", do="give another name")
        take_units(page, request, [fields])
    except DriftwatchError as error:
        return _new(page, request, fields, error)
    say(request, f"{fields['unit']} is in the store now. Its first reading can be typed in here.")
    return see(link(None, "/take-in/sheet", name=fields["unit"]))


def details(page: Page, request: Request) -> Response:
    """Show what is known of a unit, to be changed."""
    return _details(page, request, {})


def change(page: Page, request: Request, form: FormData) -> Response:
    """Change what is known of a unit; a blank field says nothing."""
    _, row, _ = found_unit(page, request)
    fields = {name: text_of(form, name) for name in _KNOWN}
    try:
        take_units(page, request, [{"unit": str(row["unit"]), **fields}])
    except DriftwatchError as error:
        return _details(page, request, fields, error)
    say(request, "Noted. What was known before stays on record.")
    return see(link(None, "/unit", name=row["unit"]))


def odometer(page: Page, request: Request, form: FormData) -> Response:
    """Note that a unit's odometer was replaced."""
    _, row, _ = found_unit(page, request)
    fields = {name: text_of(form, name) for name in _ODOMETER}
    measure = "mi" if fields["measure"] == "mi" else "km"
    try:
        told = {"what the old one showed": fields["was"], "what the new one showed": fields["reads"] or "0"}
        was, reads = (as_number(plain_number(text), what) for what, text in told.items())
        at = as_moment(fields["day"])
        with page.write(request) as store:
            changed, notes = store.replace_odometer(
                str(row["unit"]), at, to_unit(was, measure, "km"), to_unit(reads, measure, "km"),
                instead_of=text_of(form, "instead_of") or None, anyway=text_of(form, "anyway") == "yes",
            )  # fmt: skip
    except DriftwatchError as error:
        return _details(page, request, fields, error)
    say(request, f"Noted; {count(changed, 'snapshot')} set right. {' '.join(notes)}".strip())
    return see(link(None, "/unit", name=row["unit"]))


def odometer_retract(page: Page, request: Request, form: FormData) -> Response:
    """Take back that a unit's odometer was replaced."""
    _, row, _ = found_unit(page, request)
    try:
        with page.write(request) as store:
            changed, notes = store.retract_odometer(
                str(row["unit"]), text_of(form, "day"), text_of(form, "reason")
            )
    except DriftwatchError as error:
        return _details(page, request, {}, error)
    say(request, f"Taken back; {count(changed, 'snapshot')} set right. {' '.join(notes)}".strip())
    return see(link(None, "/unit", name=row["unit"]))


def _new(
    page: Page, request: Request, fields: Mapping[str, str], error: DriftwatchError | None = None
) -> Response:
    view = page.view(request)
    return page.html(
        request, "unit_new.html", form_status(error), view=view, wrong=wrong_words(error),
        fields={**dict.fromkeys(_NEW, ""), **fields}, profiles=sorted(page.profiles()),
    )  # fmt: skip


def _details(
    page: Page, request: Request, fields: Mapping[str, str], error: DriftwatchError | None = None
) -> Response:
    view, row, _ = found_unit(page, request)
    known = {name: str(row[name] or "") for name in _KNOWN}
    name = str(row["unit"])
    noted = page.reader.ask(("odometers", name), lambda store: frame_rows(store.odometers(name)))
    return page.html(
        request, "unit_details.html", form_status(error), view=view, unit=row, name=name, noted=noted,
        unconfirmed=isinstance(error, NotConfirmed),
        wrong=wrong_words(error), fields={**dict.fromkeys(_ODOMETER, ""), **known, **fields},
    )  # fmt: skip


def routes(page: Page) -> Iterable[Route]:
    """Give the routes of units by hand."""
    return (
        page.get("/take-in/unit", new),
        page.post("/take-in/unit", add),
        page.get("/unit/details", details),
        page.post("/unit/details", change),
        page.post("/unit/odometer", odometer),
        page.post("/unit/odometer/retract", odometer_retract),
    )
