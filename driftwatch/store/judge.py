"""Which rows of a snapshots file cannot be right, asked in SQL of its snapshots, cells and values."""

from __future__ import annotations

from typing import Any

import pyarrow as pa

from driftwatch.intake.numbers import number_sql
from driftwatch.intake.rules import CELL, HEAD, ROW, SNAPSHOT_RULES, physical_bounds
from driftwatch.intake.tables import as_texts
from driftwatch.quantities import conversion, convertible, known_unit
from driftwatch.store import job as j
from driftwatch.store.coding import register_rows
from driftwatch.store.job import Job

#: Columns whose texts stand in a row's reason.
_IN_REASONS = ("unit", "value", "value_entered", "unit_entered", "learn_count")


def judge_rows(job: Job) -> bool:
    """Make `told_heads`, `cells_told` and `judged`, note the problems of single rows; say if cells repeat.

    `judged` has one row each: row, line, head, cell, value_stored, value_entered, unit_entered, learn_number,
    source, rule (number of the first rule that it breaks, NULL if none).
    """
    repeats = register_rows(job)
    _judge_heads(job)
    _judge_cells(job)
    _judge_values(job)
    job.con.unregister("incoming")
    if j.count(job.con, "SELECT count(*) FROM judged WHERE rule IS NOT NULL"):
        _note_problems(job)
    return repeats


def _judge_heads(job: Job) -> None:
    """Make `told_heads`: each snapshot's columns, what the store knows of its unit, and its first rule."""
    decimal = job.batch.decimal
    j.register_times(job, "taken_at", "head_texts")
    mile, fahrenheit = conversion("mi", "km"), conversion("degF", "degC")
    job.con.execute(
        f"""
        CREATE TEMP TABLE told_heads AS
        WITH numbers AS (
            SELECT *, taken_at AS at_text,
                if(odometer_km <> '', odometer_km, odometer_mi) AS odometer_text,
                if(odometer_km <> '', 'km', 'mi') AS odometer_unit,
                {number_sql("odometer_text", decimal)} AS odometer_number,
                {number_sql("odometer_entered", decimal)} AS odometer_entered_number,
                if(fluid_temp_c <> '', fluid_temp_c, fluid_temp_f) AS temp_text,
                CASE WHEN fluid_temp_c <> '' THEN 'degC' WHEN fluid_temp_f <> '' THEN 'degF' ELSE '' END
                    AS temp_unit,
                {number_sql("temp_text", decimal)} AS temp_number,
                temp_number * if(temp_unit = 'degF', {fahrenheit.factor!r}, 1.0)
                    + if(temp_unit = 'degF', {fahrenheit.offset!r}, 0.0) AS temp_stored,
                {number_sql("fluid_temp_entered", decimal)} AS temp_entered_number
            FROM head_texts
        ), known AS (
            SELECT n.*, t.at_time, u.profile, u.in_service_on, d.deleted_on, CAST(? AS DATE) AS today,
                -- What a replaced odometer had run before; beside an entered reading stands the sum.
                if(n.odometer_entered <> '', 0.0, coalesce((
                    SELECT sum(c.add_km) FROM odometer_changes c
                    WHERE c.unit = n.unit AND c.changed_at_local <= t.at_time), 0.0)) AS odometer_before
            FROM numbers n
            LEFT JOIN times t USING (at_text)
            LEFT JOIN units u ON u.unit = n.unit
            LEFT JOIN ({j.DELETED}) d ON d.unit = n.unit
        ), summed AS (
            SELECT *, odometer_number * if(odometer_unit = 'km', 1.0, {mile.factor!r}) + odometer_before
                AS odometer_stored
            FROM known
        )
        SELECT *, {j.first_rule(SNAPSHOT_RULES, HEAD)} AS rule FROM summed
        """,
        [job.today],
    )


def _judge_cells(job: Job) -> None:
    """Make `cells_told`: what each profile in use makes of each cell's names, and its first rule."""
    _register_lookups(job)
    job.con.execute(
        f"""
        CREATE TEMP TABLE cells_told AS
        WITH known AS (
            SELECT c.*, p.profile, s.known_signal, s.per_pack, s.low, s.high, n.known_channel, m.known_mode,
                coalesce(x.measure, 'unknown') AS measure, x.factor, x.shift,
                e.factor AS entered_factor, e.shift AS entered_shift
            FROM cell_texts c
            CROSS JOIN (SELECT DISTINCT profile FROM told_heads WHERE profile IS NOT NULL) p
            LEFT JOIN signals s ON s.profile = p.profile AND s.signal_l = lower(c.signal)
            LEFT JOIN channels n
                ON n.profile = p.profile AND n.of_pack = s.per_pack AND n.channel_l = lower(c.channel)
            LEFT JOIN modes m ON m.profile = p.profile AND m.mode_l = lower(c.mode)
            LEFT JOIN measures x
                ON x.profile = p.profile AND x.signal_l = lower(c.signal) AND x.measure_text = c.value_unit
            LEFT JOIN measures e
                ON e.profile = p.profile AND e.signal_l = lower(c.signal) AND e.measure_text = c.unit_entered
        )
        SELECT *, {j.first_rule(SNAPSHOT_RULES, CELL)} AS rule FROM known
        """
    )


