"""Snapshot rows into the store: judged, matched with what is known, counted, and written, all in SQL."""

from __future__ import annotations

import pandas as pd

from driftwatch.intake.rules import CELL_TWICE, ODOMETER_CONFLICT, TEMPERATURE_CONFLICT, Rule
from driftwatch.store import job as j
from driftwatch.store.doubts import doubts_of
from driftwatch.store.job import SAME, Job, Taken
from driftwatch.store.judge import judge_rows
from driftwatch.store.odometer import misfits


def take_snapshots(job: Job) -> Taken:
    """Judge and take the rows of a snapshots file.

    Leaves the rows that cannot be right in the temporary table `problems`; every other row is counted as
    new, same or corrected. A blank temperature, learn count or source says nothing and replaces nothing.
    """
    repeats = judge_rows(job)
    job.tell(0.4)
    _gather(job)
    _drop_conflicts(job)
    _drop_repeats(job, told_twice=repeats)
    _drop_misfits(job)
    _match(job)
    taken = _count(job)
    job.tell(0.75)
    _write(job)
    return taken


def _gather(job: Job) -> None:
    """Make `heads` and `snaps`: the snapshots of good rows, as told and by their name; number the cells."""
    job.con.execute(
        """
        CREATE TEMP TABLE snaps AS
        SELECT unit, at_time, row_number() OVER (ORDER BY unit, at_time) AS snap
        FROM (SELECT DISTINCT unit, at_time FROM told_heads WHERE rule IS NULL)
        """
    )
    job.con.execute(
        """
        CREATE TEMP TABLE heads AS
        WITH good AS (
            SELECT head, count(*) AS n, min(row) AS row, min(line) AS line,
                bool_or(? OR line IN (SELECT line FROM allowed_lines)) AS may_correct
            FROM judged WHERE rule IS NULL GROUP BY head
        )
        SELECT g.*, s.snap, h.odometer_stored, h.temp_stored, h.temp_unit,
            if(h.odometer_entered = '', h.odometer_number, h.odometer_entered_number) AS odometer_entered,
            if(h.odometer_entered = '', h.odometer_unit, h.odometer_unit_entered) AS odometer_unit,
            if(h.fluid_temp_entered = '', h.temp_number, h.temp_entered_number) AS temp_entered,
            if(h.fluid_temp_entered = '', h.temp_unit, h.fluid_temp_unit_entered) AS temp_unit_entered,
            false AS out
        FROM good g JOIN told_heads h USING (head) JOIN snaps s USING (unit, at_time)
        """,
        [not job.seen_before],
    )
    job.con.execute(
        """
        ALTER TABLE cells_told ADD COLUMN cell_id INTEGER;
        UPDATE cells_told SET cell_id = n.cell_id FROM (
            WITH named AS (
                SELECT DISTINCT if(per_pack, '', known_mode) AS mode, known_channel AS channel,
                    known_signal AS signal
                FROM cells_told WHERE rule IS NULL
            )
            SELECT n.*, coalesce(c.cell_id, (SELECT coalesce(max(cell_id), 0) FROM cells)
                + row_number() OVER (PARTITION BY c.cell_id IS NULL ORDER BY signal, channel, mode)
            ) AS cell_id
            FROM named n LEFT JOIN cells c USING (mode, channel, signal)
        ) n
        WHERE cells_told.rule IS NULL AND n.signal = cells_told.known_signal
            AND n.channel = cells_told.known_channel
            AND n.mode = if(cells_told.per_pack, '', cells_told.known_mode);
        """
    )


def _drop_conflicts(job: Job) -> None:
    """Find rows that say something else of their snapshot than most of its rows."""
    for column, rule in (("odometer_stored", ODOMETER_CONFLICT), ("temp_stored", TEMPERATURE_CONFLICT)):
        # The value that most rows of the snapshot give is taken as meant; with no majority, none is.
        _reject_heads(
            job,
            f"""
            WITH votes AS (
                SELECT snap, {column} AS said, sum(n) AS n FROM heads
                WHERE {column} IS NOT NULL AND NOT out GROUP BY ALL
            ), split AS (
                SELECT snap, max(n) AS most FROM votes GROUP BY snap HAVING count(*) > 1
            ), meant AS (
                SELECT snap, if(count(*) = 1, min(said), NULL) AS said
                FROM votes JOIN split USING (snap) WHERE n = most GROUP BY snap
            )
            SELECT h.head, '{rule.code}' AS code, {rule.reason_sql()} AS reason
            FROM heads h JOIN meant m USING (snap)
            WHERE h.{column} IS NOT NULL AND h.{column} IS DISTINCT FROM m.said AND NOT h.out
            """,
        )


