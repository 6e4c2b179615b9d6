"""The three reports: made in the background, kept, opened, printed, taken along."""

from __future__ import annotations

import re
from collections.abc import Iterable
from pathlib import Path
from typing import Any
from uuid import uuid4

from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import FileResponse, Response
from starlette.routing import Route

from driftwatch.days import as_day, month_days
from driftwatch.errors import DriftwatchError, UnknownName, UsageError
from driftwatch.web.jobs import Job
from driftwatch.web.page import Page, as_of, form_status, see, text_of, who, wrong_words
from driftwatch.wording import month_name

_FIELDS = ("kind", "month", "unit", "event", "day", "as_of", "record")
KINDS = ("review", "followup", "explain")
TITLES = {"review": "Fleet review", "followup": "Follow-up", "explain": "Owner's page"}
_MEDIA = {
    ".html": "text/html; charset=utf-8",
    ".json": "application/json",
    ".csv": "text/csv; charset=utf-8",
    ".ics": "text/calendar; charset=utf-8",
}
#: The policy that a report carries in its own head.
_POLICY = re.compile(r'<meta http-equiv="Content-Security-Policy" content="([^"]+)">')


def reports(page: Page, request: Request) -> Response:
    """Show the reports that were made, and forms for new ones."""
    return _reports(page, request, {})


def make(page: Page, request: Request, form: FormData) -> Response:
    """Have a report made."""
    fields = {name: text_of(form, name) for name in _FIELDS}
    try:
        view = page.reader.view(None)
        if view.facts is None:
            raise UsageError("there is no store yet", do="take files in first")
        title, args = _order(fields, {str(u["unit"]) for u in view.facts.units}, view.facts.events)
    except DriftwatchError as error:
        return _reports(page, request, fields, error)
    job = page.jobs.start(fields["kind"], title, {**args, "folder": uuid4().hex}, who(request, page.settings))
    return see(f"/jobs/{job.id}")


def report(page: Page, request: Request) -> Response:
    """Show a report, ready to be printed or taken along."""
    job = _made(page, request)
    names = [str(name) for name in job.result["files"]]
    return page.html(
        request, "report.html", view=page.view(request), job=job, title=job.title,
        main=next(name for name in names if name.endswith(".html")), names=names,
    )  # fmt: skip


def file(page: Page, request: Request) -> Response:
    """Give one file of a report; none but those that were made for it."""
    job, name = _made(page, request), request.path_params["name"]
    place = page.folder.reports / str(job.args["folder"]) / name
    if name not in job.result["files"] or not place.is_file():
        raise UnknownName("there is no such file", do="make the report anew")
    ending = Path(name).suffix
    answer = FileResponse(place, media_type=_MEDIA[ending])
    policy = _own_policy(place) if ending == ".html" else None
    if policy is None or "download" in request.query_params:
        answer.headers["content-disposition"] = f'attachment; filename="{name}"'
    else:
        answer.headers["content-security-policy"] = f"{policy}; frame-ancestors 'self'"
    return answer


def _own_policy(place: Path) -> str | None:
    with place.open(encoding="utf-8") as stream:
        found = _POLICY.search(stream.read(2000))
    return found[1].replace("&#39;", "'") if found else None


def _order(fields: dict[str, str], units: set[str], events: Iterable[Any]) -> tuple[str, dict[str, Any]]:
    """Give the title of what is ordered, and what the work is to be told."""
    kind = fields["kind"]
    if kind == "review":
        first, _ = month_days(fields["month"])
        args = {"month": fields["month"], "record": fields["record"] == "yes"}
        return f"{TITLES[kind]}, {month_name(first.year, first.month)}", args
    if kind not in KINDS:
        raise UsageError(f"there is no report {kind!r}", do="choose one of the three")
    if fields["unit"] not in units:
        raise UnknownName(f"there is no unit {fields['unit']!r}", do="choose one from the list")
    if fields["event"] and fields["day"]:
        raise UsageError("the change is given twice", do="choose an entry of the log, or give a day")
    if fields["event"] not in {"", *(str(e["event_id"]) for e in events if e["unit"] == fields["unit"])}:
        raise UnknownName(
            f"there is no entry {fields['event']!r} for that unit", do="choose one from the list"
        )
    args = {"unit": fields["unit"], "event": fields["event"] or None, "day": None, "as_of": None}
    for name in ("day", "as_of"):
        if fields[name]:
            args[name] = as_day(fields[name], name.replace("_", " ")).isoformat()
    about = fields["event"] or args["day"] or "the last entry of the log"
    return f"{TITLES[kind]}, {fields['unit']}, {about}", args


def _reports(
    page: Page, request: Request, fields: dict[str, str], error: DriftwatchError | None = None
) -> Response:
    view = page.view(request)
    unit = fields.get("unit") or request.query_params.get("unit", "")
    events = [e for e in view.facts.events if e["unit"] == unit] if view.facts else []
    day = as_of(request)
    told = {**dict.fromkeys(_FIELDS, ""), "as_of": day.isoformat() if day else "", **fields}
    return page.html(
        request, "reports.html", form_status(error), view=view, unit=unit,
        is_unit=view.facts is not None and any(u["unit"] == unit for u in view.facts.units),
        events=list(reversed(events)), fields=told,
        wrong=wrong_words(error), jobs=page.jobs.newest(*KINDS), titles=TITLES,
    )  # fmt: skip


def _made(page: Page, request: Request) -> Job:
    job = page.jobs.get(request.path_params["number"])
    if job.kind not in KINDS or job.state != "done":
        raise UnknownName("there is no such report", do="those that were made are on the page Reports")
    return job


def routes(page: Page) -> Iterable[Route]:
    """Give the routes of the reports."""
    return (
        page.get("/reports", reports),
        page.post("/reports", make),
        page.get("/reports/{number:int}", report),
        page.get("/reports/{number:int}/{name}", file),
    )
