"""DuckDB at arm's length: connect without network, and turn its errors into the program's one-liners."""

from __future__ import annotations

import errno
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import duckdb

from driftwatch.errors import (
    DriftwatchError,
    StoreBusy,
    StoreDamaged,
    StoreError,
    StoreMissing,
    StoreNewer,
)

#: Nothing is fetched from a network, and no query may reach a file but the store's own.
CONFIG = {
    "autoinstall_known_extensions": "false",
    "autoload_known_extensions": "false",
    "allow_community_extensions": "false",
    # What does not fit goes to a folder beside the store, for as long as it is needed.
    "memory_limit": "800MiB",
}

#: How long to pause, in seconds, before looking again whether a store has become free.
PAUSE = 0.1

#: What a file of the engine has at its beginning, after a checksum.
MARK, MARK_AT = b"DUCK", 8

#: Part of DuckDB's message -> what it means to the user. The first that is found counts.
_MEANING: tuple[tuple[str, type[StoreError], str, str], ...] = (
    ("could not set lock", StoreBusy, "another process has the store open", "close it there and try again"),
    ("being used by another process", StoreBusy, "another process has the store open", "close it there"),
    (
        "different configuration than existing",
        StoreBusy,
        "this program has the store open in another way",
        "close it first",
    ),
    ("unique file handle conflict", StoreBusy, "the store is already open", "close it first"),
    ("no space left", StoreError, "the disk is full; nothing was changed", "free some space and try again"),
    (
        "disk quota",
        StoreError,
        "the disk quota is used up; nothing was changed",
        "free some space and try again",
    ),
    ("file too large", StoreError, "the file would grow too large; nothing was changed", "raise the limit"),
    (
        "out of memory",
        StoreError,
        "there is not enough memory, nor disk to make up for it; nothing was changed",
        "free some space beside the store",
    ),
    ("we can only read", StoreNewer, "the store was made by a later version", "update driftwatch"),
    ("newer version of duckdb", StoreNewer, "the store was made by a later version", "update driftwatch"),
    ("storage version", StoreNewer, "the store was made by a later version", "update driftwatch"),
    ("not a valid duckdb", StoreDamaged, "this is not a store, or it is damaged", "restore a backup"),
    ("corrupt", StoreDamaged, "the store is damaged", "restore a backup"),
    ("checksum", StoreDamaged, "the store is damaged", "restore a backup"),
    ("permission denied", StoreError, "the store may not be opened or written", "check who owns the file"),
    ("read-only", StoreError, "the store is open for reading only", "open it for writing"),
    ("could not write", StoreError, "the disk cannot be written; nothing was changed", "check the disk"),
)


def meaning_of(problem: duckdb.Error | OSError, where: str) -> StoreError:
    """Turn an error of the engine or the system into one line for the user."""
    text = str(problem)
    if isinstance(problem, OSError) and problem.errno in (errno.ENOSPC, errno.EDQUOT):
        return StoreError("the disk is full; nothing was changed", where, "free some space and try again")
    folded = text.casefold()
    for part, kind, what, do in _MEANING:
        if part in folded:
            return kind(what, where, do)
    if isinstance(problem, OSError):
        return StoreError(f"the file system refused ({problem.strerror or text})", where)
    if isinstance(problem, duckdb.SerializationException | duckdb.InternalException | duckdb.FatalException):
        return StoreDamaged("the store cannot be read", where, "restore a backup")
    first = text.splitlines()[0][:200] if text else type(problem).__name__
    return StoreError(f"the store could not do this ({first})", where)


@contextmanager
def translated(where: str) -> Iterator[None]:
    """Let no error of the engine or the file system out but as a `StoreError`."""
    try:
        yield
    except DriftwatchError:
        raise
    except (duckdb.Error, OSError) as problem:
        raise meaning_of(problem, where) from problem


def connect(path: Path, *, read_only: bool) -> duckdb.DuckDBPyConnection:
    """Open an existing DuckDB file.

    Raises
    ------
    StoreError
        One of its leaves: missing, busy, damaged, newer; or the file cannot be opened at all.

    """
    where = str(path)
    with translated(where):
        if path.is_dir():
            raise StoreError("this is a folder, not a store", where, "name a file in it")
        if not path.exists():
            raise StoreMissing("there is no store", where, "make one with `driftwatch init`")
        if path.stat().st_size == 0:
            raise StoreDamaged(
                "this is an empty file, not a store", where, "restore a backup, or remove the file"
            )
        # The engine reads some other files (CSV) as a database of its own, and says odd things of it then.
        if not _has_mark(path):
            raise StoreDamaged(
                "this is not a store, or it is damaged", where, "name another file, or restore a backup"
            )
        return open_engine(path, read_only=read_only)


def _has_mark(path: Path) -> bool:
    with path.open("rb") as stream:
        return stream.read(MARK_AT + len(MARK))[MARK_AT:] == MARK


def open_engine(path: Path, *, read_only: bool) -> duckdb.DuckDBPyConnection:
    """Connect with the program's own configuration."""
    con = duckdb.connect(str(path), read_only=read_only, config=dict(CONFIG))
    con.execute("SET enable_progress_bar = false")  # nothing but a command's result is printed
    return con


def patiently(connected: Callable[[], duckdb.DuckDBPyConnection], wait: float) -> duckdb.DuckDBPyConnection:
    """Connect, and where another process has the store, try again until so many seconds have passed."""
    until = time.monotonic() + wait
    while True:
        try:
            return connected()
        except StoreBusy as busy:
            if time.monotonic() >= until:
                hint = "" if wait else ", or wait for it with --wait"
                raise StoreBusy(busy.what, busy.where, f"{busy.do}{hint}") from None
        time.sleep(PAUSE)


def own_name(con: duckdb.DuckDBPyConnection) -> str:
    """Give the store's name in SQL, quoted: it is made from the file's name."""
    (name,) = con.execute("SELECT current_database()").fetchall()[0]
    return '"' + str(name).replace('"', '""') + '"'


@contextmanager
def transaction(con: duckdb.DuckDBPyConnection, *, keep: bool = True) -> Iterator[None]:
    """Do all or nothing; with `keep=False`, nothing in any case."""
    con.execute("BEGIN TRANSACTION")
    try:
        yield
        con.execute("COMMIT" if keep else "ROLLBACK")
    except BaseException:
        # A failed commit has already ended the transaction; then there is nothing left to roll back.
        with suppress(duckdb.Error):
            con.execute("ROLLBACK")
        raise
