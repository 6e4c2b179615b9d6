"""One file, one transaction: judge its rows, take what can be right, keep the rest where it can be seen."""

from __future__ import annotations

from collections.abc import Callable
from zoneinfo import ZoneInfo

import duckdb
import pandas as pd

from driftwatch.errors import QuarantinedRows
from driftwatch.intake.batch import Batch
from driftwatch.profile.model import Profile
from driftwatch.store import clock
from driftwatch.store import job as j
from driftwatch.store.engine import transaction
from driftwatch.store.job import Job, Taken
from driftwatch.store.owned import add_profile, profiles_of
from driftwatch.store.report import ImportReport
from driftwatch.store.take_events import take_events
from driftwatch.store.take_snapshots import take_snapshots
from driftwatch.store.take_units import take_units

Progress = Callable[[str, int, int], None]

_TAKE: dict[str, Callable[[Job], Taken]] = {
    "units": take_units,
    "snapshots": take_snapshots,
    "events": take_events,
}


def import_batch(
    con: duckdb.DuckDBPyConnection,
    batch: Batch,
    zone: str,
    *,
    strict: bool = False,
    dry_run: bool = False,
    who: str = "",
    progress: Progress | None = None,
) -> ImportReport:
    """Take a file into the store, all in one transaction.

    Parameters
    ----------
    con : connection
        To a store open for writing.
    batch : Batch
        The file, read and recognised.
    zone : str
        The store's time zone.
    strict : bool
        Refuse the file if any row cannot be right.
    dry_run : bool
        Do and count everything, then undo it.
    who : str
        Who imports, for the audit trail.
    progress : callable, optional
        Called with (what, done, total) rows.

    Raises
    ------
    QuarantinedRows
        If `strict` and a row cannot be right; nothing is taken.
    InputRefused
        If the file cannot be understood (unknown profile in a units file).

    """
    tell = progress or _silent
    try:
        with transaction(con, keep=not dry_run):
            tell(f"checking {batch.table.name}", 0, batch.rows)
            profiles = _profiles(con, batch, who)
            job = _job(con, batch, profiles, zone, who)
            j.begin(job)
            taken = _TAKE[batch.kind](job)
            problems = j.problem_frame(job)
            report = _report(batch, taken, problems, dry_run=dry_run)
            if strict and report.quarantined:
                raise _refusal(report)
            tell(f"taking {batch.table.name}", report.rows - report.quarantined, batch.rows)
            _record(job, report)
            j.clear(con)
    except BaseException:
        j.clear(con)
        raise
    tell(f"done with {batch.table.name}", batch.rows, batch.rows)
    return report


def _silent(_what: str, _done: int, _total: int) -> None:
    """Report progress to nobody."""


def take_by_hand(
    con: duckdb.DuckDBPyConnection, batch: Batch, zone: str, who: str
) -> tuple[Taken, pd.DataFrame]:
    """Take rows that were typed in rather than read from a file; nothing is taken if one cannot be right."""
    try:
        with transaction(con):
            now, today = clock.now_utc(), clock.today(zone)
            job = Job(con, batch, profiles_of(con), ZoneInfo(zone), today, now, who, None)
            j.begin(job)
            taken = _TAKE[batch.kind](job)
            problems = j.problem_frame(job)
            j.clear(con)
    except BaseException:
        j.clear(con)
        raise
    return taken, problems


def _profiles(con: duckdb.DuckDBPyConnection, batch: Batch, who: str) -> dict[str, Profile]:
    if batch.profile is not None:
        add_profile(con, batch.profile, who)
    return profiles_of(con)


def _job(
    con: duckdb.DuckDBPyConnection, batch: Batch, profiles: dict[str, Profile], zone: str, who: str
) -> Job:
    seen = [i for (i,) in con.execute(*_same_file(batch, "SELECT file_id FROM files")).fetchall()]
    retaken = con.execute(
        "SELECT DISTINCT line FROM quarantine WHERE file_id IN (SELECT unnest(?::INTEGER[]))", [seen]
    ).fetchall()
    file_id = j.count(con, "SELECT coalesce(max(file_id), 0) + 1 FROM files")
    lines = tuple(line for (line,) in retaken)
    now, today = clock.now_utc(), clock.today(zone)
    return Job(con, batch, profiles, ZoneInfo(zone), today, now, who, file_id, bool(seen), lines)


def _same_file(batch: Batch, select: str) -> tuple[str, list[str]]:
    where = "WHERE sha256 = ? AND mapping_sha256 = ? AND kind = ?"
    return f"{select} {where}", [batch.table.sha256, batch.mapping_sha256, batch.kind]


def _report(batch: Batch, taken: Taken, problems: pd.DataFrame, *, dry_run: bool) -> ImportReport:
    return ImportReport(
        file=batch.table.name,
        sha256=batch.table.sha256,
        kind=batch.kind,
        rows=batch.rows,
        new=taken.new,
        same=taken.same,
        corrected=taken.corrected,
        quarantined=len(problems),
        problems=problems,
        first=taken.first,
        last=taken.last,
        dry_run=dry_run,
        notes=batch.table.notes + taken.notes,
    )


def _refusal(report: ImportReport) -> QuarantinedRows:
    line, _, reason, _ = next(report.problems.itertuples(index=False))
    return QuarantinedRows(
        f"{report.quarantined} of {report.rows} rows cannot be right, the first on line {line}: {reason}",
        report.file,
        "correct the file, or import it without --strict; nothing was taken",
    )


def _record(job: Job, report: ImportReport) -> None:
    """Record the file and its quarantined rows, unless the store already holds exactly this."""
    con, batch = job.con, job.batch
    query, values = _same_file(batch, "SELECT file_id FROM files")
    held = con.execute(
        f"SELECT line, code, raw FROM quarantine WHERE file_id IN ({query}) ORDER BY ALL", values
    ).fetchall()
    wanted = sorted(report.problems[["line", "code", "raw"]].itertuples(index=False, name=None))
    if job.seen_before and not report.new and not report.corrected and held == wanted:
        return
    # What was in quarantine from this same file is judged anew: its rows are in the new list, or were taken.
    con.execute(f"DELETE FROM quarantine WHERE file_id IN ({query})", values)
    con.execute(
        "INSERT INTO files VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        [
            job.file_id,
            batch.table.name,
            batch.table.sha256,
            batch.mapping_sha256,
            batch.kind,
            report.rows,
            report.new,
            report.same,
            report.corrected,
            report.quarantined,
            report.first,
            report.last,
            job.now,
            job.who,
        ],
    )
    con.register("told", report.problems)
    con.execute(
        "INSERT INTO quarantine SELECT ?, line, code, reason, raw FROM told ORDER BY line", [job.file_id]
    )
    con.unregister("told")
