"""The pages, one module a group; each gives its routes."""

from __future__ import annotations

from collections.abc import Callable, Iterable

from starlette.routing import Route

from driftwatch.web.page import Page
from driftwatch.web.pages import (
    entry,
    fleet,
    log,
    profiles,
    quarantine,
    reports,
    take_in,
    typed,
    unit,
    units,
    work,
)

GROUPS: tuple[Callable[[Page], Iterable[Route]], ...] = (
    entry.routes,
    fleet.routes,
    unit.routes,
    units.routes,
    log.routes,
    take_in.routes,
    quarantine.routes,
    typed.routes,
    reports.routes,
    profiles.routes,
    work.routes,
)
