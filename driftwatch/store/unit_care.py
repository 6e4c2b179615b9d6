"""What is done to a unit as a whole: its data deleted on demand, its history told."""

from __future__ import annotations

from dataclasses import dataclass

import duckdb

from driftwatch.errors import UsageError
from driftwatch.store import clock
from driftwatch.store.job import count

_HISTORY = """
WITH arrivals AS (
    SELECT r.file_id, count(*) AS readings, count(DISTINCT r.snapshot_id) AS snapshots,
        min(s.taken_at_local) AS first, max(s.taken_at_local) AS last
    FROM readings r JOIN snapshots s USING (snapshot_id) WHERE s.unit = $unit GROUP BY ALL
), logged AS (
    -- An entry as it was logged: what its first correction replaced, and from which file that was.
    SELECT event_id, arg_min_null(old_file_id, changed_at_utc) AS file_id,
        arg_min_null(old_line, changed_at_utc) AS line,
        arg_min(old_value, changed_at_utc) FILTER (field = 'happened_at') AS at,
        arg_min(old_value, changed_at_utc) FILTER (field = 'kind') AS kind,
        arg_min(old_value, changed_at_utc) FILTER (field = 'note') AS note
    FROM audit WHERE what = 'event' AND unit = $unit GROUP BY event_id
)
SELECT f.imported_at_utc AS at_utc, f.imported_by AS who, f.way AS what, f.name AS file, NULL AS line,
    printf('%d readings in %d snapshots, %s to %s', a.readings, a.snapshots,
        CAST(CAST(a.first AS DATE) AS VARCHAR), CAST(CAST(a.last AS DATE) AS VARCHAR)) AS about,
    NULL AS field, NULL AS old_value, NULL AS new_value, NULL AS old_file, NULL AS old_line
FROM arrivals a JOIN files f USING (file_id)
UNION ALL
SELECT a.changed_at_utc, a.changed_by,
    a.what || if(a.field = 'retracted', ' retracted', ' corrected'), n.name, a.new_line,
    trim(concat_ws(' ', CAST(a.at_local AS VARCHAR), a.event_id, a.mode, a.channel, a.signal)),
    a.field, a.old_value, a.new_value, o.name, a.old_line
FROM audit a
LEFT JOIN files o ON o.file_id = a.old_file_id
LEFT JOIN files n ON n.file_id = a.new_file_id
WHERE a.unit = $unit
UNION ALL
SELECT e.logged_at_utc, e.logged_by, 'event logged', f.name, if(c.event_id IS NULL, e.line, c.line),
    concat_ws(' ', coalesce(c.at, CAST(e.happened_at_local AS VARCHAR)), e.event_id, coalesce(c.kind, e.kind),
        coalesce(c.note, e.note)),
    NULL, NULL, NULL, NULL, NULL
FROM (FROM events UNION ALL
    SELECT * EXCLUDE (what, reason, done_at_utc, done_by) FROM events_done WHERE what = 'retracted') e
LEFT JOIN logged c USING (event_id)
LEFT JOIN files f ON f.file_id = if(c.event_id IS NULL, e.file_id, c.file_id) WHERE e.unit = $unit
UNION ALL
SELECT f.imported_at_utc, f.imported_by, 'in quarantine', f.name, q.line, q.reason, q.code,
    NULL, NULL, NULL, NULL
FROM quarantine q JOIN files f USING (file_id) WHERE q.unit = $unit
UNION ALL
SELECT d.done_at_utc, d.done_by, 'quarantine: ' || d.what, f.name, d.line,
    concat_ws(' ', d.reason, d.note), d.code, d.raw, nullif(d.changes, '{}'), NULL, NULL
FROM quarantine_done d LEFT JOIN files f USING (file_id) WHERE d.unit = $unit
UNION ALL
SELECT entered_at_utc, entered_by, 'odometer replaced', NULL, NULL, CAST(changed_at_local AS VARCHAR),
    'odometer_km', CAST(was_km AS VARCHAR), CAST(reads_km AS VARCHAR), NULL, NULL
FROM (FROM odometer_changes UNION ALL
    SELECT * EXCLUDE (what, reason, done_at_utc, done_by) FROM odometer_changes_done)
WHERE unit = $unit
UNION ALL
SELECT done_at_utc, done_by, 'replaced odometer ' || what, NULL, NULL,
    trim(concat_ws(' ', CAST(changed_at_local AS VARCHAR), reason)),
    'odometer_km', CAST(was_km AS VARCHAR), CAST(reads_km AS VARCHAR), NULL, NULL
FROM odometer_changes_done WHERE unit = $unit
UNION ALL
SELECT deleted_at_utc, deleted_by, 'unit deleted', NULL, NULL, reason, NULL,
    printf('%d snapshots, %d readings, %d events', snapshots, readings, events), NULL, NULL, NULL
FROM deleted_units WHERE unit = $unit
UNION ALL
SELECT readmitted_at_utc, readmitted_by, 'unit readmitted', NULL, NULL, '', NULL, NULL, NULL, NULL, NULL
FROM deleted_units WHERE unit = $unit AND readmitted_at_utc IS NOT NULL
ORDER BY ALL
"""


