"""Who may ask, and what an answer allows: host names, sizes, headers, sessions, and the token of each write.

An attack from another site would come through the browser of somebody who has the page open. The host name is
checked, so that no foreign name can be pointed here; each write carries a token that only this page's forms
know; and an answer allows scripts, styles and frames of its own address alone.
"""

from __future__ import annotations

import hmac
import ipaddress
import secrets
from collections.abc import MutableMapping
from typing import Any
from urllib.parse import urlencode, urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import Request
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from driftwatch.errors import UsageError
from driftwatch.web.config import PageSettings

#: The fingerprint of nothing: the chart library makes one empty style element, and fills it by its interface.
_EMPTY = "'sha256-47DEQpj8HBSa+/TImW+5JCeuQeRkm5NMpJWZG3hSuFU='"
#: What a page may load, run and send: its own, and nothing inline.
POLICY = (
    f"default-src 'none'; script-src 'self'; style-src 'self' {_EMPTY}; img-src 'self' data:; "
    "connect-src 'self'; frame-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
HEADERS = {
    "x-content-type-options": "nosniff",
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), geolocation=(), microphone=(), payment=(), usb=()",
}
#: Name of the form field, and of the header, that carry the token.
TOKEN_FIELD, TOKEN_HEADER = "csrf", "x-csrf-token"
#: Paths that are shown before anybody has signed in.
OPEN_PATHS = ("/sign-in", "/static/")


class Guard:
    """The outermost wall: host name, size, and the headers of every answer."""

    def __init__(self, app: ASGIApp, settings: PageSettings) -> None:
        self._app, self._settings = app, settings

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a request through, or answer it."""
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        if scope["type"] != "http":
            return
        headers = Headers(scope=scope)
        walled = _with_headers(send)
        if not is_own_host(headers.get("host", ""), self._settings):
            await _say(400, "This page is not served under that name.")(scope, receive, walled)
            return
        most = self._settings.upload_mb * 1_000_000
        length = headers.get("content-length", "0")
        if not length.isdigit() or int(length) > most:
            await _say(413, f"That is more than the {self._settings.upload_mb} MB that may be sent at once.")(
                scope, receive, walled
            )
            return
        await self._app(scope, _counted(receive, most), walled)


class Visitors:
    """Those who have signed in, by a number that only their session has; signing out takes it back."""

    def __init__(self) -> None:
        self._known: set[str] = set()

    def sign_in(self, session: MutableMapping[str, Any]) -> None:
        """Let a session in, under a new token: what was known of it before is worth nothing now."""
        session.clear()
        session["in"] = secrets.token_urlsafe(18)
        self._known.add(session["in"])

    def sign_out(self, session: MutableMapping[str, Any]) -> None:
        """Send a session out."""
        self._known.discard(str(session.get("in")))
        session.clear()

    def knows(self, session: MutableMapping[str, Any]) -> bool:
        """Say whether a session has signed in."""
        return session.get("in") in self._known


class SignedIn:
    """The second wall, where there is a password: nothing but the way in is shown without it."""

    def __init__(self, app: ASGIApp, settings: PageSettings, visitors: Visitors) -> None:
        self._app, self._settings, self._visitors = app, settings, visitors

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let those through who have signed in."""
        wanted = scope["type"] == "http" and self._settings.password != ""
        if not wanted or scope["path"].startswith(OPEN_PATHS) or self._visitors.knows(scope["session"]):
            await self._app(scope, receive, send)
            return
        answer: Response
        if scope["method"] in ("GET", "HEAD"):
            answer = RedirectResponse(f"/sign-in?{urlencode({'next': _asked(scope)})}", 303)
        else:
            answer = _say(403, "You are signed out. Sign in, then do it again.")
        await answer(scope, receive, send)


def _asked(scope: Scope) -> str:
    query = scope["query_string"].decode("latin-1")
    return str(scope["path"]) + (f"?{query}" if query else "")


def is_own_host(host: str, settings: PageSettings) -> bool:
    """Say whether a Host header is one of ours.

    An address cannot be pointed elsewhere, a name can: so of names only those count that were given. Where
    only this computer can reach the page, only its own addresses do.
    """
    try:
        name, port = urlsplit(f"//{host}").hostname, urlsplit(f"//{host}").port
    except ValueError:
        return False
    if not name or (port or 80) not in (settings.port, 80, 443):
        return False
    if name == "localhost" or name in {known.lower() for known in settings.names}:
        return True
    try:
        address = ipaddress.ip_address(name)
    except ValueError:
        return False
    return address.is_loopback or not settings.is_loopback


def token_of(session: MutableMapping[str, Any]) -> str:
    """Give the session's token, made at its first use."""
    if not isinstance(session.get("csrf"), str):
        session["csrf"] = secrets.token_urlsafe(24)
    return str(session["csrf"])


def require_own_site(request: Request) -> None:
    """Refuse a write that another site's page sends; asked before its content is read."""
    site = request.headers.get("sec-fetch-site", "same-origin")
    origin = request.headers.get("origin")
    host = request.headers.get("host", "")
    if site not in ("same-origin", "none") or (origin is not None and urlsplit(origin).netloc != host):
        raise Forbidden("That came from another page than this one, so nothing was done.")


def require_token(request: Request, told: str) -> None:
    """Refuse a write without the session's token."""
    known = request.session.get("csrf")
    if not isinstance(known, str) or not hmac.compare_digest(known.encode(), told.encode("utf-8", "replace")):
        raise Forbidden(
            "The form is from an earlier visit, so nothing was done. Go back, reload and send it again."
        )


class Forbidden(UsageError):
    """A write that cannot be told from one that another page sends."""


def own_path(text: str) -> str:
    """Give a path of this page to go on to; the start for anything else."""
    parts = urlsplit(text)
    plain = text.startswith("/") and not text.startswith(("//", "/\\")) and text.isprintable()
    return text if plain and not parts.scheme and not parts.netloc else "/"


def _say(status: int, text: str) -> Response:
    return PlainTextResponse(text + "\n", status)


def _with_headers(send: Send) -> Send:
    async def sending(message: Message) -> None:
        if message["type"] == "http.response.start":
            headers = MutableHeaders(scope=message)
            for name, value in HEADERS.items():
                headers[name] = value
            headers.setdefault("content-security-policy", POLICY)
            headers.setdefault("cache-control", "no-store")
        await send(message)

    return sending


class TooLarge(UsageError):
    """More was sent than may be."""


def _counted(receive: Receive, most: int) -> Receive:
    """Stop reading a body that is longer than it may be, whatever its head said."""
    read = 0

    async def receiving() -> Message:
        nonlocal read
        message = await receive()
        read += len(message.get("body", b""))
        if read > most:
            raise TooLarge(f"that is more than the {most // 1_000_000} MB that may be sent at once")
        return message

    return receiving
