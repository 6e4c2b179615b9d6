"""Does a store hold what it should? Everything is read, and what contradicts itself is named."""

from __future__ import annotations

import duckdb

from driftwatch.errors import DriftwatchError
from driftwatch.store.migrate import Migration
from driftwatch.store.owned import profiles_of, settings_of
from driftwatch.store.report import Problem

#: Code, what is wrong, and a query that gives how often.
_QUESTIONS: tuple[tuple[str, str, str], ...] = (
    (
        "twice",
        "readings are there twice",
        "SELECT count(*) FROM (FROM readings SELECT 1 GROUP BY snapshot_id, cell_id HAVING count(*) > 1)",
    ),
    (
        "twice",
        "snapshots are there twice",
        "SELECT count(*) FROM (FROM snapshots SELECT 1 GROUP BY unit, taken_at_local HAVING count(*) > 1)",
    ),
    (
        "twice",
        "snapshot numbers are used twice",
        "SELECT count(*) - count(DISTINCT snapshot_id) FROM snapshots",
    ),
    ("twice", "units are there twice", "SELECT count(*) - count(DISTINCT unit) FROM units"),
    ("twice", "event ids are used twice", "SELECT count(*) - count(DISTINCT event_id) FROM events"),
    ("twice", "file numbers are used twice", "SELECT count(*) - count(DISTINCT file_id) FROM files"),
    (
        "orphan",
        "readings have no snapshot",
        "SELECT count(*) FROM readings ANTI JOIN snapshots USING (snapshot_id)",
    ),
    ("orphan", "readings have no cell", "SELECT count(*) FROM readings ANTI JOIN cells USING (cell_id)"),
    (
        "orphan",
        "snapshots have no readings",
        "SELECT count(*) FROM snapshots ANTI JOIN readings USING (snapshot_id)",
    ),
    ("orphan", "snapshots have no unit", "SELECT count(*) FROM snapshots ANTI JOIN units USING (unit)"),
    ("orphan", "events have no unit", "SELECT count(*) FROM events ANTI JOIN units USING (unit)"),
    (
        "origin",
        "readings name a file that is not recorded",
        "SELECT count(*) FROM readings ANTI JOIN files USING (file_id) WHERE file_id IS NOT NULL",
    ),
    ("value", "readings are not finite", "SELECT count(*) FROM readings WHERE NOT isfinite(value)"),
    (
        "odometer",
        "odometers run backwards",
        """SELECT count(*) FROM (
            SELECT odometer_km - lag(odometer_km) OVER (PARTITION BY unit ORDER BY taken_at_local) AS step
            FROM snapshots
        ) WHERE step < 0""",
    ),
    (
        "count",
        "files have rows that are neither taken nor in quarantine",
        "SELECT count(*) FROM files WHERE rows <> new_rows + same_rows + corrected_rows + quarantined_rows",
    ),
)


def check_store(con: duckdb.DuckDBPyConnection, steps: tuple[Migration, ...]) -> list[Problem]:
    """Read every table and give what is wrong; an empty list means that all is well."""
    found: list[Problem] = []
    fingerprints = {step.number: step.sha256 for step in steps}
    for number, sha256 in con.execute(
        "SELECT number, sha256 FROM schema_migrations ORDER BY number"
    ).fetchall():
        if fingerprints.get(number, sha256) != sha256:
            found.append(
                Problem("layout", f"migration {number} was made with another text", "schema_migrations")
            )
    for code, what, query in _QUESTIONS:
        row = con.execute(query).fetchone()
        if row and row[0]:
            found.append(Problem(code, f"{row[0]} {what}"))
    for (name,) in con.execute("SELECT table_name FROM duckdb_tables() WHERE NOT temporary").fetchall():
        # Every column of every row goes through a hash, so that a block that cannot be read is found.
        con.execute(f'SELECT bit_xor(hash(t)) FROM "{name}" t').fetchone()
    try:
        known = profiles_of(con)
        settings_of(con)
    except (DriftwatchError, ValueError) as problem:
        return [*found, Problem("profile", str(problem))]
    for unit, profile in con.execute("SELECT unit, profile FROM units ORDER BY unit").fetchall():
        if profile not in known:
            found.append(Problem("profile", f"profile {profile!r} is not known", f"unit {unit}"))
    return found
