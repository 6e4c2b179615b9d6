"""The store as it was known at an earlier moment: later files left out, later corrections taken back."""

from __future__ import annotations

from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import duckdb

from driftwatch.errors import UsageError
from driftwatch.store import clock
from driftwatch.store.engine import own_name

#: Temporary views of this connection, each under the name of the table that it stands for. In them, {db} is
#: the store, and {then} the moment. A fact was known when the file that first stated it was in: the oldest
#: audit entry names that one. Its value was what the first later correction replaced.
_VIEWS = {
    "files": "SELECT * FROM {db}.files WHERE imported_at_utc <= {then}",
    "readings": """
        SELECT r.snapshot_id, r.cell_id, if(p.hit_value, p.value, r.value) AS value,
            if(p.hit_value, p.value, r.value_entered) AS value_entered,
            if(p.hit_value, '', r.unit_entered) AS unit_entered,
            if(p.hit_learn, p.learn, r.learn_count) AS learn_count,
            if(p.hit_source, coalesce(p.source, ''), r.source) AS source,
            coalesce(p.file_then, r.file_id) AS file_id, r.line
        FROM {db}.readings r LEFT JOIN past_readings p USING (snapshot_id, cell_id)
        LEFT JOIN {db}.files f ON f.file_id = coalesce(p.first_file, r.file_id)
        WHERE f.imported_at_utc <= {then}""",
    "snapshots": """
        SELECT s.snapshot_id, s.unit, s.taken_at_local,
            if(p.hit_odometer, p.odometer, s.odometer_km) AS odometer_km,
            if(p.hit_odometer, p.odometer, s.odometer_entered) AS odometer_entered,
            if(p.hit_odometer, 'km', s.odometer_unit_entered) AS odometer_unit_entered,
            if(p.hit_temp, p.temp, s.fluid_temp_c) AS fluid_temp_c,
            if(p.hit_temp, p.temp, s.fluid_temp_entered) AS fluid_temp_entered,
            if(p.hit_temp, if(p.temp IS NULL, '', 'degC'), s.fluid_temp_unit_entered)
                AS fluid_temp_unit_entered,
            coalesce(p.file_then, s.file_id) AS file_id, s.line
        FROM {db}.snapshots s LEFT JOIN past_snapshots p USING (snapshot_id)
        LEFT JOIN {db}.files f ON f.file_id = coalesce(p.first_file, s.file_id)
        WHERE f.imported_at_utc <= {then}""",
    "units": """
        SELECT u.unit, if(p.hit_profile, p.profile, u.profile) AS profile,
            if(p.hit_service, TRY_CAST(nullif(p.service, '') AS DATE), u.in_service_on) AS in_service_on,
            if(p.hit_site, coalesce(p.site, ''), u.site) AS site,
            if(p.hit_note, coalesce(p.note, ''), u.note) AS note,
            coalesce(p.file_then, u.file_id) AS file_id, u.line
        FROM {db}.units u LEFT JOIN past_units p USING (unit)
        LEFT JOIN {db}.files f ON f.file_id = coalesce(p.first_file, u.file_id)
        WHERE f.imported_at_utc <= {then}""",
    "unit_fields": """
        SELECT x.unit, x.name, coalesce(p.old_value, x.value) AS value, x.file_id, x.line
        FROM {db}.unit_fields x
        LEFT JOIN (
            SELECT unit, field AS name, arg_min_null(old_value, changed_at_utc) AS old_value
            FROM {db}.audit WHERE what = 'unit' AND changed_at_utc > {then} GROUP BY ALL
        ) p USING (unit, name)
        LEFT JOIN {db}.files f ON f.file_id = x.file_id
        WHERE x.unit IN (SELECT unit FROM units)
            AND (p.old_value IS NOT NULL OR f.imported_at_utc <= {then})""",
    "events": """
        SELECT e.event_id, e.unit,
            if(p.hit_at, TRY_CAST(p.at AS TIMESTAMP), e.happened_at_local) AS happened_at_local,
            if(p.hit_kind, p.kind, e.kind) AS kind,
            if(p.hit_amount, TRY_CAST(split_part(p.amount, ' ', 1) AS DOUBLE), e.amount) AS amount,
            if(p.hit_amount, coalesce(split_part(p.amount, ' ', 2), ''), e.amount_unit) AS amount_unit,
            if(p.hit_amount, TRY_CAST(split_part(p.amount, ' ', 1) AS DOUBLE), e.amount_entered)
                AS amount_entered,
            if(p.hit_amount, coalesce(split_part(p.amount, ' ', 2), ''), e.amount_unit_entered)
                AS amount_unit_entered,
            if(p.hit_note, coalesce(p.note, ''), e.note) AS note,
            e.logged_at_utc, e.logged_by, if(p.hit, p.file_id, e.file_id) AS file_id,
            if(p.hit, p.line, e.line) AS line
        FROM (
            FROM {db}.events UNION ALL
            SELECT * EXCLUDE (what, reason, done_at_utc, done_by) FROM {db}.events_done
            WHERE what = 'retracted' AND done_at_utc > {then}
        ) e
        LEFT JOIN (
            SELECT event_id, true AS hit, arg_min_null(old_file_id, changed_at_utc) AS file_id,
                arg_min_null(old_line, changed_at_utc) AS line,
                bool_or(field = 'happened_at') AS hit_at,
                arg_min_null(old_value, changed_at_utc) FILTER (field = 'happened_at') AS at,
                bool_or(field = 'kind') AS hit_kind,
                arg_min_null(old_value, changed_at_utc) FILTER (field = 'kind') AS kind,
                bool_or(field = 'amount') AS hit_amount,
                arg_min_null(old_value, changed_at_utc) FILTER (field = 'amount') AS amount,
                bool_or(field = 'note') AS hit_note,
                arg_min_null(old_value, changed_at_utc) FILTER (field = 'note') AS note
            FROM {db}.audit WHERE what = 'event' AND changed_at_utc > {then} GROUP BY ALL
        ) p USING (event_id)
        WHERE e.logged_at_utc <= {then}""",
    "events_done": "SELECT * FROM {db}.events_done WHERE done_at_utc <= {then}",
    "settings": """
        WITH undone AS (
            SELECT field AS name, arg_min_null(old_value, changed_at_utc) AS value
            FROM {db}.audit WHERE what = 'setting' AND changed_at_utc > {then} GROUP BY ALL
        )
        SELECT name, coalesce(u.value, s.value) AS value, s.changed_at_utc, s.changed_by
        FROM {db}.settings s LEFT JOIN undone u USING (name)""",
    "profiles": """
        WITH undone AS (
            SELECT field AS name, arg_min_null(old_value, changed_at_utc) AS toml
            FROM {db}.audit WHERE what = 'profile' AND changed_at_utc > {then} GROUP BY ALL
        )
        SELECT name, coalesce(u.toml, p.toml) AS toml, p.added_at_utc, p.added_by
        FROM {db}.profiles p LEFT JOIN undone u USING (name)
        WHERE u.toml IS NOT NULL OR p.added_at_utc <= {then}""",
    "audit": "SELECT * FROM {db}.audit WHERE changed_at_utc <= {then}",
    "quarantine": "SELECT * FROM {db}.quarantine WHERE file_id IN (SELECT file_id FROM files)",
    "odometer_changes": """
        SELECT * FROM (
            FROM {db}.odometer_changes UNION ALL
            SELECT * EXCLUDE (what, reason, done_at_utc, done_by) FROM {db}.odometer_changes_done
            WHERE done_at_utc > {then}
        ) WHERE entered_at_utc <= {then}""",
    "odometer_changes_done": "SELECT * FROM {db}.odometer_changes_done WHERE done_at_utc <= {then}",
}

