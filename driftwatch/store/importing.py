"""One file, one transaction: judge its rows, take what can be right, keep the rest where it can be seen."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from zoneinfo import ZoneInfo

import duckdb
import pandas as pd

from driftwatch.errors import QuarantinedRows
from driftwatch.intake.batch import Batch
from driftwatch.intake.columns import KINDS
from driftwatch.profile.model import Profile
from driftwatch.store import clock
from driftwatch.store import job as j
from driftwatch.store.engine import transaction
from driftwatch.store.job import Job, Taken
from driftwatch.store.owned import add_profile, profiles_of, sync_signal_units
from driftwatch.store.quarantine import take_waiting
from driftwatch.store.record import TAKE, next_file, record, same_file
from driftwatch.store.report import ImportReport

Progress = Callable[[str, int, int], None]


#: What this file replaces, as the audit trail has it.
_CORRECTIONS = """SELECT new_line AS line, what, unit, at_local AS at, mode, channel, signal, event_id, field,
    old_value, new_value
FROM audit WHERE new_file_id = ? ORDER BY new_line, field"""


def import_batches(
    con: duckdb.DuckDBPyConnection,
    batches: Sequence[Batch],
    zone: str,
    *,
    strict: bool = False,
    dry_run: bool = False,
    who: str = "",
    progress: Progress | None = None,
) -> ImportReport:
    """Take a file into the store, all of its sheets in one transaction.

    Parameters
    ----------
    con : connection
        To a store open for writing.
    batches : sequence of Batch
        The file's tables, read and recognised.
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
    tell, label = progress or _silent, f"importing {batches[0].table.name}"
    total, done = sum(batch.rows for batch in batches), 0
    parts: list[ImportReport] = []
    try:
        with transaction(con, keep=not dry_run):
            for batch in sorted(batches, key=lambda b: list(KINDS).index(b.kind)):
                step = _step(tell, label, done, batch.rows, total)
                job = replace(_job(con, batch, _profiles(con, batch, who), zone, who), tell=step)
                job.tell(0.0)
                report, waiting = _take(job, dry_run=dry_run)
                if strict and report.quarantined:
                    raise _refusal(report)
                done += batch.rows
                record(job, report)
                sync_signal_units(con, job.profiles)
                again = take_waiting(con, zone, waiting, who, progress=tell)
                parts.append(replace(report, notes=report.notes + again))
            j.clear(con)
    except BaseException:
        j.clear(con)
        raise
    tell(label, total, total)
    return ImportReport.of(parts)


def _step(tell: Progress, label: str, before: int, rows: int, total: int) -> Callable[[float], None]:
    """Tell of a share of one table's rows as of rows of the whole file."""

    def step(share: float) -> None:
        tell(label, before + int(share * rows), total)

    return step


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
            taken = TAKE[batch.kind](job)
            problems = j.problem_frame(job)
            j.clear(con)
    except BaseException:
        j.clear(con)
        raise
    return taken, problems


def _take(job: Job, *, dry_run: bool) -> tuple[ImportReport, tuple[str, ...]]:
    j.begin(job)
    batch = job.batch
    taken = TAKE[batch.kind](job)
    problems = j.problem_frame(job)
    corrections = job.con.execute(_CORRECTIONS, [job.file_id]).df()
    settled = _settled(job, problems)
    problems = problems[~settled].reset_index(drop=True)
    notes = batch.table.notes + batch.notes + taken.notes
    if settled.any():
        notes += (f"rows that were fixed or dropped in quarantine before, and are left so: {settled.sum()}",)
    report = ImportReport(
        file=batch.table.name,
        sha256=batch.table.sha256,
        kind=batch.kind,
        rows=batch.rows,
        new=taken.new,
        same=taken.same + int(settled.sum()),
        corrected=taken.corrected,
        quarantined=len(problems),
        problems=problems,
        first=taken.first,
        last=taken.last,
        dry_run=dry_run,
        notes=notes,
        doubts=taken.doubts,
        sheet=batch.table.sheet,
        corrections=corrections,
    )
    return report, taken.waiting


def _settled(job: Job, problems: pd.DataFrame) -> pd.Series[bool]:
    """Say which rows were dealt with before: fixed or dropped in quarantine, word for word the same."""
    if problems.empty or not j.count(job.con, "SELECT count(*) FROM quarantine_done"):
        return pd.Series(False, index=problems.index)
    query = "SELECT DISTINCT q.raw FROM quarantine_done q JOIN files f USING (file_id) WHERE f.kind = ?"
    done = {raw for (raw,) in job.con.execute(query, [job.batch.kind]).fetchall()}
    return problems["raw"].isin(done)


def _profiles(con: duckdb.DuckDBPyConnection, batch: Batch, who: str) -> dict[str, Profile]:
    for profile in batch.profiles:
        add_profile(con, profile, who)
    return profiles_of(con)


def _job(
    con: duckdb.DuckDBPyConnection, batch: Batch, profiles: dict[str, Profile], zone: str, who: str
) -> Job:
    seen = [i for (i,) in con.execute(*same_file(batch, "SELECT file_id FROM files")).fetchall()]
    retaken = con.execute(
        "SELECT DISTINCT line FROM quarantine WHERE file_id IN (SELECT unnest(?::INTEGER[]))", [seen]
    ).fetchall()
    lines = tuple(line for (line,) in retaken)
    now, today = clock.now_utc(), clock.today(zone)
    return Job(con, batch, profiles, ZoneInfo(zone), today, now, who, next_file(con), bool(seen), lines)


def _refusal(report: ImportReport) -> QuarantinedRows:
    line, _, reason, _, _ = next(report.problems.itertuples(index=False))
    return QuarantinedRows(
        f"{report.quarantined} of {report.rows} rows cannot be right, the first on line {line}: {reason}",
        report.file,
        "correct the file, or import it without --strict; nothing was taken",
    )
