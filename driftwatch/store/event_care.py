"""Entries of the log by hand: added, corrected, or retracted. What they were stays on record."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from zoneinfo import ZoneInfo

import duckdb
import pyarrow as pa

from driftwatch.errors import UnknownName, UsageError
from driftwatch.intake.batch import Batch
from driftwatch.intake.columns import EVENT_KINDS, EVENTS
from driftwatch.intake.rules import EVENT_RULES
from driftwatch.intake.tables import RawTable
from driftwatch.store import clock
from driftwatch.store import job as j
from driftwatch.store.importing import take_by_hand
from driftwatch.store.job import Job
from driftwatch.store.owned import profiles_of
from driftwatch.store.take_events import BY_NOTE, check_events

#: What can be corrected of an entry.
CORRECTABLE = ("happened_at", "kind", "amount", "amount_unit", "note")

_MEASURES = "give power in N.m, lb.ft or %, and load in kg, lb or %"
#: What to do about an entry typed by hand that cannot be right, by the code of the rule that it breaks.
_TO_DO = {
    "time_missing": "give its day, as 2026-03-14",
    "not_a_time": "write it as 2026-03-14 or 2026-03-14T09:20+01:00",
    "in_the_future": "give a day that has been",
    "too_early": "give its right day",
    "kind_missing": f"give {', '.join(EVENT_KINDS)}",
    "unknown_kind": "give one of these",
    "amount_not_a_number": "write it with a decimal point, as 12.5",
    "unknown_measure": _MEASURES,
    "measure_misfit": _MEASURES,
}

_AUDIT = "INSERT INTO audit VALUES (?, ?, 'event', ?, ?, '', '', '', ?, ?, ?, ?, ?, ?, NULL, NULL)"
_ENTRY = """SELECT unit, happened_at_local, kind, amount, amount_unit, amount_entered, amount_unit_entered,
    note, file_id, line FROM events WHERE event_id = ?"""
_COLUMNS = (
    "unit",
    "at",
    "kind",
    "amount",
    "measure",
    "entered",
    "measure_entered",
    "note",
    "file_id",
    "line",
)


def add_event(con: duckdb.DuckDBPyConnection, zone: str, entry: Mapping[str, str], who: str) -> str:
    """Log one event by hand and give its id; the same one again gives the same id.

    `entry` has the columns of an events file, as texts. `UsageError` if kind, time or amount cannot be right.
    """
    taken, problems = take_by_hand(con, _batch(entry), zone, who)
    if len(problems):
        raise slip(f"event of {entry['unit']}", *problems[["code", "reason"]].iloc[0])
    return taken.event_ids[0]


def correct_event(
    con: duckdb.DuckDBPyConnection, zone: str, event_id: str, changes: Mapping[str, str], who: str
) -> bool:
    """Change an entry of the log, and keep what it was; runs in the transaction of the caller.

    Parameters
    ----------
    con : connection
        To a store open for writing.
    zone : str
        The store's time zone.
    event_id : str
        The entry.
    changes : mapping
        Of `CORRECTABLE`: its new text; "" takes an amount or note away.
    who : str
        Who changes it, for the audit trail.

    Returns
    -------
    bool
        False if it was so already.

    Raises
    ------
    UnknownName
        If there is no such entry.
    UsageError
        If a field is none of an entry, or the entry could not be right.

    """
    for name in changes:
        if name not in CORRECTABLE:
            raise UsageError(f"{name!r} cannot be corrected", do=f"give {', '.join(CORRECTABLE)}")
    old = _entry(con, event_id)
    new = _judged(con, zone, event_id, old, changes, who)
    changed = [
        (field, _told(old, field), _told(new, field))
        for field in ("happened_at", "kind", "amount", "note")
        if _told(old, field) != _told(new, field)
    ]
    if not changed:
        return False
    _refuse_twin(con, event_id, new)
    now = clock.now_utc()
    if {field for field, _, _ in changed} & {"happened_at", "kind", "note"}:
        _keep(con, event_id, "corrected", "", now, who)
    for field, was, became in changed:
        about = [old["unit"], old["at"], event_id, field, was, became, old["file_id"], old["line"]]
        con.execute(_AUDIT, [now, who, *about])
    con.execute(
        """UPDATE events SET happened_at_local = ?, kind = ?, amount = ?, amount_unit = ?, amount_entered = ?,
            amount_unit_entered = ?, note = ?, file_id = NULL, line = NULL WHERE event_id = ?""",
        [*(new[name] for name in _COLUMNS[1:8]), event_id],
    )
    return True


def slip(where: str, code: str, reason: str) -> UsageError:
    """Give the error for an entry typed by hand that breaks a rule."""
    return UsageError(reason, where, _TO_DO.get(code, ""))


def retract_event(con: duckdb.DuckDBPyConnection, event_id: str, reason: str, who: str) -> None:
    """Take an entry out of the log, and keep what it was; runs in the transaction of the caller.

    The same row in a later file does not bring it back. `UnknownName` if there is no such entry, `UsageError`
    without a reason.
    """
    if not reason.strip():
        raise UsageError("an entry is not retracted without a reason", f"entry {event_id}", "say why")
    old, now = _entry(con, event_id), clock.now_utc()
    was = " ".join(
        part for part in (_told(old, n) for n in ("happened_at", "kind", "amount", "note")) if part
    )
    about = [old["unit"], old["at"], event_id, "retracted", was, reason.strip(), old["file_id"], old["line"]]
    con.execute(_AUDIT, [now, who, *about])
    _keep(con, event_id, "retracted", reason.strip(), now, who)
    con.execute("DELETE FROM events WHERE event_id = ?", [event_id])


def _entry(con: duckdb.DuckDBPyConnection, event_id: str) -> dict[str, object]:
    rows = con.execute(_ENTRY, [event_id]).fetchall()
    if not rows:
        raise UnknownName(
            f"there is no entry {event_id!r} in the log", do="`driftwatch event list` names them"
        )
    return dict(zip(_COLUMNS, rows[0], strict=True))


def _judged(
    con: duckdb.DuckDBPyConnection,
    zone: str,
    event_id: str,
    old: Mapping[str, object],
    changes: Mapping[str, str],
    who: str,
) -> dict[str, object]:
    """Hold the entry with its changes against the rules for events; give it as it would be kept."""
    entered = "" if old["entered"] is None else repr(old["entered"])
    told = {
        "unit": str(old["unit"]),
        "happened_at": str(old["at"]),
        "kind": str(old["kind"]),
        "amount": entered,
        "amount_unit": str(old["measure_entered"]),
        "note": str(old["note"]),
        **{name: text.strip() for name, text in changes.items()},
    }
    batch = _batch(told)
    now, today = clock.now_utc(), clock.today(zone)
    job = Job(con, batch, profiles_of(con), ZoneInfo(zone), today, now, who, None)
    try:
        j.begin(job)
        check_events(job)
        j.note_problems(job, EVENT_RULES)
        problems = con.execute("SELECT code, reason FROM problems").fetchall()
        if problems:
            raise slip(f"entry {event_id}", *problems[0])
        row = con.execute(
            """SELECT unit, at_time, kind_l, amount_stored, if(amount_number IS NULL, '', kept_unit),
                amount_number, if(amount_number IS NULL, '', amount_unit), note FROM checked"""
        ).fetchall()[0]
    finally:
        j.clear(con)
    return dict(zip(_COLUMNS[:8], row, strict=True))


def _batch(entry: Mapping[str, str]) -> Batch:
    """Make a batch of one entry, as a file of it would be."""
    columns = EVENTS.all_columns
    data = pa.table([pa.array([entry.get(name, "")]) for name in columns], names=list(columns))
    table = RawTable("by hand", "", columns, data, pa.array([None], pa.int64()))
    return Batch("events", table, {name: name for name in columns})


def _refuse_twin(con: duckdb.DuckDBPyConnection, event_id: str, new: Mapping[str, object]) -> None:
    """Refuse an entry that the log has already under another id."""
    twins = con.execute(
        f"""SELECT event_id FROM events WHERE event_id <> ? AND unit = ?
            AND happened_at_local = ? AND kind = ? AND (kind NOT IN {BY_NOTE} OR note = ?)""",
        [event_id, new["unit"], new["at"], new["kind"], new["note"]],
    ).fetchall()
    if twins:
        raise UsageError(
            f"that would be the same as entry {twins[0][0]}", f"entry {event_id}", "retract one of the two"
        )


def _keep(
    con: duckdb.DuckDBPyConnection, event_id: str, what: str, reason: str, now: datetime, who: str
) -> None:
    con.execute(
        "INSERT INTO events_done SELECT *, ?, ?, ?, ? FROM events WHERE event_id = ?",
        [what, reason, now, who, event_id],
    )


def _told(entry: Mapping[str, object], field: str) -> str:
    """Give one field as the audit trail has it."""
    if field == "happened_at":
        return str(entry["at"])
    if field == "amount":
        return "" if entry["amount"] is None else f"{entry['amount']} {entry['measure']}".strip()
    return str(entry[field])