#: Temporary table -> where its audit entries are joined, and the fields that are taken back: name in the
#: view, field of the audit, type.
_UNDONE: dict[str, tuple[str, tuple[tuple[str, str, str], ...]]] = {
    "past_readings": (
        """s.snapshot_id, c.cell_id {rest}
        FROM {db}.audit a
        JOIN {db}.snapshots s ON s.unit = a.unit AND s.taken_at_local = a.at_local
        JOIN {db}.cells c ON c.mode = a.mode AND c.channel = a.channel AND c.signal = a.signal
        WHERE a.what = 'reading' GROUP BY ALL""",
        (
            ("value", "value", "DOUBLE"),
            ("learn", "learn_count", "DOUBLE"),
            ("source", "source", "VARCHAR"),
        ),
    ),
    "past_snapshots": (
        """s.snapshot_id {rest}
        FROM {db}.audit a JOIN {db}.snapshots s ON s.unit = a.unit AND s.taken_at_local = a.at_local
        WHERE a.what = 'snapshot' GROUP BY ALL""",
        (("odometer", "odometer_km", "DOUBLE"), ("temp", "fluid_temp_c", "DOUBLE")),
    ),
    "past_units": (
        """a.unit {rest}
        FROM {db}.audit a WHERE a.what = 'unit' AND field IN ('profile', 'in_service_on', 'site', 'note')
        GROUP BY ALL""",
        (
            ("profile", "profile", "VARCHAR"),
            ("service", "in_service_on", "VARCHAR"),
            ("site", "site", "VARCHAR"),
            ("note", "note", "VARCHAR"),
        ),
    ),
}