def _judge_values(job: Job) -> None:
    """Make `judged`, one row a row."""
    decimal, con = job.batch.decimal, job.con
    kinds = dict(con.execute("SELECT column_name, column_type FROM (DESCRIBE incoming)").fetchall())
    told = {}
    for name in ("value", "value_entered"):
        is_number = kinds[name] == "DOUBLE"
        told[name] = name if is_number else number_sql(name, decimal)
        told[f"{name} blank"] = f"{name} IS NULL" if is_number else f"coalesce({name} = '', true)"
    con.execute(
        f"""
        CREATE TEMP TABLE judged AS
        WITH numbers AS (
            SELECT row, line, head, cell, learn, source,
                {told["value"]} AS value_number, {told["value blank"]} AS value_blank,
                {told["value_entered"]} AS entered_number, {told["value_entered blank"]} AS entered_blank
            FROM incoming
        ), learnt AS (
            SELECT number, text = '' AS learn_blank, {number_sql("text", decimal)} AS learn_number FROM learns
        ), known AS (
            SELECT n.*, l.learn_blank, l.learn_number, h.rule AS head_rule, c.rule AS cell_rule,
                c.low, c.high,
                n.value_number * c.factor + c.shift AS value_stored,
                n.entered_number * c.entered_factor + c.entered_shift AS entered_stored,
                if(n.entered_blank, c.value_unit, c.unit_entered) AS unit_entered
            FROM numbers n
            JOIN told_heads h USING (head)
            LEFT JOIN cells_told c ON c.cell = n.cell AND c.profile = h.profile
            JOIN learnt l ON l.number = n.learn
        )
        SELECT row, line, head, cell, value_stored,
            if(entered_blank, value_number, entered_number) AS value_entered, unit_entered, learn_number,
            source,
            least(head_rule, cell_rule, {j.first_rule(SNAPSHOT_RULES, ROW)}) AS rule
        FROM known
        """
    )


def _note_problems(job: Job) -> None:
    """Write the rows whose rule is set among the problems, with the reason in words."""
    found = job.con.execute("SELECT row FROM judged WHERE rule IS NOT NULL ORDER BY row").fetchnumpy()
    rows, batch = pa.array(found["row"]), job.batch
    texts = {"row": rows}
    for name in _IN_REASONS:
        column = batch.columns.get(name)
        blank = pa.repeat(pa.scalar(""), len(rows))
        texts[name] = blank if column is None else as_texts(batch.table.data[column].take(rows))
    job.con.register("problem_texts", pa.table(texts))
    job.con.execute(
        """
        CREATE TEMP TABLE checked AS
        SELECT j.row, j.rule, p.unit, p.value, p.value_entered, p.unit_entered, p.learn_count,
            h.* EXCLUDE (head, unit, rule), c.* EXCLUDE (cell, profile, unit_entered, rule)
        FROM judged j
        JOIN problem_texts p USING (row)
        JOIN told_heads h USING (head)
        LEFT JOIN cells_told c ON c.cell = j.cell AND c.profile = h.profile
        WHERE j.rule IS NOT NULL
        """
    )
    j.note_problems(job, SNAPSHOT_RULES)


def _register_lookups(job: Job) -> None:
    """Register what the profiles in use know: `signals`, `channels`, `modes`, `measures` (conversions)."""
    con = job.con
    in_use = con.execute("SELECT DISTINCT profile FROM told_heads WHERE profile IS NOT NULL").fetchall()
    profiles = [job.profiles[name] for (name,) in in_use]
    texts = con.execute(
        "SELECT DISTINCT value_unit FROM cell_texts UNION SELECT DISTINCT unit_entered FROM cell_texts"
    ).fetchall()
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
    _register(
        job,
        "signals",
        signals,
        {
            "profile": text,
            "signal_l": text,
            "known_signal": text,
            "per_pack": truth,
            "low": real,
            "high": real,
        },
    )
    _register(
        job,
        "channels",
        channels,
        {"profile": text, "of_pack": truth, "channel_l": text, "known_channel": text},
    )
    _register(job, "modes", modes, {"profile": text, "mode_l": text, "known_mode": text})
    columns = {"profile": text, "signal_l": text, "measure_text": text, "measure": text}
    _register(job, "measures", measures, {**columns, "factor": real, "shift": real})


def _register(job: Job, name: str, rows: list[tuple[Any, ...]], schema: dict[str, Any]) -> None:
    table = [dict(zip(schema, row, strict=True)) for row in rows]
    job.con.register(name, pa.Table.from_pylist(table, pa.schema(schema)))
