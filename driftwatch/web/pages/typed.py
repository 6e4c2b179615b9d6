"""A reading typed in by hand, on a sheet made for the unit's profile; and the same sheet to print."""

from __future__ import annotations

import tempfile
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from driftwatch.assessment.results import UnitAnalysis
from driftwatch.errors import DriftwatchError, InputRefused, UnknownName, UsageError
from driftwatch.intake.template import write_template
from driftwatch.profile.model import Profile
from driftwatch.quantities import conversion
from driftwatch.reporting.render import file_stem
from driftwatch.reporting.texts import count
from driftwatch.web import sheet as sheets
from driftwatch.web.by_hand import take_rows
from driftwatch.web.page import Page, form_status, link, say, see, wrong_words
from driftwatch.web.reading import View

_HEAD = ("day", "time", "odometer", "odometer_unit", "temp", "temp_unit", "source")
_XLSX = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"


def form(page: Page, request: Request) -> Response:
    """Show the blank sheet of a unit; without one, ask which."""
    if not request.query_params.get("name"):
        return page.html(request, "which.html", view=page.view(request))
    view, row, profile, analysis = _found(page, request)
    return _sheet(page, request, view, row, sheets.sections(profile, analysis), {})


def take(page: Page, request: Request, sent: FormData) -> Response:
    """Take the reading in, all of it or nothing; what cannot be right is said beside its field."""
    view, row, profile, analysis = _found(page, request)
    sheet = sheets.sections(profile, analysis)
    told = {name: value.strip() for name, value in sent.items() if isinstance(value, str)}
    flags = sheets.flags(sheet, told, _odometer_km(told))
    try:
        filled = sheets.rows(sheet, told, _head(str(row["unit"]), told))
        if not filled:
            raise UsageError("no value is filled in", do="a blank field is no reading")
        if flags and told.get("sure") != "yes":
            raise UsageError(
                f"{len(flags)} value{'s want' if len(flags) > 1 else ' wants'} a second look",
                do="put right what is flagged, or say below that it is as it was read",
            )
        name = f"typed in, {row['unit']}, {told['day']}"
        with page.write(request) as store:
            report, wrong = take_rows(store, name, "snapshots", filled)
        if wrong:
            raise _Refused(_by_field(wrong, filled))
    except _Refused as refused:
        return _sheet(page, request, view, row, sheet, told, flags | refused.by_key, refused)
    except DriftwatchError as error:
        return _sheet(page, request, view, row, sheet, told, flags, error)
    counts = f"{report.new} new, {report.same} the same, {report.corrected} corrected"
    say(request, f"The reading is taken in: {count(len(filled), 'value')} ({counts}).")
    return see(link(None, "/unit", name=row["unit"]))


def blank(page: Page, request: Request) -> Response:
    """Give the same sheet as a workbook, to be printed, or filled in and sent."""
    _, row, profile, _ = _found(page, request)
    with tempfile.TemporaryDirectory(dir=page.folder.scratch) as folder:
        system = "US" if request.query_params.get("system") == "US" else "SI"
        path = write_template(Path(folder) / "sheet.xlsx", profile, [str(row["unit"])], system)
        answer = Response(path.read_bytes(), media_type=_XLSX)
    name = file_stem("reading", str(row["unit"]))
    answer.headers["content-disposition"] = f'attachment; filename="{name}.xlsx"'
    return answer


class _Refused(InputRefused):
    """Rows that cannot be right, by the field that they came from; "" for what concerns the whole sheet."""

    def __init__(self, problems: Mapping[str, str]) -> None:
        general = [reason for key, reason in problems.items() if not key]
        first = general[0] if general else f"{len(problems)} of the values cannot be right"
        super().__init__(first, do="nothing was taken; put it right and send it again")
        self.by_key = {key: reason for key, reason in problems.items() if key}


def _by_field(wrong: list[tuple[int, str]], filled: list[dict[str, str]]) -> dict[str, str]:
    """Give why rows cannot be right, by their field; a reason that all rows share is said once."""
    reasons = {reason for _, reason in wrong}
    if len(wrong) == len(filled) and len(reasons) == 1:
        return {"": reasons.pop()}
    return {filled[place]["key"]: reason for place, reason in wrong}


def _head(unit: str, told: Mapping[str, str]) -> dict[str, str]:
    """Give what all rows of the sheet share."""
    if not told.get("day"):
        raise UsageError("the day is missing", do="say when it was read")
    if not told.get("odometer"):
        raise UsageError("the odometer is missing", do="say what it showed")
    odometer = "odometer_mi" if told.get("odometer_unit") == "mi" else "odometer_km"
    temp = "fluid_temp_f" if told.get("temp_unit") == "degF" else "fluid_temp_c"
    return {
        "unit": unit,
        "taken_at": told["day"] + (f"T{told['time']}" if told.get("time") else ""),
        odometer: sheets.plain_number(told["odometer"]),
        temp: sheets.plain_number(told.get("temp", "")),
        "source": told.get("source", ""),
    }


def _odometer_km(told: Mapping[str, str]) -> float | None:
    """Give what the odometer showed, in km; None where it is not a number, which is refused later."""
    try:
        shown = float(sheets.plain_number(told.get("odometer", "")))
    except ValueError:
        return None
    into = conversion("mi" if told.get("odometer_unit") == "mi" else "km", "km")
    return shown * into.factor


def _found(page: Page, request: Request) -> tuple[View, dict[str, Any], Profile, UnitAnalysis | None]:
    view, name = page.reader.view(None), request.query_params.get("name", "")
    row = next((u for u in view.facts.units if u["unit"] == name), None) if view.facts else None
    if row is None or view.facts is None:
        raise UnknownName(f"there is no unit {name!r}", do="look for it on the page Fleet")
    return (
        view,
        row,
        view.facts.profiles[str(row["profile"])],
        view.said.units.get(name) if view.said else None,
    )


def _sheet(
    page: Page,
    request: Request,
    view: View,
    row: Mapping[str, Any],
    sheet: tuple[sheets.Section, ...],
    told: Mapping[str, str],
    flags: Mapping[str, str] | None = None,
    error: DriftwatchError | None = None,
) -> Response:
    shifts = next((s for s in sheet if s.modes != ("",)), None)
    return page.html(
        request, "sheet.html", form_status(error), view=view, unit=row, name=str(row["unit"]), sheet=sheet,
        told={**dict.fromkeys(_HEAD, ""), **told}, flags=flags or {}, wrong=wrong_words(error), shifts=shifts,
        learns_key=sheets.learns_key,
    )  # fmt: skip


def routes(page: Page) -> Iterable[Route]:
    """Give the routes of the sheet."""
    return (
        page.get("/take-in/sheet", form),
        page.post("/take-in/sheet", take),
        page.get("/take-in/sheet.xlsx", blank),
    )
