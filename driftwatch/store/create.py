"""A new, empty store: made beside its place, then put there whole."""

from __future__ import annotations

import contextlib
from pathlib import Path
from uuid import uuid4

from driftwatch.errors import StoreError, UsageError
from driftwatch.store import migrate
from driftwatch.store.engine import open_engine, translated
from driftwatch.store.files import put_in_place, remove


def make_store(path: Path) -> None:
    """Make a new, empty store; `UsageError` if there is already something at that path."""
    where = str(path)
    with translated(where):
        if path.is_dir():
            raise StoreError("this is a folder, not a store", where, "name a file in it")
        if path.exists():
            raise UsageError("there is already a file of that name", where, "choose another, or open it")
        if not path.parent.is_dir():
            raise StoreError("there is no such folder", str(path.parent), "make it first")
        _build(path)


def _build(path: Path) -> None:
    """Make an empty store beside its place, so that nothing half made can ever be found there."""
    partial = path.with_name(f".{path.name}.{uuid4().hex}.partial")
    try:
        con = open_engine(partial, read_only=False)
        try:
            migrate.migrate(con, migrate.known())
        finally:
            con.close()
        put_in_place(partial, path)
    finally:
        with contextlib.suppress(OSError):
            remove(partial)
