"""What every way in shares: who takes which kind of row, and the record of a file."""

from __future__ import annotations

from collections.abc import Callable

import duckdb

from driftwatch.intake.batch import Batch
from driftwatch.store import job as j
from driftwatch.store.job import Job, Taken
from driftwatch.store.report import ImportReport
from driftwatch.store.take_events import take_events
from driftwatch.store.take_snapshots import take_snapshots
from driftwatch.store.take_units import take_units

TAKE: dict[str, Callable[[Job], Taken]] = {
    "units": take_units,
    "snapshots": take_snapshots,
    "events": take_events,
}

#: How the rows of a file came into the store.
IMPORTED, FIXED, TAKEN_AGAIN = "import", "fixed", "taken again"


def next_file(con: duckdb.DuckDBPyConnection) -> int:
    """Give the number of the next file."""
    return j.count(con, "SELECT coalesce(max(file_id), 0) + 1 FROM files")


def same_file(batch: Batch, select: str) -> tuple[str, list[str]]:
    """Give a query for the records of this very file, and its values."""
    # Before sheets were recorded, the only one that was read has none.
    where = "WHERE sha256 = ? AND mapping_sha256 = ? AND kind = ? AND sheet IN (?, '')"
    return f"{select} {where}", [batch.table.sha256, batch.mapping_sha256, batch.kind, batch.table.sheet]


def record(job: Job, report: ImportReport, way: str = IMPORTED) -> None:
    """Record the file and its quarantined rows, unless the store already holds exactly this."""
    con, batch = job.con, job.batch
    query, values = same_file(batch, "SELECT file_id FROM files")
    held = con.execute(
        f"SELECT line, code, raw FROM quarantine WHERE file_id IN ({query}) ORDER BY ALL", values
    ).fetchall()
    wanted = sorted(report.problems[["line", "code", "raw"]].itertuples(index=False, name=None))
    if way == IMPORTED:
        if job.seen_before and not report.new and not report.corrected and held == wanted:
            return
        # What was in quarantine from this file is judged anew: its rows are in the new list, or were taken.
        con.execute(
            f"""CREATE OR REPLACE TEMP TABLE rejected AS
            SELECT min(quarantine_id) AS quarantine_id, line, raw FROM quarantine
            WHERE file_id IN ({query}) GROUP BY line, raw""",
            values,
        )
        con.execute(f"DELETE FROM quarantine WHERE file_id IN ({query})", values)
    con.execute(
        """INSERT INTO files BY NAME
        SELECT ? AS file_id, ? AS name, ? AS sha256, ? AS mapping_sha256, ? AS kind,
            ? AS rows, ? AS new_rows, ? AS same_rows, ? AS corrected_rows, ? AS quarantined_rows,
            ? AS first_at_local, ? AS last_at_local, ? AS imported_at_utc, ? AS imported_by,
            ? AS sheet, ? AS way, ? AS decimal_sign""",
        [
            *(job.file_id, batch.table.name, batch.table.sha256, batch.mapping_sha256, batch.kind),
            *(report.rows, report.new, report.same, report.corrected, report.quarantined),
            *(report.first, report.last, job.now, job.who, batch.table.sheet, way, batch.decimal),
        ],
    )
    if way == IMPORTED and len(report.problems):
        con.register("told", report.problems)
        con.execute(
            """
            INSERT INTO quarantine BY NAME
            WITH last AS (
                SELECT greatest(
                    (SELECT coalesce(max(quarantine_id), 0) FROM quarantine),
                    (SELECT coalesce(max(quarantine_id), 0) FROM quarantine_done),
                    (SELECT coalesce(max(quarantine_id), 0) FROM rejected)) AS number
            ), numbered AS (
                SELECT t.*, r.quarantine_id AS known, row_number() OVER (PARTITION BY t.line, t.raw) AS nth
                FROM told t LEFT JOIN rejected r ON r.line = t.line AND r.raw = t.raw
            )
            SELECT ? AS file_id, line, code, reason, raw, unit,
                if(known IS NOT NULL AND nth = 1, known, last.number + row_number() OVER (
                    PARTITION BY known IS NOT NULL AND nth = 1 ORDER BY line)) AS quarantine_id
            FROM numbered, last ORDER BY line
            """,
            [job.file_id],
        )
        con.unregister("told")
