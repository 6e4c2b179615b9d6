"""What every page has at hand: the store's content, jobs, templates; and how a request is answered."""

from __future__ import annotations

import os
import traceback
from collections.abc import Callable
from contextlib import suppress
from datetime import UTC, date, datetime
from functools import partial
from importlib.resources import files
from typing import Any
from urllib.parse import urlencode
from zoneinfo import ZoneInfo

from jinja2 import ChoiceLoader, Environment, FunctionLoader, PrefixLoader
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response
from starlette.routing import Route

from driftwatch import wording
from driftwatch.api import Store, open_store
from driftwatch.assessment.assess import made_by
from driftwatch.days import as_day
from driftwatch.errors import DriftwatchError, StoreBusy, StoreError, UnknownName
from driftwatch.profile.load import builtin, builtin_names
from driftwatch.profile.model import Profile
from driftwatch.reporting import sentences, timelines
from driftwatch.reporting.outlooks import due_words, left_words, used_words
from driftwatch.reporting.render import environment
from driftwatch.store import clock
from driftwatch.web.config import PageSettings
from driftwatch.web.folder import PageFolder
from driftwatch.web.jobs import KEPT, Jobs
from driftwatch.web.reading import Reader, View
from driftwatch.web.security import (
    TOKEN_FIELD,
    TOKEN_HEADER,
    Forbidden,
    TooLarge,
    Visitors,
    require_own_site,
    require_token,
    token_of,
)
from driftwatch.web.signin import Tries
from driftwatch.web.static import versioned
from driftwatch.wording import written

#: Most fields and files of one form: a mapping has five fields a column.
MOST_FIELDS, MOST_FILES = 6000, 40
#: Signs of a sentence that is shown after a write, and of a visitor's name.
MOST_SAID, MOST_NAME = 600, 60
DEBUG = "DRIFTWATCH_DEBUG"
#: Pages that the bar on top names.
PAGES = ("/", "/take-in", "/log", "/reports", "/profiles")

Handler = Callable[["Page", Request], Response]
Writer = Callable[["Page", Request, FormData], Response]


