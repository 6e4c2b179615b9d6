"""Serve the page until it is stopped."""

from __future__ import annotations

import socket
from collections.abc import Callable

import uvicorn

from driftwatch.errors import UsageError
from driftwatch.web.app import make_app
from driftwatch.web.config import PageSettings


def serve(settings: PageSettings, ready: Callable[[], None]) -> None:
    """Serve the page of a store; `ready` is called when a browser can open it.

    Raises
    ------
    UsageError
        If the address cannot be listened on, or others could reach it without a password.
    StoreBusy
        If another page is served from the same store.

    """
    settings.require_safe()
    listening = _listening(settings)
    try:
        app = make_app(settings)
        server = _Server(
            uvicorn.Config(
                app, log_level="critical", access_log=False, server_header=False, timeout_graceful_shutdown=3,
                timeout_keep_alive=30,
            ),
            ready,
        )  # fmt: skip
        server.run(sockets=[listening])
    finally:
        listening.close()


class _Server(uvicorn.Server):
    def __init__(self, config: uvicorn.Config, ready: Callable[[], None]) -> None:
        super().__init__(config)
        self._ready = ready

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        await super().startup(sockets)
        self._ready()


def _listening(settings: PageSettings) -> socket.socket:
    """Take the address before anything else is done, so that a slip shows at once."""
    family = socket.AF_INET6 if ":" in settings.host else socket.AF_INET
    made = socket.socket(family, socket.SOCK_STREAM)
    try:
        made.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        made.bind((settings.host, settings.port))
        made.listen(128)
    except (OSError, OverflowError) as problem:
        made.close()
        reason = getattr(problem, "strerror", None) or str(problem)
        raise UsageError(
            f"cannot be listened on ({reason})",
            f"{settings.host} port {settings.port}",
            "give another --port",
        ) from None
    return made
