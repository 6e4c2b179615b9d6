"""Long work: how far it is, what came of it, and the way to stop it."""

from __future__ import annotations

from collections.abc import Iterable

from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from driftwatch.web.jobs import Job
from driftwatch.web.page import Page, say, see

#: Kind of job -> where what came of it is shown.
SHOWN_AT = {
    "review": "/reports/{id}",
    "followup": "/reports/{id}",
    "explain": "/reports/{id}",
    "look": "/take-in/{id}",
}
KINDS = ("review", "followup", "explain", "look", "import", "demo")


def jobs(page: Page, request: Request) -> Response:
    """List the work that is going on, and what came of the last."""
    return page.html(request, "jobs.html", view=page.view(request), jobs=_shown(page), shown_at=SHOWN_AT)


def job(page: Page, request: Request) -> Response:
    """Show one piece of work; where it is done, what came of it."""
    found = page.jobs.get(request.path_params["number"])
    if found.state == "done" and found.kind in SHOWN_AT:
        return see(SHOWN_AT[found.kind].format(id=found.id))
    return page.html(request, "job.html", view=page.view(request), job=found)


def progress(page: Page, request: Request) -> Response:
    """Tell a script how far it is."""
    found = page.jobs.get(request.path_params["number"])
    return JSONResponse(
        {
            "state": found.state,
            "doing": found.doing,
            "done": found.done,
            "total": found.total,
            "over": found.is_over,
        }
    )


def cancel(page: Page, request: Request, _form: FormData) -> Response:
    """Stop a piece of work."""
    found = page.jobs.cancel(request.path_params["number"])
    if found.state == "cancelled":
        say(request, "Stopped.")
    return see(f"/jobs/{found.id}")


def _shown(page: Page) -> list[Job]:
    return page.jobs.newest(*KINDS)


def routes(page: Page) -> Iterable[Route]:
    """Give the routes of long work."""
    return (
        page.get("/jobs", jobs),
        page.get("/jobs/{number:int}", job),
        page.get("/jobs/{number:int}/progress.json", progress),
        page.post("/jobs/{number:int}/cancel", cancel),
    )
