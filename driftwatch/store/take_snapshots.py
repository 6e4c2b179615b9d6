"""Snapshot rows into the store: judged, matched with what is known, counted, and written, all in SQL."""

from __future__ import annotations

from typing import Any

import pandas as pd
import pyarrow as pa

from driftwatch.intake.rules import (
    CELL_TWICE,
    ODOMETER_BACKWARDS,
    ODOMETER_CONFLICT,
    SNAPSHOT_RULES,
    TEMPERATURE_CONFLICT,
    Rule,
    physical_bounds,
)
from driftwatch.quantities import conversion, convertible, known_unit
from driftwatch.store import job as j
from driftwatch.store.job import SAME, Job, Taken
from driftwatch.store.odometer import backwards


def take_snapshots(job: Job) -> Taken:
    """Judge and take the rows of a snapshots file.

    Leaves the rows that cannot be right in the temporary table `problems`; every other row is counted as
    new, same or corrected. A blank temperature, learn count or source says nothing and replaces nothing.
    """
    _check_rows(job)
    _gather_snapshots(job)
    _check_snapshots(job)
    _drop_backwards(job)
    _match(job)
    taken = _count(job)
    _write(job)
    return taken


def _check_rows(job: Job) -> None:
    """Make `checked`: each row with its numbers, what its profile knows, and the first rule it breaks."""
    _register_lookups(job)
    j.register_times(job, "taken_at")
    comma = job.batch.table.decimal_comma
    mile, fahrenheit = conversion("mi", "km"), conversion("degF", "degC")
    job.con.execute(
        f"""
        CREATE TEMP TABLE checked AS
        WITH numbers AS (
            SELECT *, taken_at AS at_text,
                if(odometer_km <> '', odometer_km, odometer_mi) AS odometer_text,
                if(odometer_km <> '', 'km', 'mi') AS odometer_unit,
                {j.number("odometer_text", decimal_comma=comma)} AS odometer_number,
                odometer_number * if(odometer_unit = 'km', 1.0, {mile.factor!r}) AS odometer_stored,
                if(fluid_temp_c <> '', fluid_temp_c, fluid_temp_f) AS temp_text,
                CASE WHEN fluid_temp_c <> '' THEN 'degC' WHEN fluid_temp_f <> '' THEN 'degF' ELSE '' END
                    AS temp_unit,
                {j.number("temp_text", decimal_comma=comma)} AS temp_number,
                temp_number * if(temp_unit = 'degF', {fahrenheit.factor!r}, 1.0)
                    + if(temp_unit = 'degF', {fahrenheit.offset!r}, 0.0) AS temp_stored,
                {j.number("value", decimal_comma=comma)} AS value_number,
                {j.number("learn_count", decimal_comma=comma)} AS learn_number
            FROM incoming
        ), known AS (
            SELECT n.*, t.at_time, u.profile, s.known_signal, s.per_pack, s.low, s.high,
                c.known_channel, m.known_mode, coalesce(x.measure, 'unknown') AS measure,
                n.value_number * x.factor + x.shift AS value_stored, CAST(? AS DATE) AS today
            FROM numbers n
            LEFT JOIN times t USING (at_text)
            LEFT JOIN units u ON u.unit = n.unit
            LEFT JOIN signals s ON s.profile = u.profile AND s.signal_l = lower(n.signal)
            LEFT JOIN channels c
                ON c.profile = u.profile AND c.of_pack = s.per_pack AND c.channel_l = lower(n.channel)
            LEFT JOIN modes m ON m.profile = u.profile AND m.mode_l = lower(n.mode)
            LEFT JOIN measures x
                ON x.profile = u.profile AND x.signal_l = lower(n.signal) AND x.value_unit = n.value_unit
        )
        SELECT *, {j.first_rule(SNAPSHOT_RULES)} AS rule FROM known
        """,
        [job.today],
    )
    j.note_problems(job, SNAPSHOT_RULES)


