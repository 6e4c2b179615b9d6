"""The way in: signing in and out, and the name under which a visitor writes."""

from __future__ import annotations

import math
from collections.abc import Iterable

from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from driftwatch.web.page import MOST_NAME, Page, say, see, text_of
from driftwatch.web.security import own_path
from driftwatch.web.signin import is_password


def sign_in_form(page: Page, request: Request) -> Response:
    """Ask for the password."""
    if not page.settings.password:
        return see("/")
    return page.html(request, "sign_in.html", go_on=own_path(request.query_params.get("next", "/")), wrong="")


def sign_in(page: Page, request: Request, form: FormData) -> Response:
    """Let somebody in who knows the password, and slow down somebody who tries it out."""
    address = request.client.host if request.client else ""
    go_on = own_path(text_of(form, "next"))
    wait = page.tries.begin(address)
    if wait:
        minutes = math.ceil(wait / 60)
        answer = page.html(
            request, "sign_in.html", 429, go_on=go_on,
            wrong=f"Too many tries. Wait {minutes} minute{'s' if minutes > 1 else ''}, then try again.",
        )  # fmt: skip
        answer.headers["retry-after"] = str(math.ceil(wait))
        return answer
    if not is_password(str(form.get("password") or ""), page.settings.password):
        return page.html(request, "sign_in.html", 403, go_on=go_on, wrong="That is not the password.")
    page.tries.right(address)
    page.visitors.sign_in(request.session)
    request.session["who"] = text_of(form, "who")[:MOST_NAME]
    return see(go_on)


def sign_out(page: Page, request: Request, _form: FormData) -> Response:
    """Send the visitor out."""
    page.visitors.sign_out(request.session)
    return see("/sign-in")


def name_form(page: Page, request: Request) -> Response:
    """Ask for the visitor's name."""
    return page.html(request, "name.html", go_on=own_path(request.query_params.get("next", "/")))


def name(_page: Page, request: Request, form: FormData) -> Response:
    """Keep the visitor's name for this session."""
    request.session["who"] = text_of(form, "who")[:MOST_NAME]
    say(request, "Noted: what you enter from now on goes on record under that name.")
    return see(own_path(text_of(form, "next")))


def routes(page: Page) -> Iterable[Route]:
    """Give the routes of the way in."""
    return (
        page.get("/sign-in", sign_in_form),
        page.post("/sign-in", sign_in),
        page.post("/sign-out", sign_out),
        page.get("/name", name_form),
        page.post("/name", name),
    )
