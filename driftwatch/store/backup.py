"""Copies of a store: made while it is in use, and brought back only if they are whole."""

from __future__ import annotations

import contextlib
import shutil
import time
from datetime import datetime
from pathlib import Path

import duckdb

from driftwatch.errors import StoreBusy, StoreDamaged, StoreError, StoreMissing, UsageError
from driftwatch.store import clock, migrate
from driftwatch.store.check import check_store
from driftwatch.store.engine import connect, open_engine, own_name, patiently, translated
from driftwatch.store.files import log_of, put_in_place, remove, sync_file, sync_folder

#: How often a file that another process is writing is copied anew before giving up, and the pause between.
TRIES, PAUSE = 20, 0.2
#: The first bytes of a store: three headers of 4 KiB. The last two say in turn which blocks are the present
#: ones; while neither changes, none of those blocks is written to.
HEADERS = 3 * 4096


def copy_open(con: duckdb.DuckDBPyConnection, target: Path) -> Path:
    """Copy a store that this process has open into a new file, and see that the copy is whole.

    The file's folder is made if missing.

    Raises
    ------
    UsageError
        If there is already a file of that name.

    """
    _refuse_if_there(target)
    _make_folder(target)
    partial = _partial(target)
    try:
        remove(partial)
        _copy_database(con, partial)
        _require_whole(partial)
        sync_file(partial)
        put_in_place(partial, target)
    finally:
        with contextlib.suppress(OSError):
            remove(partial)
    return target


def rewritten(con: duckdb.DuckDBPyConnection, path: Path) -> duckdb.DuckDBPyConnection:
    """Write an open store anew, so that nothing of what was deleted is left in the file; give a connection.

    The old file stays in its place until the new one is whole.
    """
    partial = _partial(path)
    try:
        remove(partial)
        _copy_database(con, partial)
        _require_whole(partial)
        sync_file(partial)
        con.close()
        partial.replace(path)
        log_of(path).unlink(missing_ok=True)
        sync_folder(path.parent)
    finally:
        with contextlib.suppress(OSError):
            remove(partial)
    return connect(path, read_only=False)


def backup(path: str | Path, target: str | Path, *, wait: float = 0.0) -> Path:
    """Copy a store into a new file, also while another process has it open for writing.

    A store that another process is writing is copied as a file, with its log of unfinished writes. The copy
    counts only if no checkpoint was finished meanwhile, and is then opened and checked in full; otherwise it
    is made anew.

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
            con = patiently(lambda: connect(path, read_only=True), 0.0)
        except StoreBusy:
            return _copy_in_use(path, target, wait)
        try:
            migrate.require(con, migrate.known(), str(path), read_only=True)
            return copy_open(con, target)
        finally:
            con.close()


def restore(source: str | Path, path: str | Path, *, replace: bool = False) -> tuple[Path, Path | None]:
    """Bring a backup back as the store at `path`, after checking that it is whole.

    A store that is there is not lost: it is put aside under another name.

    Returns
    -------
    store : Path
    aside : Path or None
        Where the store that was there is now.

    Raises
    ------
    StoreError
        If the backup is missing, damaged or newer than the program, or the present store is in use.
    UsageError
        If there is a store at `path` and `replace` is not set.

    """
    source, path = Path(source), Path(path)
    with translated(str(source)):
        _require_copy(source)
    with translated(str(path)):
        if path.is_dir():
            raise StoreError("this is a folder, not a store", str(path), "name a file in it")
        if path.exists() and not replace:
            raise UsageError("there is already a store", str(path), "give --replace, or move it away")
        if not path.parent.is_dir():
            raise StoreError("there is no such folder", str(path.parent), "make it first")
        if path.exists():
            # Whoever has it open would go on writing into a file that is no longer there.
            with contextlib.suppress(StoreDamaged):
                connect(path, read_only=False).close()
        partial = _partial(path)
        aside = None
        try:
            remove(partial)
            shutil.copyfile(source, partial)
            if log_of(source).exists():
                shutil.copyfile(log_of(source), log_of(partial))
                open_engine(partial, read_only=False).close()  # takes the log into the file
            _require_whole(partial)
            sync_file(partial)
            if path.exists():
                aside = _put_aside(path, clock.now_utc())
            put_in_place(partial, path)
        finally:
            with contextlib.suppress(OSError):
                remove(partial)
    return path, aside


def _copy_database(con: duckdb.DuckDBPyConnection, target: Path) -> None:
    # DuckDB takes the path of ATTACH only as text in the statement; quotes in it are doubled.
    con.execute(f"ATTACH '{str(target).replace(chr(39), chr(39) * 2)}' AS driftwatch_backup (READ_WRITE)")
    try:
        con.execute(f"COPY FROM DATABASE {own_name(con)} TO driftwatch_backup")
    finally:
        con.execute("DETACH driftwatch_backup")


def _put_aside(path: Path, now: datetime) -> Path:
    """Give the present store another name, beside its place; its log goes with it."""
    aside = path.with_name(f"{path.name}.replaced-{now:%Y%m%dT%H%M%S%f}")
    if log_of(path).exists():
        log_of(path).replace(log_of(aside))
    path.replace(aside)
    return aside


def _copy_in_use(path: Path, target: Path, wait: float) -> Path:
    _make_folder(target)
    partial, until = _partial(target), time.monotonic() + wait
    attempt = 0
    while attempt < TRIES or time.monotonic() < until:
        attempt += 1
        try:
            remove(partial)
            before = _headers(path)
            shutil.copyfile(path, partial)
            if log_of(path).exists():
                shutil.copyfile(log_of(path), log_of(partial))
            if _headers(path) != before:
                continue
            open_engine(partial, read_only=False).close()
            _require_whole(partial)
            sync_file(partial)
            put_in_place(partial, target)
            return target
        except (duckdb.Error, StoreDamaged, FileNotFoundError):
            continue
        finally:
            with contextlib.suppress(OSError):
                remove(partial)
            time.sleep(PAUSE)
    raise StoreBusy("another process keeps writing the store", str(path), "try again when it has finished")


def _headers(path: Path) -> bytes:
    with path.open("rb") as stream:
        return stream.read(HEADERS)


def _require_whole(path: Path) -> None:
    con = connect(path, read_only=True)
    try:
        migrate.require(con, migrate.known(), str(path), read_only=False)
        problems = check_store(con, migrate.known())
    finally:
        con.close()
    if problems:
        raise StoreDamaged(f"the copy is not whole: {problems[0]}", str(path), "use another one")


def _require_copy(source: Path) -> None:
    """Refuse what cannot be brought back, in words that speak of the copy, not of the store in its place."""
    try:
        _require_whole(source)
    except StoreMissing:
        raise StoreMissing(
            "there is no such copy", str(source), "give one that `driftwatch backup` made"
        ) from None
    except StoreDamaged as damaged:
        raise StoreDamaged(damaged.what, damaged.where, "use another copy") from None


def _partial(path: Path) -> Path:
    return path.with_name(f".{path.name}.partial")


def _refuse_if_there(target: Path) -> None:
    if target.exists():
        raise UsageError("there is already a file of that name", str(target), "choose another")


def _make_folder(target: Path) -> None:
    """Make the folder of a copy, once there is something to put there."""
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
    except (FileExistsError, NotADirectoryError):
        raise UsageError("is a file, not a folder", str(target.parent), "give another path") from None