class Page:
    """One served page over one store.

    Attributes
    ----------
    settings : PageSettings
    folder : PageFolder
    jobs : Jobs
    reader : Reader
    tries : Tries
    visitors : Visitors

    """

    def __init__(self, settings: PageSettings) -> None:
        self.settings = settings
        self.folder = PageFolder(settings.db)
        self.folder.take()
        _bring_up(settings)
        self.jobs = Jobs(self.folder, settings.db)
        self.reader = Reader(settings.db, self.jobs, self.folder.scratch)
        self.tries, self.visitors = Tries(), Visitors()
        self._templates = _templates()

    def close(self) -> None:
        """Stop the jobs and let another page have the folder."""
        self.jobs.close()
        self.reader.close()
        self.folder.give_up()

    # --- reading and writing ---------------------------------------------------------------------------

    def view(self, request: Request) -> View:
        """Give what this request sees of the store, on the day it asks for."""
        return self.reader.view(as_of(request))

    def profiles(self) -> dict[str, Profile]:
        """Give the profiles that the store knows, by name; the built-in ones where there is no store yet."""
        facts, _ = self.reader.facts()
        return facts.profiles if facts else {name: builtin(name) for name in builtin_names()}

    def write(self, request: Request) -> WritingStore:
        """Open the store to write for a moment, in the visitor's name.

        Raises
        ------
        StoreBusy
            If it does not become free soon enough.

        """
        return WritingStore(self, who(request, self.settings))

    # --- answering -------------------------------------------------------------------------------------

    def html(self, request: Request, template: str, status: int = 200, **context: Any) -> Response:
        """Give a page made from one of the templates in `web/templates`."""
        context.setdefault("view", None)
        day = context["view"].as_of if context["view"] else None
        made = self._templates.get_template(f"web/{template}").render(
            **context,
            path=request.url.path,
            csrf=token_of(request.session),
            said=request.session.pop("said", None) if "said" in request.session else None,
            visitor=who(request, self.settings),
            has_password=self.settings.password != "",
            made_by=made_by(),
            store_name=self.settings.db.name,
            as_of_text="" if day is None else day.isoformat(),
            link=partial(link, day),
        )
        return HTMLResponse(made, status)

    def wrong(self, request: Request, error: Exception) -> Response:
        """Give the page of an error: one line that says what happened and what to do; never a traceback."""
        if isinstance(error, HTTPException):
            return self.error(request, error.status_code, _HTTP.get(error.status_code, str(error.detail)))
        if isinstance(error, StoreBusy):
            return self.error(request, 503, BUSY)
        if isinstance(error, DriftwatchError):
            return self.error(request, wrong_status(error), str(error))
        if os.environ.get(DEBUG):
            traceback.print_exception(error)
        fault = type(error).__name__
        return self.error(
            request, 500, f"A fault in the program ({fault}). Set {DEBUG}=1 to see where, and report it."
        )

    def error(self, request: Request, status: int, line: str) -> Response:
        """Give the page that says what is wrong."""
        answer = self.html(request, "error.html", status, line=line, code=status)
        if status == 503:
            answer.headers["retry-after"] = "5"
        return answer

    def _worded(self, handler: Callable[..., Response], request: Request, *more: Any) -> Response:
        """Answer a request in the way of writing that is set in the store."""
        with written(self.reader.wording()):
            return handler(self, request, *more)

    # --- routes ----------------------------------------------------------------------------------------

    def get(self, path: str, handler: Handler) -> Route:
        """Give the route of a page that is read."""

        async def endpoint(request: Request) -> Response:
            try:
                return await run_in_threadpool(self._worded, handler, request)
            except Exception as error:  # noqa: BLE001 - the edge: every error becomes a page
                return await run_in_threadpool(self.wrong, request, error)

        return Route(path, endpoint, methods=["GET"], name=f"get {path}")

    def post(self, path: str, writer: Writer) -> Route:
        """Give the route of a write: from this site, with the session's token, or not at all."""

        async def endpoint(request: Request) -> Response:
            try:
                require_own_site(request)
                async with request.form(max_fields=MOST_FIELDS, max_files=MOST_FILES) as form:
                    require_token(
                        request, str(form.get(TOKEN_FIELD) or request.headers.get(TOKEN_HEADER, ""))
                    )
                    return await run_in_threadpool(self._worded, writer, request, form)
            except Exception as error:  # noqa: BLE001 - the edge: every error becomes a page
                return await run_in_threadpool(self.wrong, request, error)

        return Route(path, endpoint, methods=["POST"], name=f"post {path}")


def _bring_up(settings: PageSettings) -> None:
    """Bring a store of an earlier version up to date: pages only read it, and reading does not."""
    if settings.db.exists():
        with suppress(StoreBusy):  # whoever has it open to write has brought it up
            open_store(settings.db, wait=settings.wait).close()


class WritingStore:
    """The store, open to write while the `with` lasts; reading pages show what they have meanwhile."""

    def __init__(self, page: Page, by: str) -> None:
        self._page, self._by = page, by
        self._store: Store | None = None

    def __enter__(self) -> Store:
        settings, door = self._page.settings, self._page.reader.door
        if not door.acquire(timeout=settings.wait):
            raise StoreBusy(BUSY)
        try:
            self._store = open_store(settings.db, create=True, wait=settings.wait, by=self._by)
        except BaseException:
            door.release()
            raise
        return self._store

    def __exit__(self, *_: object) -> None:
        try:
            if self._store is not None:
                self._store.close()
        finally:
            self._page.reader.door.release()


#: Said where a write, or a first look, cannot have the store.
BUSY = (
    "The store is being written to just now, by an import or by somebody at the command line. Nothing of "
    "what you sent was done. Wait a moment, then send it again."
)