def _register_lookups(job: Job) -> None:
    """Register what the profiles in use know: `signals`, `channels`, `modes`, `measures` (conversions)."""
    con = job.con
    in_use = [name for (name,) in con.execute("SELECT DISTINCT profile FROM units").fetchall()]
    profiles = [job.profiles[name] for name in in_use]
    texts = con.execute("SELECT DISTINCT value_unit FROM incoming").fetchall()
    units = [text for (text,) in texts if text and known_unit(text)]
    signals: list[tuple[Any, ...]] = []
    channels: list[tuple[Any, ...]] = []
    modes: list[tuple[Any, ...]] = []
    measures: list[tuple[Any, ...]] = []
    for profile in profiles:
        for signal in profile.signals:
            key = (profile.name, signal.name.lower())
            signals.append((*key, signal.name, signal.per_pack, *physical_bounds(signal.name, signal.unit)))
            measures.append((*key, "", "fits", 1.0, 0.0))
            for text in units:
                fits = convertible(text, signal.unit)
                factor, shift = conversion(text, signal.unit) if fits else (None, None)
                measures.append((*key, text, "fits" if fits else "misfit", factor, shift))
        channels += [(profile.name, True, c.id.lower(), c.id) for c in profile.clutches]
        channels += [(profile.name, False, s.id.lower(), s.id) for s in profile.shifts]
        modes += [(profile.name, mode.lower(), mode) for mode in profile.modes]
    text, real, truth = pa.string(), pa.float64(), pa.bool_()
    lookups: dict[str, tuple[list[tuple[Any, ...]], dict[str, Any]]] = {
        "signals": (
            signals,
            {
                "profile": text,
                "signal_l": text,
                "known_signal": text,
                "per_pack": truth,
                "low": real,
                "high": real,
            },
        ),
        "channels": (channels, {"profile": text, "of_pack": truth, "channel_l": text, "known_channel": text}),
        "modes": (modes, {"profile": text, "mode_l": text, "known_mode": text}),
        "measures": (
            measures,
            {
                "profile": text,
                "signal_l": text,
                "value_unit": text,
                "measure": text,
                "factor": real,
                "shift": real,
            },
        ),
    }
    for name, (rows, schema) in lookups.items():
        con.register(
            name,
            pa.Table.from_pylist([dict(zip(schema, row, strict=True)) for row in rows], pa.schema(schema)),
        )


def _gather_snapshots(job: Job) -> None:
    """Make `snaps` (snapshots named by good rows) and `good` (their rows, by numbers instead of texts)."""
    job.con.execute(
        """
        CREATE TEMP TABLE snaps AS
        SELECT unit, at_time, row_number() OVER (ORDER BY unit, at_time) AS snap
        FROM (SELECT DISTINCT unit, at_time FROM checked WHERE rule IS NULL)
        """
    )
    job.con.execute(
        """
        CREATE TEMP TABLE cell_lookup AS
        WITH named AS (
            SELECT DISTINCT if(per_pack, '', known_mode) AS mode, known_channel AS channel,
                known_signal AS signal
            FROM checked WHERE rule IS NULL
        )
        SELECT n.*, c.cell_id IS NULL AS fresh,
            coalesce(c.cell_id, (SELECT coalesce(max(cell_id), 0) FROM cells) + row_number() OVER (
                PARTITION BY c.cell_id IS NULL ORDER BY signal, channel, mode)) AS cell_id
        FROM named n LEFT JOIN cells c USING (mode, channel, signal)
        """
    )
    job.con.execute(
        """
        CREATE TEMP TABLE good AS
        SELECT k.row, k.line, s.snap, c.cell_id, k.value_stored, k.value_number, k.value_unit, k.learn_number,
            k.source, k.odometer_stored, k.odometer_number, k.odometer_unit, k.temp_stored, k.temp_number,
            k.temp_unit,
            ? OR k.line IN (SELECT line FROM allowed_lines) AS may_correct
        FROM checked k
        JOIN snaps s USING (unit, at_time)
        JOIN cell_lookup c
            ON c.mode = if(k.per_pack, '', k.known_mode) AND c.channel = k.known_channel
            AND c.signal = k.known_signal
        WHERE k.rule IS NULL
        """,
        [not job.seen_before],
    )


