"""Does a store hold what it should? Everything is read; damage and contradictions are named."""

from __future__ import annotations

from collections.abc import Iterator

import duckdb

from driftwatch.errors import DriftwatchError
from driftwatch.store.migrate import Migration, columns_of, laid_out
from driftwatch.store.owned import profiles_of, settings_of
from driftwatch.store.report import Problem

#: Code, table that is asked, what is wrong, and a query that gives how often.
_QUESTIONS: tuple[tuple[str, str, str, str], ...] = (
    (
        "twice",
        "readings",
        "readings are there twice",
        """SELECT count(*) FROM (
            FROM readings SELECT 1 GROUP BY snapshot_id, cell_id HAVING count(*) > 1)""",
    ),
    (
        "twice",
        "snapshots",
        "snapshots are there twice",
        "SELECT count(*) FROM (FROM snapshots SELECT 1 GROUP BY unit, taken_at_local HAVING count(*) > 1)",
    ),
    (
        "twice",
        "snapshots",
        "snapshot numbers are used twice",
        "SELECT count(*) - count(DISTINCT snapshot_id) FROM snapshots",
    ),
    (
        "twice",
        "cells",
        "cells are there twice",
        "SELECT count(*) - count(DISTINCT (mode, channel, signal)) FROM cells",
    ),
    ("twice", "units", "units are there twice", "SELECT count(*) - count(DISTINCT unit) FROM units"),
    (
        "twice",
        "events",
        "event ids are used twice",
        "SELECT count(*) - count(DISTINCT event_id) FROM events",
    ),
    ("twice", "files", "file numbers are used twice", "SELECT count(*) - count(DISTINCT file_id) FROM files"),
    (
        "twice",
        "quarantine",
        "quarantine numbers are used twice",
        "SELECT count(*) - count(DISTINCT quarantine_id) FROM quarantine",
    ),
    (
        "orphan",
        "readings",
        "readings have no snapshot",
        "SELECT count(*) FROM readings ANTI JOIN snapshots USING (snapshot_id)",
    ),
    (
        "orphan",
        "readings",
        "readings have no cell",
        "SELECT count(*) FROM readings ANTI JOIN cells USING (cell_id)",
    ),
    (
        "orphan",
        "snapshots",
        "snapshots have no readings",
        "SELECT count(*) FROM snapshots ANTI JOIN readings USING (snapshot_id)",
    ),
    (
        "orphan",
        "snapshots",
        "snapshots have no unit",
        "SELECT count(*) FROM snapshots ANTI JOIN units USING (unit)",
    ),
    ("orphan", "events", "events have no unit", "SELECT count(*) FROM events ANTI JOIN units USING (unit)"),
    (
        "orphan",
        "unit_fields",
        "further columns have no unit",
        "SELECT count(*) FROM unit_fields ANTI JOIN units USING (unit)",
    ),
    (
        "orphan",
        "quarantine",
        "rows in quarantine have no file",
        "SELECT count(*) FROM quarantine ANTI JOIN files USING (file_id)",
    ),
    *(
        (
            "origin",
            table,
            f"rows of {table} name a file that is not recorded",
            f"SELECT count(*) FROM {table} ANTI JOIN files USING (file_id) WHERE file_id IS NOT NULL",
        )
        for table in ("readings", "snapshots", "units", "events")
    ),
    (
        "value",
        "readings",
        "readings are not finite",
        "SELECT count(*) FROM readings WHERE NOT isfinite(value)",
    ),
    (
        "odometer",
        "snapshots",
        "odometers run backwards",
        """SELECT count(*) FROM (
            SELECT odometer_km - lag(odometer_km) OVER (PARTITION BY unit ORDER BY taken_at_local) AS step
            FROM snapshots
        ) WHERE step < 0""",
    ),
    (
        "count",
        "files",
        "files have rows that are neither taken nor in quarantine",
        "SELECT count(*) FROM files WHERE rows <> new_rows + same_rows + corrected_rows + quarantined_rows",
    ),
)


def check_store(con: duckdb.DuckDBPyConnection, steps: tuple[Migration, ...]) -> list[Problem]:
    """Read every table and give what is wrong; an empty list means that all is well."""
    found = [*_layout(con, steps), *_unreadable(con)]
    broken = {problem.where for problem in found}
    if broken & {"", "the whole store"}:
        return found
    for code, table, what, query in _QUESTIONS:
        if table in broken:
            continue
        try:
            rows = con.execute(query).fetchall()
        except duckdb.Error as problem:
            found.append(Problem("damaged", f"cannot be asked ({_first_line(problem)})", table))
            continue
        if rows[0][0]:
            found.append(Problem(code, f"{rows[0][0]} {what}", table))
    return [*found, *_profiles(con, broken)]


def _layout(con: duckdb.DuckDBPyConnection, steps: tuple[Migration, ...]) -> Iterator[Problem]:
    """Compare the steps that were taken, and the tables, columns and views, with what they should be."""
    fingerprints = {step.number: step.sha256 for step in steps}
    taken = con.execute("SELECT number, sha256 FROM schema_migrations ORDER BY number").fetchall()
    for number, sha256 in taken:
        if fingerprints.get(number, sha256) != sha256:
            yield Problem("layout", f"migration {number} was made with another text", "schema_migrations")
    at = max((number for number, _ in taken), default=0)
    should, are = laid_out(tuple(step for step in steps if step.number <= at)), columns_of(con)
    for name, columns in should.items():
        if name not in are:
            yield Problem("missing", "is missing", name)
        elif missing := [column for column in columns if column not in are[name]]:
            yield Problem("missing", f"has no column {', '.join(missing)}", name)


def _unreadable(con: duckdb.DuckDBPyConnection) -> Iterator[Problem]:
    names = con.execute(
        "SELECT table_name FROM duckdb_tables() WHERE NOT temporary AND database_name = current_database()"
    ).fetchall()
    for (name,) in names:
        quoted = name.replace('"', '""')
        try:
            # Every column of every row goes through a hash, so that a block that cannot be read is found.
            con.execute(f'SELECT bit_xor(hash(t)) FROM "{quoted}" t').fetchall()
        except duckdb.Error as problem:
            yield Problem("damaged", f"cannot be read ({_first_line(problem)})", name)
            if isinstance(problem, duckdb.FatalException | duckdb.InternalException):
                yield Problem("damaged", "cannot be read further", "the whole store")
                return


def _profiles(con: duckdb.DuckDBPyConnection, broken: set[str]) -> Iterator[Problem]:
    if broken & {"profiles", "settings", "units"}:
        return
    try:
        known = profiles_of(con)
        settings_of(con)
    except (DriftwatchError, ValueError) as problem:
        yield Problem("profile", str(problem))
        return
    for unit, profile in con.execute("SELECT unit, profile FROM units ORDER BY unit").fetchall():
        if profile not in known:
            yield Problem("profile", f"profile {profile!r} is not known", f"unit {unit}")


def _first_line(problem: duckdb.Error) -> str:
    return (str(problem).splitlines() or [""])[0][:160]
