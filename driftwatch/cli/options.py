"""What several commands share: the store's path, the options, and the way to open the store."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from driftwatch.cli.output import Format

if TYPE_CHECKING:
    from driftwatch.api import Store

DEFAULT_DB = "driftwatch.duckdb"
DB_VARIABLE = "DRIFTWATCH_DB"


@dataclass(frozen=True)
class Door:
    """What the options before the command say."""

    db: Path


FormatOption = Annotated[
    Format,
    typer.Option("--format", metavar="table|json|csv", help="How to print: a table to read, JSON or CSV."),
]
AsOf = Annotated[
    str | None,
    typer.Option(
        "--as-of",
        metavar="DATE",
        help="Only what was known up to that day (YYYY-MM-DD) counts; today if left out.",
    ),
]
Out = Annotated[Path, typer.Option("--out", metavar="DIR", help="Folder for the files; made if missing.")]


def db_path(context: typer.Context) -> Path:
    """Give the path of the store that the command is about."""
    door = context.find_root().obj
    return door.db if isinstance(door, Door) else Path(DEFAULT_DB)


@contextmanager
def reading(context: typer.Context) -> Iterator[Store]:
    """Open the store to read; several processes may at once."""
    from driftwatch.api import open_store

    with open_store(db_path(context), read_only=True) as store:
        yield store


@contextmanager
def writing(context: typer.Context, create: bool = False) -> Iterator[Store]:
    """Open the store to write, if wanted making it first."""
    from driftwatch.api import open_store

    with open_store(db_path(context), create=create) as store:
        yield store
