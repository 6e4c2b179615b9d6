"""Bring a store to the present layout, one numbered step at a time."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from importlib import metadata, resources

import duckdb

from driftwatch.errors import StoreDamaged, StoreError, StoreNewer
from driftwatch.store.clock import now_utc
from driftwatch.store.engine import transaction

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


def version(con: duckdb.DuckDBPyConnection) -> int:
    """Give the number of the last step that was taken; 0 for an empty database."""
    if not _has_record(con):
        return 0
    row = con.execute("SELECT coalesce(max(number), 0) FROM schema_migrations").fetchone()
    return int(row[0]) if row else 0


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
                [step.number, step.name, step.sha256, now_utc(), program()],
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
    ).fetchone()
    return bool(found and found[0])
