"""The page's own files: read once, served by name alone, and under an address that changes with them."""

from __future__ import annotations

import hashlib
from functools import cache
from importlib.resources import files

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

#: Name -> package that has it in its folder `static`, and what it is.
FILES = {
    "report.css": ("driftwatch.reporting", "text/css; charset=utf-8"),
    "page.css": ("driftwatch.web", "text/css; charset=utf-8"),
    "page.js": ("driftwatch.web", "text/javascript; charset=utf-8"),
    "charts.js": ("driftwatch.reporting", "text/javascript; charset=utf-8"),
    "plotly-basic.min.js": ("driftwatch.reporting", "text/javascript; charset=utf-8"),
    "icon.svg": ("driftwatch.web", "image/svg+xml"),
}


@cache
def content(name: str) -> bytes:
    """Give a file's bytes."""
    return (files(FILES[name][0]) / "static" / name).read_bytes()


@cache
def versioned(name: str) -> str:
    """Give a file's address, with a mark of its content in it."""
    return f"/static/{hashlib.sha256(content(name)).hexdigest()[:12]}/{name}"


async def serve(request: Request) -> Response:
    """Answer with one of the files; there is nothing else, and no list."""
    name = request.path_params["name"]
    if name not in FILES or versioned(name) != request.url.path:
        raise HTTPException(404)
    answer = Response(content(name), media_type=FILES[name][1])
    answer.headers["cache-control"] = "public, max-age=31536000, immutable"
    return answer


ROUTE = Route("/static/{mark}/{name}", serve, methods=["GET"], name="get static")