def _check_snapshots(job: Job) -> None:
    """Find rows that contradict other rows of the same snapshot or cell."""
    for column, rule in (("odometer_stored", ODOMETER_CONFLICT), ("temp_stored", TEMPERATURE_CONFLICT)):
        # The value that most rows of the snapshot give is taken as meant; with no majority, none is.
        _reject(
            job,
            f"""
            WITH votes AS (
                SELECT snap, {column} AS said, count(*) AS n FROM good WHERE {column} IS NOT NULL GROUP BY ALL
            ), split AS (
                SELECT snap, max(n) AS most FROM votes GROUP BY snap HAVING count(*) > 1
            ), meant AS (
                SELECT snap, if(count(*) = 1, min(said), NULL) AS said
                FROM votes JOIN split USING (snap) WHERE n = most GROUP BY snap
            )
            SELECT g.row FROM good g JOIN meant m USING (snap)
            WHERE g.{column} IS NOT NULL AND g.{column} IS DISTINCT FROM m.said
            """,
            rule,
        )
    # Cells that the file has more than once; whole groups are rejected or none, so the table stays right.
    job.con.execute(
        """
        CREATE TEMP TABLE repeats AS
        SELECT snap, cell_id, min(row) AS first_row, min(value_stored) AS lowest,
            max(value_stored) AS highest,
            min(learn_number) AS fewest, max(learn_number) AS most, max(source) AS source
        FROM good GROUP BY snap, cell_id HAVING count(*) > 1
        """
    )
    _reject(
        job,
        f"""
        SELECT g.row FROM good g JOIN repeats r USING (snap, cell_id)
        WHERE r.highest - r.lowest > {SAME} * greatest(abs(r.highest), abs(r.lowest)) OR r.most <> r.fewest
        """,
        CELL_TWICE,
    )


def _reject(job: Job, rows: str, rule: Rule) -> None:
    job.con.execute(
        f"INSERT INTO problems SELECT row, '{rule.code}', {rule.reason_sql()} FROM good WHERE row IN ({rows})"
    )
    job.con.execute("DELETE FROM good WHERE row IN (SELECT row FROM problems)")


def _drop_backwards(job: Job) -> None:
    """Find snapshots whose odometer runs backwards beside the file's others and the stored ones.

    A stored snapshot that the file restates counts as the file has it; if that is rejected, the stored one
    counts again, so the question is asked until nothing more is rejected.
    """
    while True:
        line = job.con.execute(
            """
            WITH told AS (
                SELECT snap, unit, at_time, any_value(odometer_stored) AS odometer_km,
                    bool_or(may_correct) AS counts
                FROM good JOIN snaps USING (snap) GROUP BY ALL
            ), fresh AS (
                SELECT t.* FROM told t
                LEFT JOIN snapshots s ON s.unit = t.unit AND s.taken_at_local = t.at_time
                WHERE s.unit IS NULL OR (t.counts AND t.odometer_km <> s.odometer_km)
            ), line AS (
                SELECT unit, at_time, odometer_km, true AS fresh, snap FROM fresh
                UNION ALL
                SELECT s.unit, s.taken_at_local, s.odometer_km, false, -1 FROM snapshots s
                WHERE s.unit IN (SELECT unit FROM fresh)
                    AND NOT EXISTS (FROM fresh f WHERE f.unit = s.unit AND f.at_time = s.taken_at_local)
            ), steps AS (
                SELECT unit, odometer_km - lag(odometer_km) OVER (PARTITION BY unit ORDER BY at_time) AS step
                FROM line
            )
            SELECT * FROM line WHERE unit IN (SELECT unit FROM steps WHERE step < 0) ORDER BY unit, at_time
            """
        ).df()
        found = backwards(line) if len(line) else {}
        if not found:
            return
        frame = pd.DataFrame({"snap": list(found), "reason": pd.Series(list(found.values()), dtype="str")})
        job.con.register("backwards", frame)
        job.con.execute(
            f"""INSERT INTO problems
            SELECT g.row, '{ODOMETER_BACKWARDS}', b.reason FROM good g JOIN backwards b USING (snap)"""
        )
        job.con.execute("DELETE FROM good WHERE snap IN (SELECT snap FROM backwards)")
        job.con.unregister("backwards")