_HTTP = {
    400: "That could not be read as a form.",
    404: "There is no such page.",
    405: "That page cannot be used in this way.",
}


def wrong_status(error: DriftwatchError) -> int:
    """Give the status of an answer that says what is wrong."""
    if isinstance(error, UnknownName):
        return 404
    if isinstance(error, Forbidden):
        return 403
    if isinstance(error, TooLarge):
        return 413
    if isinstance(error, StoreBusy):
        return 503
    return 500 if isinstance(error, StoreError) else 400


def wrong_words(error: DriftwatchError | None) -> str:
    """Give the line that stands above a form that could not be done as it was sent."""
    return "" if error is None else BUSY if isinstance(error, StoreBusy) else str(error)


def form_status(error: DriftwatchError | None) -> int:
    """Give the status of a form that is shown again: done, wrong as it is, or to be sent again later."""
    return 200 if error is None else 503 if isinstance(error, StoreBusy) else 400


def see(path: str) -> Response:
    """Give the answer to a write: the page that shows what came of it."""
    return RedirectResponse(path, 303)


def say(request: Request, text: str) -> None:
    """Have a sentence shown on the next page."""
    request.session["said"] = text[:MOST_SAID]


def as_of(request: Request) -> date | None:
    """Give the day that the request looks back from; None for today."""
    text = request.query_params.get("as_of", "")
    return as_day(text, "as of") if text else None


def who(request: Request, settings: PageSettings) -> str:
    """Give the name under which a visitor writes."""
    told = request.session.get("who")
    return told if isinstance(told, str) and told else settings.by or clock.login()


def link(day: date | None, path: str, **query: Any) -> str:
    """Give an address on this page; a day that is looked back from stays with it."""
    told = {name: str(value) for name, value in query.items() if value not in (None, "")}
    if day is not None:
        told.setdefault("as_of", day.isoformat())
    return f"{path}?{urlencode(told)}" if told else path


def text_of(form: FormData, name: str) -> str:
    """Give a field of a form as text, without blanks around it; "" where there is none."""
    value = form.get(name)
    return value.strip() if isinstance(value, str) else ""


def local_time(utc: datetime | str | None, zone: str = "UTC") -> str:
    """Give a moment as `14 Mar 2026, 09:20` in a zone."""
    if not utc:
        return "–"
    moment = datetime.fromisoformat(utc) if isinstance(utc, str) else utc
    if moment.tzinfo is None:
        moment = moment.replace(tzinfo=UTC)
    moment = moment.astimezone(ZoneInfo(zone))
    return f"{wording.day(moment)}, {moment:%H:%M}"


def plain_time(local: str | None) -> str:
    """Give a local time as the store keeps it; a day alone where it is midnight."""
    if not local:
        return "–"
    moment = datetime.fromisoformat(str(local))
    return wording.day(moment) + (f", {moment:%H:%M}" if (moment.hour, moment.minute) != (0, 0) else "")


def _template(name: str) -> str | None:
    try:
        return (files("driftwatch.web") / "templates" / name).read_text("utf-8")
    except FileNotFoundError:
        return None


def _templates() -> Environment:
    """Give the reports' templates with the page's own beside them, under `web/`."""
    shared = environment()
    own = PrefixLoader({"web": FunctionLoader(_template)})
    assert shared.loader is not None  # noqa: S101 - it is made with one
    made = shared.overlay(loader=ChoiceLoader([own, shared.loader]))
    made.filters.update(
        local_time=local_time, plain_time=plain_time, found=sentences.found,
        whole=wording.grouped, own_sign=wording.own_sign,
    )  # fmt: skip
    made.globals.update(
        static=versioned,
        bar_pages=PAGES,
        kept=KEPT,
        due_words=due_words,
        left_words=left_words,
        used_words=used_words,
        event_words=timelines.event_words,
    )
    return made
