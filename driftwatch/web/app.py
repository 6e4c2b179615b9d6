"""The page as an ASGI application: its routes, and the walls around them."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.middleware import Middleware
from starlette.middleware.sessions import SessionMiddleware
from starlette.requests import Request
from starlette.responses import Response

from driftwatch.web import static
from driftwatch.web.config import PageSettings
from driftwatch.web.page import Page
from driftwatch.web.pages import GROUPS
from driftwatch.web.security import Guard, SignedIn

#: Seconds after which a visitor who did nothing is asked to sign in again.
SESSION_SECONDS = 12 * 3600


def make_app(settings: PageSettings) -> Starlette:
    """Build the application over a store, and take the page's folder.

    Raises
    ------
    UsageError
        If others could reach it without a password.
    StoreBusy
        If another page is served from the same store.

    """
    settings.require_safe()
    page = Page(settings)

    @asynccontextmanager
    async def living(_app: Starlette) -> AsyncIterator[None]:
        try:
            yield
        finally:
            await run_in_threadpool(page.close)

    async def wrong(request: Request, error: Exception) -> Response:
        return await run_in_threadpool(page.wrong, request, error)

    # Cookies are shared by all ports of an address: two pages must not sign each other's visitors out.
    session = Middleware(
        SessionMiddleware,
        secret_key=settings.signing_key(page.folder.key()),
        session_cookie=f"driftwatch_{settings.port}",
        max_age=SESSION_SECONDS,
        same_site="lax",
    )
    walls = [
        Middleware(Guard, settings=settings),
        session,
        Middleware(SignedIn, settings=settings, visitors=page.visitors),
    ]
    routes = [static.ROUTE, *(route for group in GROUPS for route in group(page))]
    app = Starlette(
        routes=routes, middleware=walls, lifespan=living, exception_handlers={404: wrong, 405: wrong}
    )
    app.state.page = page
    return app
