"""Copies of a store: made while it is in use, and brought back only if they are whole."""

from __future__ import annotations

import contextlib
import shutil
from pathlib import Path

import duckdb

from driftwatch.errors import StoreBusy, StoreDamaged, StoreError, UsageError
from driftwatch.store import migrate
from driftwatch.store.check import check_store
from driftwatch.store.engine import connect, open_engine, translated

#: How often a file that another process is writing is copied anew before giving up.
TRIES = 5


def copy_open(con: duckdb.DuckDBPyConnection, target: Path) -> Path:
    """Copy a store that this process has open into a new file.

    Raises
    ------
    UsageError
        If there is already a file of that name.

    """
    _refuse_if_there(target)
    partial = target.with_name(f".{target.name}.partial")
    row = con.execute("SELECT current_database()").fetchone()
    own = str(row[0]) if row else ""
    try:
        _remove(partial)
        # DuckDB takes the path of ATTACH only as text in the statement; quotes in it are doubled.
        con.execute(f"ATTACH '{str(partial).replace(chr(39), chr(39) * 2)}' AS driftwatch_backup")
        try:
            con.execute(f'COPY FROM DATABASE "{own.replace(chr(34), chr(34) * 2)}" TO driftwatch_backup')
        finally:
            con.execute("DETACH driftwatch_backup")
        partial.replace(target)
    finally:
        with contextlib.suppress(OSError):
            _remove(partial)
    return target


def backup(path: str | Path, target: str | Path) -> Path:
    """Copy a store into a new file, also while another process has it open for writing.

    A store that another process is writing is copied as a file, with its log of unfinished writes, and the
    copy is then opened and checked in full; a copy caught in the middle of a write is thrown away and made
    anew.

    Raises
    ------
    StoreError
        If the store is missing or damaged, or no whole copy could be made (`StoreBusy`).
    UsageError
        If there is already a file at the target.

    """
    path, target = Path(path), Path(target)
    _refuse_if_there(target)
    with translated(str(target)):
        try:
            con = connect(path, read_only=True)
        except StoreBusy:
            return _copy_in_use(path, target)
        try:
            migrate.require(con, migrate.known(), str(path), read_only=True)
            return copy_open(con, target)
        finally:
            con.close()


def restore(source: str | Path, path: str | Path, *, replace: bool = False) -> Path:
    """Bring a backup back as the store at `path`, after checking that it is whole.

    Raises
    ------
    StoreError
        If the backup is missing, damaged or newer than the program, or the present store is in use.
    UsageError
        If there is a store at `path` and `replace` is not set.

    """
    source, path = Path(source), Path(path)
    with translated(str(source)):
        _require_whole(source)
    with translated(str(path)):
        if path.is_dir():
            raise StoreError("this is a folder, not a store", str(path), "name a file in it")
        if path.exists() and not replace:
            raise UsageError(
                "there is already a store", str(path), "say that it is to be replaced, or move it away"
            )
        if path.exists():
            # Whoever has it open would go on writing into a file that is no longer there.
            with contextlib.suppress(StoreDamaged):
                connect(path, read_only=False).close()
        partial = path.with_name(f".{path.name}.partial")
        try:
            shutil.copyfile(source, partial)
            log = _log(source)
            if log.exists():
                shutil.copyfile(log, _log(partial))
                open_engine(partial, read_only=False).close()  # takes the log into the file
            partial.replace(path)
            _log(path).unlink(missing_ok=True)
        finally:
            with contextlib.suppress(OSError):
                _remove(partial)
    return path


def _copy_in_use(path: Path, target: Path) -> Path:
    partial = target.with_name(f".{target.name}.partial")
    for _ in range(TRIES):
        try:
            _remove(partial)
            shutil.copyfile(path, partial)
            log = _log(path)
            if log.exists():
                shutil.copyfile(log, _log(partial))
            open_engine(partial, read_only=False).close()
            _require_whole(partial)
            partial.replace(target)
            return target
        except (duckdb.Error, StoreDamaged):
            continue
        finally:
            with contextlib.suppress(OSError):
                _remove(partial)
    raise StoreBusy("another process keeps writing the store", str(path), "try again when it has finished")


def _require_whole(path: Path) -> None:
    con = connect(path, read_only=True)
    try:
        migrate.require(con, migrate.known(), str(path), read_only=False)
        problems = check_store(con, migrate.known())
    finally:
        con.close()
    if problems:
        raise StoreDamaged(f"the copy is not whole: {problems[0]}", str(path), "use another one")


def _refuse_if_there(target: Path) -> None:
    if target.exists():
        raise UsageError("there is already a file of that name", str(target), "choose another")
    if not target.parent.is_dir():
        raise StoreError("there is no such folder", str(target.parent), "make it first")


def _log(path: Path) -> Path:
    return path.with_name(f"{path.name}.wal")


def _remove(path: Path) -> None:
    path.unlink(missing_ok=True)
    _log(path).unlink(missing_ok=True)