def _match(job: Job) -> None:
    """Match good rows with what is stored: `facts` (one a snapshot) and `outcome` (one a row)."""
    job.con.execute(
        """
        CREATE TEMP TABLE facts AS
        WITH told AS (
            SELECT snap, arg_min(odometer_stored, row) AS odometer_km,
                arg_min(odometer_number, row) AS odometer_entered,
                arg_min(odometer_unit, row) AS odometer_unit, arg_min(temp_stored, row) AS temp_c,
                arg_min(temp_number, row) FILTER (temp_number IS NOT NULL) AS temp_entered,
                coalesce(arg_min(temp_unit, row) FILTER (temp_number IS NOT NULL), '') AS temp_unit,
                min(line) AS line, bool_or(may_correct) AS may_correct
            FROM good GROUP BY snap
        )
        SELECT t.*, n.unit, n.at_time, s.snapshot_id IS NULL AS fresh,
            coalesce(s.snapshot_id, (SELECT coalesce(max(snapshot_id), 0) FROM snapshots)
                + row_number() OVER (
                PARTITION BY s.snapshot_id IS NULL ORDER BY n.unit, n.at_time)) AS snapshot_id,
            coalesce(t.may_correct AND s.odometer_km <> t.odometer_km, false) AS new_odometer,
            coalesce(t.may_correct AND s.snapshot_id IS NOT NULL AND t.temp_c IS NOT NULL
                AND t.temp_c IS DISTINCT FROM s.fluid_temp_c, false) AS new_temp,
            s.odometer_km AS old_odometer, s.fluid_temp_c AS old_temp, s.file_id AS old_file,
            s.line AS old_line
        FROM told t JOIN snaps n USING (snap)
        LEFT JOIN snapshots s ON s.unit = n.unit AND s.taken_at_local = n.at_time
        """
    )
    job.con.execute(
        f"""
        CREATE TEMP TABLE outcome AS
        WITH one AS (
            SELECT g.row, g.line, f.snapshot_id, g.cell_id, g.value_stored AS value,
                g.value_number AS value_entered,
                g.value_unit AS unit_entered, g.may_correct, f.new_odometer OR f.new_temp AS snapshot_changed,
                coalesce(m.most, g.learn_number) AS learn_count, coalesce(m.source, g.source) AS source,
                m.first_row IS NOT NULL AND m.first_row <> g.row AS again
            FROM good g JOIN facts f USING (snap) LEFT JOIN repeats m USING (snap, cell_id)
        ), known AS (
            SELECT o.*, r.value AS old_value, r.learn_count AS old_learn, r.source AS old_source,
                r.file_id AS old_file, r.line AS old_line, r.snapshot_id IS NULL AS fresh,
                abs(r.value - o.value) > {SAME} * greatest(abs(r.value), abs(o.value)) AS differs_value,
                o.learn_count IS NOT NULL AND o.learn_count IS DISTINCT FROM r.learn_count AS differs_learn,
                o.source <> '' AND o.source <> r.source AS differs_source
            FROM one o LEFT JOIN readings r USING (snapshot_id, cell_id)
        )
        SELECT *, CASE
            WHEN again THEN 'same'
            WHEN fresh THEN 'new'
            WHEN differs_value OR differs_learn OR differs_source THEN if(may_correct, 'corrected', 'left')
            WHEN snapshot_changed AND may_correct THEN 'snapshot'
            ELSE 'same' END AS became
        FROM known
        """
    )