def _taken_back(name: str, field: str, kind: str, later: str) -> str:
    """SQL: whether a field was corrected later, and what the first of those corrections replaced."""
    was = f"arg_min_null(old_value, changed_at_utc) FILTER (field = '{field}' AND {later})"
    return (
        f", coalesce(bool_or(field = '{field}') FILTER ({later}), false) AS hit_{name}"
        f", TRY_CAST({was} AS {kind}) AS {name}"
    )


def moment_utc(known_at: date | datetime, zone: str) -> datetime:
    """Give a moment in UTC, without offset; a day stands for its end, in the store's zone.

    `UsageError` for a day still to come: what will be known then is not known.
    """
    here = ZoneInfo(zone)
    begin = known_at if isinstance(known_at, datetime) else datetime.combine(known_at, time())
    if begin.tzinfo is None:
        begin = begin.replace(tzinfo=here)
    if begin > clock.now_utc().replace(tzinfo=ZoneInfo("UTC")):
        raise UsageError(f"{known_at} is in the future", "known at", "give a day or time that has been")
    until = begin if isinstance(known_at, datetime) else begin + timedelta(days=1, microseconds=-1)
    return until.astimezone(ZoneInfo("UTC")).replace(tzinfo=None)


def show_past(con: duckdb.DuckDBPyConnection, then: datetime) -> None:
    """Let every query of this connection see the store as it was known at a moment (UTC).

    Temporary views stand in front of the tables of the same name. Values that were replaced since are shown
    as they were stored; how they had been entered is no longer known. Deleted units stay deleted.
    """
    db, moment = f"{own_name(con)}.main", f"TIMESTAMP '{then.isoformat(sep=' ')}'"
    later = f"a.changed_at_utc > {moment}"
    origin = (
        ", arg_min(old_file_id, changed_at_utc) AS first_file"
        f", arg_min(old_file_id, changed_at_utc) FILTER ({later}) AS file_then"
    )
    for name, (query, fields) in _UNDONE.items():
        rest = origin + "".join(_taken_back(*field, later) for field in fields)
        con.execute(f"CREATE TEMP TABLE {name} AS SELECT {query.format(db=db, rest=rest)}")
    for name, query in _VIEWS.items():
        con.execute(f"CREATE TEMP VIEW {name} AS {query.format(db=db, then=moment)}")