@dataclass(frozen=True)
class Deleted:
    """What was deleted of a unit.

    Attributes
    ----------
    unit : str
    snapshots, readings, events, quarantined : int
        Rows that are gone.

    """

    unit: str
    snapshots: int
    readings: int
    events: int
    quarantined: int


def history(con: duckdb.DuckDBPyConnection, unit: str) -> duckdb.DuckDBPyConnection:
    """Ask for all that the store knows of how a unit's data came to be, oldest first."""
    return con.execute(_HISTORY, {"unit": unit})


def delete_unit(con: duckdb.DuckDBPyConnection, unit: str, reason: str, who: str) -> Deleted:
    """Delete all data of a unit, and log that it was done; runs in the transaction of the caller.

    Its readings, snapshots, log, fields, corrections and rows in quarantine go; files and counts stay.
    """
    told = Deleted(
        unit,
        count(con, "SELECT count(*) FROM snapshots WHERE unit = ?", [unit]),
        count(con, "SELECT count(*) FROM readings JOIN snapshots USING (snapshot_id) WHERE unit = ?", [unit]),
        count(con, "SELECT count(*) FROM events WHERE unit = ?", [unit]),
        count(con, "SELECT count(*) FROM quarantine WHERE unit = ?", [unit]),
    )
    con.execute(
        "DELETE FROM readings WHERE snapshot_id IN (SELECT snapshot_id FROM snapshots WHERE unit = ?)", [unit]
    )
    for table in (
        *("snapshots", "events", "events_done", "unit_fields", "units", "audit"),
        *("quarantine", "quarantine_done", "odometer_changes", "odometer_changes_done"),
    ):
        con.execute(f"DELETE FROM {table} WHERE unit = ?", [unit])
    con.execute(
        "INSERT INTO deleted_units VALUES (?, ?, ?, ?, ?, ?, ?, ?, NULL, NULL)",
        [unit, reason, told.snapshots, told.readings, told.events, told.quarantined, clock.now_utc(), who],
    )
    return told


def readmit_unit(con: duckdb.DuckDBPyConnection, unit: str, who: str) -> None:
    """Let a unit whose data were deleted come in again; `UsageError` if none was."""
    if not count(
        con, "SELECT count(*) FROM deleted_units WHERE unit = ? AND readmitted_at_utc IS NULL", [unit]
    ):
        raise UsageError(f"the data of unit {unit!r} were not deleted", do="import its files")
    con.execute(
        """UPDATE deleted_units SET readmitted_at_utc = ?, readmitted_by = ?
        WHERE unit = ? AND readmitted_at_utc IS NULL""",
        [clock.now_utc(), who, unit],
    )
