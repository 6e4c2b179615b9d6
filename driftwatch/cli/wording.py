"""The options that say how numbers and days are written, shared by the commands that write sentences."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from driftwatch.api import Store

Units = Annotated[
    str | None,
    typer.Option(
        "--units",
        metavar="si|us|profile",
        help="Units of measure in what is written; the store's setting if left out.",
    ),
]
Dates = Annotated[
    str | None,
    typer.Option(
        "--dates",
        metavar="day-first|month-first|iso",
        help="How days are written; the store's setting if left out.",
    ),
]


@contextmanager
def worded(store: Store, units: str | None, dates: str | None) -> Iterator[None]:
    """Write as the options say, and as the store's settings say where they are left out."""
    from driftwatch.wording import written

    usual = store.settings.wording
    with written(replace(usual, units=units or usual.units, dates=dates or usual.dates)):
        yield