def _count(job: Job) -> Taken:
    became = dict(job.con.execute("SELECT became, count(*) FROM outcome GROUP BY became").fetchall())
    row = job.con.execute("SELECT min(at_time), max(at_time) FROM facts").fetchone()
    left = became.get("left", 0)
    notes = (f"corrected since this file was first taken, and left so: {left}",) if left else ()
    return Taken(
        new=became.get("new", 0),
        same=became.get("same", 0) + left,
        corrected=became.get("corrected", 0) + became.get("snapshot", 0),
        first=row[0] if row else None,
        last=row[1] if row else None,
        notes=notes,
    )


def _write(job: Job) -> None:
    con, who = job.con, [job.now, job.who]
    con.execute("INSERT INTO cells SELECT cell_id, mode, channel, signal FROM cell_lookup WHERE fresh")
    for field, flag, old, new in (
        ("odometer_km", "new_odometer", "old_odometer", "odometer_km"),
        ("fluid_temp_c", "new_temp", "old_temp", "temp_c"),
    ):
        con.execute(
            f"""INSERT INTO audit SELECT ?, ?, 'snapshot', unit, at_time, '', '', '', '', '{field}',
                CAST({old} AS VARCHAR), CAST({new} AS VARCHAR), old_file, old_line, ?, line
            FROM facts WHERE {flag}""",
            [*who, job.file_id],
        )
    for field, flag, old, new in (
        ("value", "differs_value", "old_value", "value"),
        ("learn_count", "differs_learn", "old_learn", "learn_count"),
        ("source", "differs_source", "old_source", "source"),
    ):
        con.execute(
            f"""INSERT INTO audit SELECT ?, ?, 'reading', f.unit, f.at_time, c.mode, c.channel, c.signal, '',
                '{field}', CAST(o.{old} AS VARCHAR), CAST(o.{new} AS VARCHAR), o.old_file, o.old_line, ?,
                o.line
            FROM outcome o JOIN facts f USING (snapshot_id) JOIN cell_lookup c USING (cell_id)
            WHERE o.became = 'corrected' AND o.{flag}""",
            [*who, job.file_id],
        )
    con.execute(
        """INSERT INTO snapshots SELECT snapshot_id, unit, at_time, odometer_km, odometer_entered,
            odometer_unit, temp_c, temp_entered, temp_unit, ?, line
        FROM facts WHERE fresh ORDER BY snapshot_id""",
        [job.file_id],
    )
    con.execute(
        """UPDATE snapshots SET odometer_km = if(f.new_odometer, f.odometer_km, snapshots.odometer_km),
            odometer_entered = if(f.new_odometer, f.odometer_entered, snapshots.odometer_entered),
            odometer_unit_entered = if(f.new_odometer, f.odometer_unit, snapshots.odometer_unit_entered),
            fluid_temp_c = if(f.new_temp, f.temp_c, snapshots.fluid_temp_c),
            fluid_temp_entered = if(f.new_temp, f.temp_entered, snapshots.fluid_temp_entered),
            fluid_temp_unit_entered = if(f.new_temp, f.temp_unit, snapshots.fluid_temp_unit_entered),
            file_id = ?, line = f.line
        FROM facts f WHERE f.snapshot_id = snapshots.snapshot_id AND (f.new_odometer OR f.new_temp)""",
        [job.file_id],
    )
    con.execute(
        """INSERT INTO readings SELECT snapshot_id, cell_id, value, value_entered, unit_entered, learn_count,
            source, ?, line FROM outcome WHERE became = 'new' ORDER BY snapshot_id, cell_id""",
        [job.file_id],
    )
    con.execute(
        """UPDATE readings SET value = if(o.differs_value, o.value, readings.value),
            value_entered = if(o.differs_value, o.value_entered, readings.value_entered),
            unit_entered = if(o.differs_value, o.unit_entered, readings.unit_entered),
            learn_count = coalesce(o.learn_count, readings.learn_count),
            source = if(o.source <> '', o.source, readings.source), file_id = ?, line = o.line
        FROM outcome o WHERE o.became = 'corrected'
            AND o.snapshot_id = readings.snapshot_id AND o.cell_id = readings.cell_id""",
        [job.file_id],
    )
