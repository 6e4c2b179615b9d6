"""Bring a store to the present layout, one numbered step at a time."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from datetime import datetime
from importlib import metadata, resources

import duckdb

from driftwatch.errors import StoreDamaged, StoreError, StoreNewer
from driftwatch.store import clock
from driftwatch.store.engine import CONFIG, transaction

_RECORD = """
CREATE TABLE schema_migrations (
    number INTEGER PRIMARY KEY,
    name VARCHAR NOT NULL,
    sha256 VARCHAR NOT NULL,
    applied_at_utc TIMESTAMP NOT NULL,
    made_by VARCHAR NOT NULL
)
"""


@dataclass(frozen=True)
class Migration:
    """One step: its number, name and SQL text."""

    number: int
    name: str
    sql: str

    @property
    def sha256(self) -> str:
        """Fingerprint of the SQL text."""
        return hashlib.sha256(self.sql.encode()).hexdigest()


def known() -> tuple[Migration, ...]:
    """Give the steps that this version of the program knows, in order."""
    folder = resources.files("driftwatch.store.migrations")
    names = sorted(f.name for f in folder.iterdir() if f.name.endswith(".sql"))
    return tuple(
        Migration(int(name[:4]), name.removesuffix(".sql"), (folder / name).read_text("utf-8"))
        for name in names
    )


@dataclass(frozen=True)
class Step:
    """One step of the layout, as `driftwatch migrations` lists it.

    Attributes
    ----------
    number : int
    name : str
    state : str
        `taken`, `to come`, or `of a later version`.
    applied_at_utc : datetime or None
    made_by : str
        Program and version that took it; "" if it was not taken.

    """

    number: int
    name: str
    state: str
    applied_at_utc: datetime | None
    made_by: str


def listed(con: duckdb.DuckDBPyConnection, steps: tuple[Migration, ...], where: str) -> list[Step]:
    """Give the steps that a store has taken and those still to come; works for older and newer stores too."""
    if not _has_record(con):
        raise StoreDamaged("this database is not a driftwatch store", where, "name another file")
    rows = con.execute(
        "SELECT number, name, applied_at_utc, made_by FROM schema_migrations ORDER BY number"
    ).fetchall()
    known_ones = {step.number: step.name for step in steps}
    found = [
        Step(number, name, "taken" if number in known_ones else "of a later version", at, by)
        for number, name, at, by in rows
    ]
    there = {step.number for step in found}
    return found + [Step(s.number, s.name, "to come", None, "") for s in steps if s.number not in there]


def laid_out(steps: tuple[Migration, ...]) -> dict[str, list[str]]:
    """Give the columns of every table and view that a store has after some steps."""
    con = duckdb.connect(config=dict(CONFIG))
    try:
        migrate(con, steps)
        return columns_of(con)
    finally:
        con.close()


def columns_of(con: duckdb.DuckDBPyConnection) -> dict[str, list[str]]:
    """Give the columns of every table and view."""
    found: dict[str, list[str]] = {}
    for name, column in con.execute(
        """SELECT table_name, column_name FROM duckdb_columns()
        WHERE NOT internal AND database_name = current_database() ORDER BY table_name, column_index"""
    ).fetchall():
        found.setdefault(name, []).append(column)
    return found


def version(con: duckdb.DuckDBPyConnection) -> int:
    """Give the number of the last step that was taken; 0 for an empty database."""
    if not _has_record(con):
        return 0
    return int(con.execute("SELECT coalesce(max(number), 0) FROM schema_migrations").fetchall()[0][0])


def migrate(con: duckdb.DuckDBPyConnection, steps: tuple[Migration, ...]) -> int:
    """Take the steps not yet taken, each in one transaction with its record; give how many.

    Raises
    ------
    duckdb.Error
        If a step fails; the store is then at the step before it.

    """
    at = version(con)
    pending = [step for step in steps if step.number > at]
    for step in pending:
        with transaction(con):
            if not _has_record(con):
                con.execute(_RECORD)
            con.execute(step.sql)
            con.execute(
                "INSERT INTO schema_migrations VALUES (?, ?, ?, ?, ?)",
                [step.number, step.name, step.sha256, clock.now_utc(), program()],
            )
    return len(pending)


def require(
    con: duckdb.DuckDBPyConnection, steps: tuple[Migration, ...], where: str, *, read_only: bool
) -> None:
    """Refuse what is no store, or one that this version cannot handle.

    Raises
    ------
    StoreDamaged, StoreNewer, StoreError

    """
    at, newest = version(con), steps[-1].number
    if at == 0:
        raise StoreDamaged(
            "this database is not a driftwatch store", where, "restore a backup, or name another file"
        )
    if at > newest:
        raise StoreNewer(
            f"the store has layout {at}, and this version of driftwatch knows only up to {newest}",
            where,
            "update driftwatch",
        )
    if at < newest and read_only:
        raise StoreError(
            f"the store has layout {at} and needs {newest}",
            where,
            "open it once for writing, which brings it up",
        )


def program() -> str:
    """Give the program's name and version, as written into stores."""
    try:
        return f"driftwatch {metadata.version('driftwatch-transmission')}"
    except metadata.PackageNotFoundError:
        return "driftwatch"


def _has_record(con: duckdb.DuckDBPyConnection) -> bool:
    found = con.execute(
        "SELECT count(*) FROM duckdb_tables() WHERE table_name = 'schema_migrations' AND NOT temporary"
    ).fetchall()
    return bool(found[0][0])
