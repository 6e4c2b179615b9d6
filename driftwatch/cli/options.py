"""What several commands share: the store's path, the options, and the way to open the store."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from driftwatch.cli.output import Format
from driftwatch.errors import UsageError

if TYPE_CHECKING:
    from driftwatch.api import Store

DEFAULT_DB = "driftwatch.duckdb"
DB_VARIABLE = "DRIFTWATCH_DB"
BY_VARIABLE = "DRIFTWATCH_BY"

#: For how many seconds `--wait` waits if it is given without a number.
WAIT_SECONDS = 600


@dataclass(frozen=True)
class Door:
    """What the options before the command say."""

    db: Path
    wait: float = 0.0
    by: str = ""
    known_at: str | None = None


FormatOption = Annotated[
    Format,
    typer.Option("--format", metavar="table|json|csv", help="How to print: a table to read, JSON or CSV."),
]
AsOf = Annotated[
    str | None,
    typer.Option(
        "--as-of",
        metavar="DATE",
        help="A day that has been (YYYY-MM-DD): only what was known up to it counts; today if left out.",
    ),
]
Out = Annotated[Path, typer.Option("--out", metavar="DIR", help="Folder for the files; made if missing.")]


def door(context: typer.Context) -> Door:
    """Give what the options before the command say."""
    told = context.find_root().obj
    return told if isinstance(told, Door) else Door(Path(DEFAULT_DB))


def db_path(context: typer.Context) -> Path:
    """Give the path of the store that the command is about."""
    return door(context).db


@contextmanager
def reading(context: typer.Context) -> Iterator[Store]:
    """Open the store to read; several processes may at once."""
    from driftwatch.api import open_store

    told = door(context)
    with open_store(told.db, read_only=True, wait=told.wait, by=told.by, known_at=told.known_at) as store:
        yield store


@contextmanager
def writing(context: typer.Context, create: bool = False) -> Iterator[Store]:
    """Open the store to write, if wanted making it first."""
    from driftwatch.api import open_store

    told = door(context)
    if told.known_at is not None:
        raise UsageError("the past cannot be changed", "--known-at", "leave it out to write")
    with open_store(told.db, create=create, wait=told.wait, by=told.by) as store:
        yield store