def _reject_heads(job: Job, found: str) -> None:
    """Set the good rows of some heads among the problems; the query gives head, code and reason."""
    con = job.con
    con.execute(f"CREATE OR REPLACE TEMP TABLE rejected AS {found}")
    if not j.count(con, "SELECT count(*) FROM rejected"):
        return
    con.execute(
        """INSERT INTO problems SELECT g.row, x.code, x.reason
        FROM judged g JOIN rejected x USING (head) WHERE g.rule IS NULL"""
    )
    con.execute("UPDATE judged SET rule = -1 WHERE rule IS NULL AND head IN (SELECT head FROM rejected)")
    con.execute("UPDATE heads SET out = true WHERE head IN (SELECT head FROM rejected)")


def _drop_repeats(job: Job, *, told_twice: bool) -> None:
    """Find cells that the file has more than once: alike, they are one; otherwise none is taken."""
    con = job.con
    # The same snapshot or cell may also be told in two ways: with another spelling, or unit of measure.
    if not told_twice:
        told_twice = bool(
            j.count(con, "SELECT count(*) - count(DISTINCT snap) FROM heads")
            + j.count(con, "SELECT count(cell_id) - count(DISTINCT (profile, cell_id)) FROM cells_told "
                "WHERE cell_id IS NOT NULL")
        )  # fmt: skip
    where = "true" if told_twice else "false"
    con.execute(
        f"""
        CREATE TEMP TABLE repeats AS
        SELECT h.snap, c.cell_id, min(g.row) AS first_row, min(g.value_stored) AS lowest,
            max(g.value_stored) AS highest, min(g.learn_number) AS fewest, max(g.learn_number) AS most,
            max(s.text) AS source
        FROM (
            SELECT h.snap, c.cell_id FROM judged g
            JOIN heads h USING (head)
            JOIN told_heads t USING (head)
            JOIN cells_told c ON c.cell = g.cell AND c.profile = t.profile
            WHERE g.rule IS NULL AND {where} GROUP BY ALL HAVING count(*) > 1
        ) twice
        JOIN heads h USING (snap)
        JOIN judged g USING (head)
        JOIN told_heads t ON t.head = h.head
        JOIN cells_told c ON c.cell = g.cell AND c.profile = t.profile AND c.cell_id = twice.cell_id
        JOIN sources s ON s.number = g.source
        WHERE g.rule IS NULL
        GROUP BY ALL
        """
    )
    _reject_rows(job, CELL_TWICE)


def _reject_rows(job: Job, rule: Rule) -> None:
    con = job.con
    apart = f"highest - lowest > {SAME} * greatest(abs(highest), abs(lowest)) OR most <> fewest"
    if not j.count(con, f"SELECT count(*) FROM repeats WHERE {apart}"):
        return
    con.execute(
        f"""
        CREATE OR REPLACE TEMP TABLE rejected AS
        SELECT g.row FROM judged g
        JOIN heads h USING (head)
        JOIN told_heads t USING (head)
        JOIN cells_told c ON c.cell = g.cell AND c.profile = t.profile
        JOIN repeats r ON r.snap = h.snap AND r.cell_id = c.cell_id
        WHERE g.rule IS NULL AND ({apart})
        """
    )
    con.execute(f"INSERT INTO problems SELECT row, '{rule.code}', {rule.reason_sql()} FROM rejected")
    con.execute("UPDATE judged SET rule = -1 WHERE row IN (SELECT row FROM rejected)")
    con.execute(f"DELETE FROM repeats WHERE {apart}")
    con.execute(
        "UPDATE heads SET out = true WHERE head NOT IN (SELECT DISTINCT head FROM judged WHERE rule IS NULL)"
    )


