"""Rows that were set aside: judged anew when they may be right now, fixed by hand, or dropped."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from zoneinfo import ZoneInfo

import duckdb
import pandas as pd
import pyarrow as pa

from driftwatch.errors import UnknownName, UsageError
from driftwatch.intake.batch import Batch
from driftwatch.intake.columns import KINDS
from driftwatch.intake.tables import RawTable
from driftwatch.store import clock
from driftwatch.store import job as j
from driftwatch.store.job import Job
from driftwatch.store.owned import profiles_of
from driftwatch.store.record import FIXED, TAKE, TAKEN_AGAIN, next_file, record
from driftwatch.store.report import ImportReport

#: Rows with these codes may be right once the store knows more of their unit.
WAITING_CODES = (
    *("unknown_unit", "before_service", "deleted_unit", "profile_changed"),
    *("odometer_backwards", "odometer_too_fast", "units_swapped"),
)

_ROWS = """
SELECT q.quarantine_id, q.file_id, q.line, q.code, q.reason, q.raw, q.unit, f.name, f.sha256,
    f.mapping_sha256, f.kind, f.sheet, f.decimal_sign
FROM quarantine q JOIN files f USING (file_id)
"""


@dataclass(frozen=True)
class FixOutcome:
    """What became of rows in quarantine that were judged anew.

    Attributes
    ----------
    taken : tuple of int
        Numbers of the rows that were taken.
    left : tuple of (int, str)
        Numbers of the rows that still cannot be right, with the reason.

    """

    taken: tuple[int, ...]
    left: tuple[tuple[int, str], ...]


def take_waiting(
    con: duckdb.DuckDBPyConnection,
    zone: str,
    units: Sequence[str],
    who: str,
    progress: Callable[[str, int, int], None] | None = None,
) -> tuple[str, ...]:
    """Judge rows anew that waited for something to become known of their unit; give notes.

    What a later file said of the same cells stays: a row that waited is older. Runs in the transaction of
    the caller.
    """
    if not units or not j.count(con, "SELECT count(*) FROM quarantine"):
        return ()
    con.register("told", pa.table({"unit": pa.array(list(units), pa.string())}))
    codes = ", ".join(f"'{code}'" for code in WAITING_CODES)
    rows = con.execute(
        f"""{_ROWS} WHERE q.code IN ({codes}) AND q.unit IN (SELECT unit FROM told)
        ORDER BY q.file_id, q.line"""
    ).df()
    con.unregister("told")
    notes = []
    for _, group in rows.groupby("file_id", sort=True):
        if progress is not None:
            progress(f"looking again at {group['name'].iloc[0]}", 0, len(group))
        done, _ = _judge_anew(con, zone, group, {}, who, TAKEN_AGAIN)
        if done:
            notes.append(
                f"{len(done)} rows of {group['name'].iloc[0]} were in quarantine, and can be taken now"
            )
    return tuple(notes)


def fix(
    con: duckdb.DuckDBPyConnection, zone: str, numbers: Sequence[int], changes: Mapping[str, str], who: str
) -> FixOutcome:
    """Judge rows in quarantine anew, with some of their fields changed.

    A row that can be right now is taken, under its file and line, and what was changed is kept. Runs in the
    transaction of the caller.

    Parameters
    ----------
    con : connection
        To a store open for writing.
    zone : str
        The store's time zone.
    numbers : sequence of int
        Numbers of the rows, as `quarantine list` gives them.
    changes : mapping
        Column -> its new text; the rows' own column names, or the common ones.
    who : str
        Who changes them, for the audit trail.

    Raises
    ------
    UnknownName
        If there is no such row.
    UsageError
        If a column is none of a file of that kind.

    """
    rows = _chosen(con, numbers)
    taken: list[int] = []
    left: list[tuple[int, str]] = []
    for _, group in rows.groupby("file_id", sort=True):
        done, still = _judge_anew(con, zone, group, changes, who, FIXED)
        taken += done
        left += still
    return FixOutcome(tuple(sorted(taken)), tuple(sorted(left)))


def drop(con: duckdb.DuckDBPyConnection, numbers: Sequence[int], note: str, who: str) -> int:
    """Put rows out of quarantine for good, and keep what they were; give how many."""
    rows = _chosen(con, numbers)
    _log(con, rows["quarantine_id"].tolist(), "dropped", {}, note, who)
    return len(rows)


def _chosen(con: duckdb.DuckDBPyConnection, numbers: Sequence[int]) -> pd.DataFrame:
    con.register("told", pa.table({"quarantine_id": pa.array(list(dict.fromkeys(numbers)), pa.int64())}))
    rows = con.execute(f"{_ROWS} JOIN told USING (quarantine_id) ORDER BY q.file_id, q.line").df()
    con.unregister("told")
    missing = sorted(set(numbers) - set(rows["quarantine_id"]))
    if missing:
        raise UnknownName(
            f"there is no row {missing[0]} in quarantine", do="`driftwatch quarantine list` names them"
        )
    return rows


def _judge_anew(
    con: duckdb.DuckDBPyConnection,
    zone: str,
    rows: pd.DataFrame,
    changes: Mapping[str, str],
    who: str,
    way: str,
) -> tuple[list[int], list[tuple[int, str]]]:
    """Judge rows of one file; give the numbers of those taken, and of the others with their reason."""
    batch = _batch(rows, changes)
    by_hand = way == FIXED
    job = Job(
        con, batch, profiles_of(con), ZoneInfo(zone), clock.today(zone), clock.now_utc(), who,
        next_file(con), seen_before=not by_hand,
    )  # fmt: skip
    j.begin(job)
    taken = TAKE[batch.kind](job)
    found = con.execute("SELECT row, code, reason FROM problems").fetchall()
    numbers = [int(number) for number in rows["quarantine_id"]]
    still = {numbers[row]: (code, reason) for row, code, reason in found}
    done = [number for number in numbers if number not in still]
    if not changes:
        _renew_reasons(con, still)
    if done:
        count = len(done)
        report = ImportReport(
            batch.table.name, batch.table.sha256, batch.kind, count, taken.new, taken.same, taken.corrected,
            0, pd.DataFrame(columns=["line", "code", "raw"]), taken.first, taken.last,
        )  # fmt: skip
        record(job, report, way)
        if by_hand:
            _log(con, done, "fixed", changes, "", who)
        else:
            _remove(con, done)
    return done, [(number, reason) for number, (_, reason) in still.items()]


def _batch(rows: pd.DataFrame, changes: Mapping[str, str]) -> Batch:
    """Make rows in quarantine into a batch again, with the changes in it."""
    first = rows.iloc[0]
    kind = KINDS[str(first["kind"])]
    contents = [json.loads(raw) for raw in rows["raw"]]
    names = list(dict.fromkeys(name for content in contents for name in content))
    folded = {name.casefold(): name for name in names}
    columns = {name: folded[name.casefold()] for name in kind.all_columns if name.casefold() in folded}
    for name, text in changes.items():
        own = folded.get(name.casefold(), name)
        if own not in names:
            if name not in kind.all_columns:
                raise UsageError(
                    f"{kind.a_file} has no column {name!r}",
                    do=f"there are {', '.join(kind.all_columns)}",
                )
            names.append(own)
            columns[name] = own
        for content in contents:
            content[own] = text
    data = pa.table(
        {
            name: pa.chunked_array(
                [pa.array([str(content.get(name, "")) for content in contents], pa.string())]
            )
            for name in names
        }
    )
    table = RawTable(
        str(first["name"]), str(first["sha256"]), tuple(names), data,
        pa.array(rows["line"].tolist(), pa.int64()), sheet=str(first["sheet"]),
    )  # fmt: skip
    return Batch(kind.name, table, columns, str(first["mapping_sha256"]), (), str(first["decimal_sign"]))


def _renew_reasons(con: duckdb.DuckDBPyConnection, still: Mapping[int, tuple[str, str]]) -> None:
    """Say anew why rows are in quarantine, where they were judged as they are."""
    for number, (code, reason) in still.items():
        con.execute(
            "UPDATE quarantine SET code = ?, reason = ? WHERE quarantine_id = ?", [code, reason, number]
        )


def _log(
    con: duckdb.DuckDBPyConnection,
    numbers: Sequence[int],
    what: str,
    changes: Mapping[str, str],
    note: str,
    who: str,
) -> None:
    con.register("told", pa.table({"quarantine_id": pa.array(numbers, pa.int64())}))
    con.execute(
        """INSERT INTO quarantine_done BY NAME
        SELECT q.quarantine_id, q.file_id, q.line, q.code, q.reason, q.raw, q.unit, ? AS what, ? AS changes,
            ? AS note, ? AS done_at_utc, ? AS done_by
        FROM quarantine q JOIN told USING (quarantine_id) ORDER BY 1""",
        [what, json.dumps(dict(changes), ensure_ascii=False), note, clock.now_utc(), who],
    )
    con.unregister("told")
    _remove(con, numbers)


def _remove(con: duckdb.DuckDBPyConnection, numbers: Sequence[int]) -> None:
    con.register("told", pa.table({"quarantine_id": pa.array(numbers, pa.int64())}))
    con.execute("DELETE FROM quarantine WHERE quarantine_id IN (SELECT quarantine_id FROM told)")
    con.unregister("told")
