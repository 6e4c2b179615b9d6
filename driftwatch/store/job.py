"""What the importers of the three kinds share: the job at hand, its problems, and texts to numbers in SQL."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from zoneinfo import ZoneInfo

import duckdb
import pandas as pd
import pyarrow as pa

from driftwatch.errors import InputRefused
from driftwatch.intake.batch import Batch
from driftwatch.intake.rules import Rule
from driftwatch.intake.tables import as_texts
from driftwatch.profile.model import Profile
from driftwatch.store.report import Doubt
from driftwatch.store.times import time_table

#: SQL: units whose data were deleted on demand, and may not come in again.
DELETED = """SELECT unit, CAST(max(deleted_at_utc) AS DATE) AS deleted_on FROM deleted_units
WHERE readmitted_at_utc IS NULL GROUP BY unit"""

#: Two values closer than this, relative to their size, are the same value written in different units.
SAME = 1e-9

#: A file with more rows that cannot be right is refused: it is wrong as a whole, or the units are missing.
MOST_SET_ASIDE = 1_000_000

#: Every temporary table that an import makes, and every frame that it registers.
TEMPORARY = (
    *("problems", "checked", "good", "repeats", "snaps", "facts", "outcome", "allowed_lines"),
    *("heads", "told_heads", "cells_told", "judged", "rejected"),
)
REGISTERED = (
    *("incoming", "head_texts", "cell_texts", "sources", "learns", "problem_texts", "times", "signals"),
    *("channels", "modes", "measures", "misfits", "told"),
)


@dataclass(frozen=True)
class Job:
    """One file on its way into one store.

    Attributes
    ----------
    file_id : int or None
        Number the file will have; None for what is entered by hand.
    seen_before : bool
        True if the same file was taken earlier: what was corrected since is then left alone, except on
        `retaken` lines, which were in quarantine until now.
    tell : callable
        Called with the share of the work that is done.

    """

    con: duckdb.DuckDBPyConnection
    batch: Batch
    profiles: dict[str, Profile]
    zone: ZoneInfo
    today: date
    now: datetime
    who: str
    file_id: int | None
    seen_before: bool = False
    retaken: tuple[int, ...] = ()
    tell: Callable[[float], None] = lambda _share: None


@dataclass(frozen=True)
class Taken:
    """How many rows became what.

    Attributes
    ----------
    doubts : tuple of Doubt
        Rows that were taken but look odd.
    waiting : tuple of str
        Units whose rows in quarantine may be right now.

    """

    new: int = 0
    same: int = 0
    corrected: int = 0
    first: datetime | None = None
    last: datetime | None = None
    notes: tuple[str, ...] = field(default=())
    event_ids: tuple[str, ...] = field(default=())
    doubts: tuple[Doubt, ...] = field(default=())
    waiting: tuple[str, ...] = field(default=())


def begin(job: Job) -> None:
    """Make the tables that every import needs: `problems`, `allowed_lines`."""
    con = job.con
    clear(con)
    con.execute("CREATE TEMP TABLE problems (row BIGINT, code VARCHAR, reason VARCHAR)")
    lines = pa.table({"line": pa.array(job.retaken, pa.int64())})
    register_and_copy(con, "allowed_lines", lines)


def clear(con: duckdb.DuckDBPyConnection) -> None:
    """Drop what an import made on the way."""
    for name in TEMPORARY:
        con.execute(f"DROP TABLE IF EXISTS temp.{name}")
    for name in REGISTERED:
        con.unregister(name)


def register_and_copy(con: duckdb.DuckDBPyConnection, name: str, table: pa.Table | pd.DataFrame) -> None:
    """Copy a frame into a temporary table."""
    con.register("told", table)
    con.execute(f"CREATE OR REPLACE TEMP TABLE {name} AS SELECT * FROM told")
    con.unregister("told")


def register_times(job: Job, column: str, table: str = "incoming") -> None:
    """Read each distinct time text of a column once, as the lookup `times`."""
    texts = job.con.execute(f"SELECT DISTINCT {column} FROM {table}").fetchall()
    job.con.register("times", time_table((row[0] for row in texts), job.zone))


def first_rule(rules: Sequence[Rule], of: str | None = None) -> str:
    """SQL: the number of the first rule (of one level) that holds, NULL if none does."""
    cases = " ".join(
        f"WHEN {rule.condition} THEN {i}" for i, rule in enumerate(rules) if of in (None, rule.of)
    )
    return f"CASE {cases} END"


def note_problems(job: Job, rules: Sequence[Rule], table: str = "checked") -> None:
    """Write the rows of a table whose `rule` is set among the problems, with the reason in words."""
    codes = " ".join(f"WHEN {i} THEN '{rule.code}'" for i, rule in enumerate(rules))
    reasons = " ".join(f"WHEN {i} THEN {rule.reason_sql()}" for i, rule in enumerate(rules))
    job.con.execute(
        f"INSERT INTO problems SELECT row, CASE rule {codes} END, CASE rule {reasons} END "
        f"FROM {table} WHERE rule IS NOT NULL"
    )


def problem_frame(job: Job) -> pd.DataFrame:
    """Give the rows that cannot be right: `line`, `code`, `reason`, `raw` (JSON), `unit`, sorted by line.

    Raises
    ------
    InputRefused
        If there are more of them than are set aside.

    """
    number = count(job.con, "SELECT count(*) FROM problems")
    if number > MOST_SET_ASIDE:
        first = job.con.execute("SELECT row, reason FROM problems ORDER BY row LIMIT 1").fetchall()[0]
        raise InputRefused(
            f"{number} rows cannot be right, more than are set aside; the first: {first[1]}",
            f"{job.batch.table.name} line {job.batch.table.line[first[0]].as_py()}",
            "correct the file, or import first what it needs; nothing was taken",
        )
    found = job.con.execute("SELECT row, code, reason FROM problems ORDER BY row").fetchall()
    batch, table = job.batch, job.batch.table
    rows = pa.array([row for row, _, _ in found], pa.int64())
    contents = pa.table({n: as_texts(table.data[n].take(rows)) for n in table.columns}).to_pylist()
    unit = batch.columns.get("unit", "")
    units = [str(content.get(unit, "")).strip() for content in contents]
    entries = [
        (line, code, reason, _raw(content, code, name), name)
        for line, (_, code, reason), content, name in zip(
            table.line.take(rows).to_pylist(), found, contents, units, strict=True
        )
    ]
    entries += [(b.line, b.code, b.reason, _json({"text": b.text}), "") for b in table.broken]
    frame = pd.DataFrame(entries, columns=["line", "code", "reason", "raw", "unit"])
    # A row typed in by hand has no line.
    frame["line"] = [0 if line is None else line for line in frame["line"]]
    frame = frame.astype({"line": "int64", "code": "str", "reason": "str", "raw": "str", "unit": "str"})
    return frame.sort_values("line", kind="stable", ignore_index=True)


def _raw(content: dict[str, str], code: str, unit: str) -> str:
    """Give a row as JSON; of a unit whose data were deleted on demand, nothing but its name is kept."""
    return _json({"unit": unit} if code == "deleted_unit" else content)


def _json(content: dict[str, str]) -> str:
    return json.dumps(content, ensure_ascii=False)


def count(con: duckdb.DuckDBPyConnection, sql: str, values: Sequence[object] = ()) -> int:
    """Run a query that gives one whole number."""
    rows = con.execute(sql, list(values)).fetchall()  # to the end: an open result would hold the connection
    return int(rows[0][0]) if rows and rows[0][0] is not None else 0