def _drop_misfits(job: Job) -> None:
    """Find snapshots whose odometer does not fit the file's others and the stored ones.

    A stored snapshot that the file restates counts as the file has it; if that is rejected, the stored one
    counts again, so the question is asked until nothing more is rejected.
    """
    while True:
        line = job.con.execute(
            """
            WITH told AS (
                SELECT h.snap, n.unit, n.at_time, any_value(h.odometer_stored) AS odometer_km,
                    bool_or(h.may_correct) AS counts
                FROM heads h JOIN snaps n USING (snap) WHERE NOT h.out GROUP BY ALL
            ), fresh AS (
                SELECT t.* FROM told t
                LEFT JOIN snapshots s ON s.unit = t.unit AND s.taken_at_local = t.at_time
                WHERE s.unit IS NULL OR (t.counts AND t.odometer_km <> s.odometer_km)
            )
            SELECT unit, at_time, odometer_km, true AS fresh, snap FROM fresh
            UNION ALL
            SELECT s.unit, s.taken_at_local, s.odometer_km, false, -1 FROM snapshots s
            WHERE s.unit IN (SELECT unit FROM fresh)
                AND NOT EXISTS (FROM fresh f WHERE f.unit = s.unit AND f.at_time = s.taken_at_local)
            ORDER BY unit, at_time
            """
        ).df()
        found = misfits(line)
        if not found:
            return
        frame = pd.DataFrame(
            [(snap, *why) for snap, why in found.items()], columns=["snap", "code", "reason"]
        )
        job.con.register("misfits", frame.astype({"code": "str", "reason": "str"}))
        _reject_heads(
            job, "SELECT h.head, m.code, m.reason FROM heads h JOIN misfits m USING (snap) WHERE NOT h.out"
        )
        job.con.unregister("misfits")


def _match(job: Job) -> None:
    """Match good rows with what is stored: `facts` (one a snapshot) and `outcome` (one a row)."""
    job.con.execute(
        """
        CREATE TEMP TABLE facts AS
        WITH told AS (
            SELECT snap, arg_min(odometer_stored, row) AS odometer_km,
                arg_min(odometer_entered, row) AS odometer_entered,
                arg_min(odometer_unit, row) AS odometer_unit, arg_min(temp_stored, row) AS temp_c,
                arg_min(temp_entered, row) FILTER (temp_entered IS NOT NULL) AS temp_entered,
                coalesce(arg_min(temp_unit_entered, row) FILTER (temp_entered IS NOT NULL), '') AS temp_unit,
                min(line) AS line, bool_or(may_correct) AS may_correct
            FROM heads WHERE NOT out GROUP BY snap
        )
        SELECT t.*, n.unit, n.at_time, s.snapshot_id IS NULL AS fresh,
            CAST(coalesce(s.snapshot_id, (SELECT coalesce(max(snapshot_id), 0) FROM snapshots)
                + row_number() OVER (
                PARTITION BY s.snapshot_id IS NULL ORDER BY n.unit, n.at_time)) AS INTEGER) AS snapshot_id,
            coalesce(t.may_correct AND s.odometer_km <> t.odometer_km, false) AS new_odometer,
            coalesce((t.may_correct OR s.fluid_temp_c IS NULL) AND s.snapshot_id IS NOT NULL
                AND t.temp_c IS NOT NULL AND t.temp_c IS DISTINCT FROM s.fluid_temp_c, false) AS new_temp,
            s.odometer_km AS old_odometer, s.fluid_temp_c AS old_temp, s.file_id AS old_file,
            s.line AS old_line
        FROM told t JOIN snaps n USING (snap)
        LEFT JOIN snapshots s ON s.unit = n.unit AND s.taken_at_local = n.at_time
        """
    )
    job.con.execute(
        f"""
        CREATE TEMP TABLE outcome AS
        WITH told AS (
            SELECT h.head, t.profile, h.snap, h.may_correct, f.snapshot_id,
                f.new_odometer OR f.new_temp AS snapshot_changed
            FROM heads h JOIN facts f USING (snap) JOIN told_heads t USING (head) WHERE NOT h.out
        ), one AS (
            SELECT g.row, g.line, t.snapshot_id, c.cell_id, g.value_stored AS value, g.value_entered,
                g.unit_entered, t.snapshot_changed,
                t.may_correct AND (? OR g.line IN (SELECT line FROM allowed_lines)) AS may_correct,
                coalesce(m.most, g.learn_number) AS learn_count, coalesce(m.source, s.text) AS source,
                m.first_row IS NOT NULL AND m.first_row <> g.row AS again
            FROM judged g
            JOIN told t USING (head)
            JOIN cells_told c ON c.cell = g.cell AND c.profile = t.profile
            JOIN sources s ON s.number = g.source
            LEFT JOIN repeats m ON m.snap = t.snap AND m.cell_id = c.cell_id
            WHERE g.rule IS NULL
        ), stored AS (
            SELECT r.* FROM readings r
            WHERE r.snapshot_id IN (SELECT snapshot_id FROM facts WHERE NOT fresh)
        ), known AS (
            SELECT o.*, r.value AS old_value, r.learn_count AS old_learn, r.source AS old_source,
                r.file_id AS old_file, r.line AS old_line, r.snapshot_id IS NULL AS fresh,
                abs(r.value - o.value) > {SAME} * greatest(abs(r.value), abs(o.value)) AS differs,
                differs AND may_correct AS new_value,
                -- What was not known can be filled in by any file, also by one that may not correct.
                o.learn_count IS NOT NULL AND o.learn_count IS DISTINCT FROM r.learn_count
                    AND (may_correct OR r.learn_count IS NULL) AS new_learn,
                o.source <> '' AND o.source <> r.source AND (may_correct OR r.source = '') AS new_source
            FROM one o LEFT JOIN stored r USING (snapshot_id, cell_id)
        )
        SELECT *, CASE
            WHEN again THEN 'same'
            WHEN fresh THEN 'new'
            WHEN new_value OR new_learn OR new_source THEN 'corrected'
            WHEN snapshot_changed THEN 'snapshot'
            WHEN differs OR (learn_count <> old_learn) OR (source <> '' AND source <> old_source) THEN 'left'
            ELSE 'same' END AS became
        FROM known
        """,
        [not job.seen_before],
    )


