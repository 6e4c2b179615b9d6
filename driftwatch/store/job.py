"""What the importers of the three kinds share: the job at hand, its problems, and texts to numbers in SQL."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from zoneinfo import ZoneInfo

import duckdb
import pandas as pd
import pyarrow as pa

from driftwatch.intake.batch import Batch
from driftwatch.intake.rules import Rule
from driftwatch.profile.model import Profile
from driftwatch.store.times import time_table

#: Two values closer than this, relative to their size, are the same value written in different units.
SAME = 1e-9

#: Every temporary table that an import makes.
TEMPORARY = (
    "problems",
    "checked",
    "good",
    "repeats",
    "snaps",
    "facts",
    "outcome",
    "cell_lookup",
    "changed_snapshots",
    "allowed_lines",
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


@dataclass(frozen=True)
class Taken:
    """How many rows became what."""

    new: int = 0
    same: int = 0
    corrected: int = 0
    first: datetime | None = None
    last: datetime | None = None
    notes: tuple[str, ...] = field(default=())
    event_ids: tuple[str, ...] = field(default=())


def begin(job: Job) -> None:
    """Make the tables that every import needs: `incoming`, `times`, `problems`, `allowed_lines`."""
    con = job.con
    clear(con)
    con.register("incoming", job.batch.staged())
    con.execute("CREATE TEMP TABLE problems (row BIGINT, code VARCHAR, reason VARCHAR)")
    lines = pa.table({"line": pa.array(job.retaken, pa.int64())})
    register_and_copy(con, "allowed_lines", lines)


def clear(con: duckdb.DuckDBPyConnection) -> None:
    """Drop what an import made on the way."""
    for name in TEMPORARY:
        con.execute(f"DROP TABLE IF EXISTS temp.{name}")
    for name in ("incoming", "times", "signals", "channels", "modes", "measures", "backwards", "told"):
        con.unregister(name)


def register_and_copy(con: duckdb.DuckDBPyConnection, name: str, table: pa.Table | pd.DataFrame) -> None:
    """Copy a frame into a temporary table."""
    con.register("told", table)
    con.execute(f"CREATE OR REPLACE TEMP TABLE {name} AS SELECT * FROM told")
    con.unregister("told")


def number(text: str, *, decimal_comma: bool) -> str:
    """SQL: the number a text stands for, NULL if it is none (also for `nan`, `inf`, `1_000`)."""
    plain = text
    if decimal_comma:
        plain = f"CASE WHEN contains({text}, '.') THEN {text} ELSE replace({text}, ',', '.') END"
    # The cast alone would take `nan`, `inf` and `1_000`.
    cast = f"TRY_CAST({plain} AS DOUBLE)"
    return f"CASE WHEN isfinite({cast}) AND NOT contains({text}, '_') THEN {cast} END"


def register_times(job: Job, column: str) -> None:
    """Read each distinct time text of a column once, as the lookup `times`."""
    texts = job.con.execute(f"SELECT DISTINCT {column} FROM incoming").fetchall()
    job.con.register("times", time_table((row[0] for row in texts), job.zone))


def first_rule(rules: Sequence[Rule]) -> str:
    """SQL: the number of the first rule that holds, NULL if none does."""
    cases = " ".join(f"WHEN {rule.condition} THEN {i}" for i, rule in enumerate(rules))
    return f"CASE {cases} END"


def note_problems(job: Job, rules: Sequence[Rule], table: str = "checked") -> None:
    """Write the rows of a table whose `rule` is set among the problems, with the reason in words."""
    if not count(job.con, f"SELECT count(*) FROM {table} WHERE rule IS NOT NULL"):
        return
    codes = " ".join(f"WHEN {i} THEN '{rule.code}'" for i, rule in enumerate(rules))
    reasons = " ".join(f"WHEN {i} THEN {rule.reason_sql()}" for i, rule in enumerate(rules))
    job.con.execute(
        f"INSERT INTO problems SELECT row, CASE rule {codes} END, CASE rule {reasons} END "
        f"FROM {table} WHERE rule IS NOT NULL"
    )


def problem_frame(job: Job) -> pd.DataFrame:
    """Give the rows that cannot be right: `line`, `code`, `reason`, `raw` (JSON), sorted by line."""
    found = job.con.execute("SELECT row, code, reason FROM problems ORDER BY row").fetchall()
    table = job.batch.table
    rows = pa.array([row for row, _, _ in found], pa.int64())
    raw = [json.dumps(content, ensure_ascii=False) for content in table.data.take(rows).to_pylist()]
    entries = list(
        zip(
            table.line.take(rows).to_pylist(),
            [c for _, c, _ in found],
            [r for _, _, r in found],
            raw,
            strict=True,
        )
    )
    entries += [
        (b.line, b.code, b.reason, json.dumps({"text": b.text}, ensure_ascii=False)) for b in table.broken
    ]
    frame = pd.DataFrame(entries, columns=["line", "code", "reason", "raw"])
    # A row typed in by hand has no line.
    frame["line"] = [0 if line is None else line for line in frame["line"]]
    frame = frame.astype({"line": "int64", "code": "str", "reason": "str", "raw": "str"})
    return frame.sort_values("line", kind="stable", ignore_index=True)


def count(con: duckdb.DuckDBPyConnection, sql: str, values: Sequence[object] = ()) -> int:
    """Run a query that gives one whole number."""
    row = con.execute(sql, list(values)).fetchone()
    return int(row[0]) if row and row[0] is not None else 0
