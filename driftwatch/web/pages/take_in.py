"""Files: sent, looked at before anything is written, their columns put right, and taken in."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from driftwatch.errors import DriftwatchError, StoreBusy, UnknownName, UsageError
from driftwatch.inputs import MAPPING_ENDING
from driftwatch.intake.columns import KINDS
from driftwatch.intake.numbers import DECIMALS
from driftwatch.reporting.texts import count
from driftwatch.web import mapping_form, uploads
from driftwatch.web.jobs import Job
from driftwatch.web.page import Page, form_status, say, see, text_of, who, wrong_words
from driftwatch.web.pages.units import take_units

#: Seconds that a page waits for the columns to be tried.
TRY_SECONDS = 60.0


def take_in(page: Page, request: Request) -> Response:
    """Show the ways in: files, a reading typed in by hand, rows in quarantine."""
    return _take_in(page, request)


def send(page: Page, request: Request, form: FormData) -> Response:
    """Keep files that were sent, and have them looked at."""
    try:
        kind, decimal = text_of(form, "kind"), text_of(form, "decimal")
        if kind not in ("", *KINDS) or decimal not in ("", *DECIMALS):
            raise UsageError(
                "there is no such kind of file, or decimal sign", do="choose one of those offered"
            )
        mark, names = uploads.keep(form.getlist("files"), page.folder.uploads)
        if not names:
            raise UsageError("a mapping alone is nothing to take in", do="send it with its file")
    except DriftwatchError as error:
        return _take_in(page, request, error)
    uploads.forget_oldest(page.folder.uploads, {mark, *_in_use(page)})
    return _look(page, request, {"upload": mark, "files": names, "kind": kind, "decimal": decimal})


def looked(page: Page, request: Request) -> Response:
    """Show what would become of the files."""
    job = _looked(page, request)
    if not job.is_over:
        return see(f"/jobs/{job.id}")
    view = page.view(request)
    files = job.result.get("files", [])
    profile = next((f["wide"]["profile"] for f in files if f["wide"]), "")
    return page.html(
        request, "looked.html", view=view, job=job, files=files, is_there=_is_there(page, job),
        unknown=_unknown(job), profile=profile, profiles=sorted(page.profiles()),
        is_first=view.facts is None or not view.facts.units,
    )  # fmt: skip


def add_units(page: Page, request: Request, form: FormData) -> Response:
    """Add units that the files name and the store does not know, and look at the files again."""
    job = _looked(page, request)
    _require_there(page, job)
    known = _unknown(job)
    chosen = [name for name in form.getlist("unit") if isinstance(name, str) and name in known]
    if not chosen:
        raise UsageError("no unit is chosen", do="tick those that are to be added")
    shared = {name: text_of(form, name) for name in ("profile", "site")}
    take_units(page, request, [{"unit": name, **shared} for name in chosen])
    say(request, f"{count(len(chosen), 'unit')} added. This is how the files look now.")
    return _look(page, request, dict(job.args))


def take(page: Page, request: Request, _form: FormData) -> Response:
    """Have the files taken in."""
    job = _looked(page, request)
    _require_there(page, job)
    wanted = [f["file"] for f in job.result.get("files", []) if f["report"] is not None]
    if not wanted:
        raise UsageError(
            "none of these files can be taken as it is", do="put its columns right, or send another"
        )
    args = {name: job.args[name] for name in ("upload", "kind", "decimal")}
    title = f"taking in {_named(wanted)}"
    started = page.jobs.start("import", title, {**args, "files": wanted}, who(request, page.settings))
    return see(f"/jobs/{started.id}")


def columns(page: Page, request: Request) -> Response:
    """Show what each column of a wide file is taken for."""
    job, told = _wide(page, request)
    wide = told["wide"]
    return _columns(page, request, job, told, wide["mapping"], wide["profile"], wide["checks"])


def put_right(page: Page, request: Request, form: FormData) -> Response:
    """Try the columns as they are chosen now, draft them anew, or keep them and look again."""
    job, told = _wide(page, request)
    _require_there(page, job)
    fields = {name: value for name, value in form.items() if isinstance(value, str)}
    do, profile = fields.get("do", "try"), fields.get("profile", "")
    names = [column["name"] for column in told["wide"]["columns"]]
    try:
        if profile not in page.profiles():
            raise UnknownName(f"there is no profile {profile!r}", do="choose one from the list")
        text = (
            ""
            if do == "draft"
            else mapping_form.mapping_from(names, fields, page.profiles()[profile]).to_toml()
        )
        if do == "keep":
            beside = (page.folder.uploads / str(job.args["upload"]) / told["file"]).with_suffix(
                MAPPING_ENDING
            )
            beside.write_text(text, encoding="utf-8")
            return _look(page, request, {**job.args, "profile": profile})
        tried = _tried(page, request, job, told["file"], text, profile)
    except DriftwatchError as error:
        return _columns(page, request, job, told, _as_sent(names, fields), profile, None, error)
    if "x-part" in request.headers:
        made = mapping_form.made_of(names, tried["checks"])
        return page.html(request, "checks.html", checks=tried["checks"], made=made)
    return _columns(page, request, job, told, tried["mapping"], profile, tried["checks"])


def _unknown(job: Job) -> dict[str, int]:
    """Give the units that the files name and the store does not know, with how many rows each has."""
    counts: Counter[str] = Counter()
    for told in job.result.get("files", []):
        counts.update((told["report"] or {}).get("unknown_units", {}))
    return dict(counts)


# --- parts ---------------------------------------------------------------------------------------------


def _take_in(page: Page, request: Request, error: DriftwatchError | None = None) -> Response:
    view = page.view(request)
    recent = page.jobs.newest("look", "import")
    return page.html(
        request, "take_in.html", form_status(error), view=view, wrong=wrong_words(error), kinds=KINDS,
        most_mb=page.settings.upload_mb, jobs=[j for j in recent if j.kind == "import" or not j.is_over][:10],
        waiting=len(view.facts.quarantine) if view.facts else 0,
    )  # fmt: skip


def _look(page: Page, request: Request, args: dict[str, Any]) -> Response:
    title = f"looking at {_named(args['files'])}"
    job = page.jobs.start("look", title, args, who(request, page.settings))
    page.jobs.wait(job.id, 1.5)  # most files are small, and a page that says so is then not needed
    return see(f"/take-in/{job.id}")


def _looked(page: Page, request: Request) -> Job:
    job = page.jobs.get(request.path_params["number"])
    if job.kind != "look":
        raise UnknownName("there is nothing to look at under that number", do="send the files again")
    return job


def _wide(page: Page, request: Request) -> tuple[Job, dict[str, Any]]:
    job, name = _looked(page, request), request.query_params.get("file", "")
    found = next((f for f in job.result.get("files", []) if f["file"] == name and f["wide"]), None)
    if found is None:
        raise UnknownName("there is no such file with columns to put right", do="send it again")
    return job, found


def _tried(page: Page, request: Request, job: Job, file: str, mapping: str, profile: str) -> dict[str, Any]:
    """Try a mapping on the file, in a process of its own, and wait for what comes of it."""
    args = {"upload": job.args["upload"], "file": file, "mapping": mapping, "profile": profile}
    done = page.jobs.start("columns", f"trying the columns of {file}", args, who(request, page.settings))
    done = page.jobs.wait(done.id, TRY_SECONDS)
    if not done.is_over:
        raise StoreBusy("the columns take longer to try than this page waits")
    if done.state != "done":
        raise UsageError(done.error or "the columns could not be tried")
    return done.result


def _columns(
    page: Page,
    request: Request,
    job: Job,
    told: Mapping[str, Any],
    mapping: Mapping[str, Any],
    profile: str,
    checks: list[dict[str, Any]] | None,
    error: DriftwatchError | None = None,
) -> Response:
    profiles, names = page.profiles(), [column["name"] for column in told["wide"]["columns"]]
    if profile not in profiles:
        profile = told["wide"]["profile"]
    known = profiles[profile]
    return page.html(
        request, "columns.html", form_status(error), view=page.view(request), job=job, file=told["file"],
        wide=told["wide"], mapping=mapping, rows=mapping_form.rows_of(told["wide"]["columns"], mapping),
        checks=checks, made=mapping_form.made_of(names, checks or []), wrong=wrong_words(error),
        profile=known, profiles=sorted(profiles), choices=mapping_form.choices(known),
        is_there=_is_there(page, job),
        channels=[c.id for c in known.clutches] + [s.id for s in known.shifts],
    )  # fmt: skip


def _as_sent(names: list[str], fields: Mapping[str, str]) -> dict[str, Any]:
    """Give what was chosen, also where no mapping can be made of it, to be shown again."""
    cells, snapshot = [], {}
    for k, name in enumerate(names):
        what = fields.get(f"what-{k}", "")
        if what in mapping_form.WORDS:
            snapshot[what] = name
        elif what.startswith(mapping_form.VALUE):
            cells.append(
                {
                    "column": name, "channel": fields.get(f"channel-{k}", ""), "learn_count": None,
                    "unsure": "", "signal": what.removeprefix(mapping_form.VALUE),
                    "mode": fields.get(f"mode-{k}", ""), "unit": fields.get(f"unit-{k}", ""),
                }
            )  # fmt: skip
    plain = ("odometer_unit", "fluid_temp_unit", "time_format", "sheet")
    shared = {name: fields.get(name, "") for name in plain}
    return {"columns": snapshot, "cells": cells, "unit": fields.get("one_unit", ""), "notes": [], **shared}


def _is_there(page: Page, job: Job) -> bool:
    return (page.folder.uploads / str(job.args["upload"])).is_dir()


def _require_there(page: Page, job: Job) -> None:
    if not _is_there(page, job):
        raise UsageError(
            "these files are no longer here: they were taken in, or are too old", do="send them again"
        )


def _in_use(page: Page) -> set[str]:
    return {str(j.args.get("upload")) for j in page.jobs.newest("look", "import", "columns") if not j.is_over}


def _named(names: list[str]) -> str:
    told = [Path(name).name for name in names]
    return ", ".join(told[:3]) + (f" and {len(told) - 3} more" if len(told) > 3 else "")


def begin_demo(page: Page, request: Request, _form: FormData) -> Response:
    """Have the store of the invented fleet made, where there is none yet."""
    if page.settings.db.exists():
        raise UsageError("there is a store already", do="serve another one, with --db, to look at the demo")
    running = [j for j in page.jobs.newest("demo") if not j.is_over]
    job = (
        running[0] if running else page.jobs.start("demo", "making the demo", {}, who(request, page.settings))
    )
    say(request, "All of it is invented.")
    return see(f"/jobs/{job.id}")


def routes(page: Page) -> Iterable[Route]:
    """Give the routes of taking files in."""
    return (
        page.get("/take-in", take_in),
        page.post("/take-in", send),
        page.get("/take-in/{number:int}", looked),
        page.post("/take-in/{number:int}", take),
        page.post("/take-in/{number:int}/units", add_units),
        page.get("/take-in/{number:int}/columns", columns),
        page.post("/take-in/{number:int}/columns", put_right),
        page.post("/demo", begin_demo),
    )