def _count(job: Job) -> Taken:
    con = job.con
    became = dict(con.execute("SELECT became, count(*) FROM outcome GROUP BY became").fetchall())
    first, last = con.execute("SELECT min(at_time), max(at_time) FROM facts").fetchall()[0]
    left = became.get("left", 0)
    notes = (f"corrected since this file was first taken, and left so: {left}",) if left else ()
    corrected = con.execute("SELECT DISTINCT unit FROM facts WHERE new_odometer").fetchall()
    return Taken(
        new=became.get("new", 0),
        same=became.get("same", 0) + left,
        corrected=became.get("corrected", 0) + became.get("snapshot", 0),
        first=first,
        last=last,
        notes=notes,
        doubts=doubts_of(job),
        waiting=tuple(unit for (unit,) in corrected),
    )


def _write(job: Job) -> None:
    con, who = job.con, [job.now, job.who]
    con.execute("DROP TABLE judged")  # the largest of the temporary tables, and no longer needed
    con.execute(
        """INSERT INTO cells
        SELECT DISTINCT cell_id, if(per_pack, '', known_mode), known_channel, known_signal FROM cells_told
        WHERE rule IS NULL AND cell_id NOT IN (SELECT cell_id FROM cells)
            AND cell_id IN (SELECT DISTINCT cell_id FROM outcome) ORDER BY cell_id"""
    )
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
        ("value", "new_value", "old_value", "value"),
        ("learn_count", "new_learn", "old_learn", "learn_count"),
        ("source", "new_source", "old_source", "source"),
    ):
        con.execute(
            f"""INSERT INTO audit SELECT ?, ?, 'reading', f.unit, f.at_time, c.mode, c.channel, c.signal, '',
                '{field}', CAST(o.{old} AS VARCHAR), CAST(o.{new} AS VARCHAR), o.old_file, o.old_line, ?,
                o.line
            FROM outcome o JOIN facts f USING (snapshot_id) JOIN cells c USING (cell_id)
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
            source, ?, line FROM outcome WHERE became = 'new'""",
        [job.file_id],
    )
    con.execute(
        """UPDATE readings SET value = if(o.new_value, o.value, readings.value),
            value_entered = if(o.new_value, o.value_entered, readings.value_entered),
            unit_entered = if(o.new_value, o.unit_entered, readings.unit_entered),
            learn_count = if(o.new_learn, o.learn_count, readings.learn_count),
            source = if(o.new_source, o.source, readings.source), file_id = ?, line = o.line
        FROM outcome o WHERE o.became = 'corrected'
            AND o.snapshot_id = readings.snapshot_id AND o.cell_id = readings.cell_id""",
        [job.file_id],
    )
