"""Log entries into the store, from a file or by hand; each gets an id that stays."""

from __future__ import annotations

import pyarrow as pa

from driftwatch.intake.numbers import number_sql
from driftwatch.intake.rules import AMOUNT_UNITS, EVENT_RULES, SHARE_UNIT
from driftwatch.quantities import conversion, convertible, known_unit, unit_name
from driftwatch.store import job as j
from driftwatch.store.job import SAME, Job, Taken

#: Kinds that are told apart by their note: two repairs on one day may be two repairs.
BY_NOTE = "('repair', 'other')"


def take_events(job: Job) -> Taken:
    """Judge and take the rows of an events file.

    An event is named by unit, time and kind, and a `repair` or `other` by its note too. The same event again
    changes nothing; with another amount or note it replaces. A blank amount or note says nothing.
    """
    check_events(job)
    j.note_problems(job, EVENT_RULES)
    _match(job)
    con = job.con
    became = dict(con.execute("SELECT became, count(*) FROM outcome GROUP BY became").fetchall())
    first, last = con.execute("SELECT min(at_time), max(at_time) FROM outcome").fetchall()[0]
    done = j.count(con, "SELECT count(*) FROM outcome WHERE old_id IS NULL AND done_id IS NOT NULL")
    ids = tuple(i for (i,) in con.execute("SELECT event_id FROM outcome ORDER BY row").fetchall())
    _write(job)
    return Taken(
        became.get("new", 0),
        became.get("same", 0),
        became.get("corrected", 0),
        first,
        last,
        notes=(f"entries that were corrected or retracted by hand, and are left so: {done}",) if done else (),
        event_ids=ids,
    )


def check_events(job: Job) -> None:
    """Read the rows and hold them against the rules, as the temporary table `checked`."""
    con = job.con
    con.register("incoming", job.batch.staged())
    j.register_times(job, "happened_at")
    texts = con.execute("SELECT DISTINCT lower(kind), amount_unit FROM incoming").fetchall()
    measures = [(kind, text, *_measure(kind, text)) for kind, text in texts]
    names = ("kind_l", "amount_unit", "amount_measure", "kept_unit", "factor", "shift")
    kinds = (pa.string(),) * 4 + (pa.float64(),) * 2
    schema = pa.schema(list(zip(names, kinds, strict=True)))
    con.register(
        "measures", pa.Table.from_pylist([dict(zip(names, m, strict=True)) for m in measures], schema)
    )
    con.execute(
        f"""
        CREATE TEMP TABLE checked AS
        WITH texts AS (
            SELECT *, happened_at AS at_text, lower(kind) AS kind_l
            FROM incoming
        ), asked AS (
            SELECT x.*, t.at_time, u.profile, CAST(? AS DATE) AS today,
                {number_sql("amount", job.batch.decimal)} AS amount_number, d.deleted_on,
                {number_sql("amount_entered", job.batch.decimal)} AS entered_number,
                if(amount = '', 'fits', m.amount_measure) AS amount_measure,
                amount_number * m.factor + m.shift AS amount_stored,
                if(amount = '', '', m.kept_unit) AS kept_unit,
                if(x.kind_l IN {BY_NOTE}, x.note, '') AS by_note
            FROM texts x
            LEFT JOIN times t USING (at_text)
            LEFT JOIN units u ON u.unit = x.unit
            LEFT JOIN ({j.DELETED}) d ON d.unit = x.unit
            LEFT JOIN measures m ON m.kind_l = x.kind_l AND m.amount_unit = x.amount_unit
        ), grouped AS (
            SELECT *, coalesce(
                min(amount_stored) OVER same <> max(amount_stored) OVER same
                OR min(nullif(kept_unit, '')) OVER same <> max(kept_unit) OVER same
                OR min(nullif(note, '')) OVER same <> max(note) OVER same, false) AS twice
            FROM asked
            WINDOW same AS (PARTITION BY unit, at_time, kind_l, by_note)
        )
        SELECT *, {j.first_rule(EVENT_RULES)} AS rule FROM grouped
        """,
        [job.today],
    )


def _measure(kind: str, text: str) -> tuple[str, str, float | None, float | None]:
    """Say whether a unit of measure fits an event's amount, and how to turn it into the kept one."""
    base = AMOUNT_UNITS.get(kind)
    if not text:
        return "fits", base or "", 1.0, 0.0
    if not known_unit(text):
        return "unknown", "", None, None
    if base is None:
        return "fits", unit_name(text), 1.0, 0.0
    if convertible(text, base):
        return "fits", base, *conversion(text, base)
    if convertible(text, SHARE_UNIT):
        return "fits", SHARE_UNIT, *conversion(text, SHARE_UNIT)
    return "misfit", "", None, None


def _match(job: Job) -> None:
    con = job.con
    con.execute(
        rf"""
        CREATE TEMP TABLE outcome AS
        WITH one AS (
            SELECT *, ? OR line IN (SELECT line FROM allowed_lines) AS may_correct,
                row_number() OVER (same ORDER BY row) AS nth,
                first_value(amount_stored) OVER filled AS told_amount,
                first_value(kept_unit) OVER filled AS told_unit,
                first_value(coalesce(entered_number, amount_number)) OVER filled AS told_entered,
                first_value(if(entered_number IS NULL, amount_unit, amount_unit_entered)) OVER filled
                    AS told_unit_entered,
                max(note) OVER same AS told_note,
                -- An id that comes with the file, from an export, is kept if nobody else has it.
                if(regexp_full_match(event_id, 'E[0-9][0-9][0-9][0-9]+')
                    AND count(*) OVER (PARTITION BY event_id) = 1
                    AND event_id NOT IN (SELECT event_id FROM events UNION SELECT event_id FROM events_done),
                    event_id, NULL) AS told_id
            FROM checked WHERE rule IS NULL
            WINDOW same AS (PARTITION BY unit, at_time, kind_l, by_note),
                filled AS (PARTITION BY unit, at_time, kind_l, by_note ORDER BY amount_number IS NULL, row)
        ), known AS (
            SELECT o.*, e.event_id AS old_id, e.amount AS old_amount, e.amount_unit AS old_unit,
                e.note AS old_note,
                e.file_id AS old_file, e.line AS old_line,
                -- Put right by hand: a file does not bring back what it was.
                if(?, d.event_id, NULL) AS done_id,
                -- What was not known can be filled in by any file, also by one that may not correct.
                o.told_amount IS NOT NULL AND (may_correct OR e.amount IS NULL)
                    AND coalesce(o.told_unit <> e.amount_unit OR e.amount IS NULL
                    OR abs(o.told_amount - e.amount) > {SAME} * greatest(abs(o.told_amount), abs(e.amount)),
                    true) AS differs_amount,
                o.told_note <> '' AND o.told_note IS DISTINCT FROM e.note
                    AND (may_correct OR e.note = '') AS differs_note
            FROM one o
            LEFT JOIN events e ON e.unit = o.unit AND e.happened_at_local = o.at_time AND e.kind = o.kind_l
                AND (o.kind_l NOT IN {BY_NOTE} OR e.note = o.by_note)
            LEFT JOIN (
                SELECT unit, happened_at_local, kind, if(kind IN {BY_NOTE}, note, '') AS by_note,
                    max(event_id) AS event_id
                FROM events_done GROUP BY ALL
            ) d ON d.unit = o.unit AND d.happened_at_local = o.at_time AND d.kind = o.kind_l
                AND d.by_note = o.by_note
        ), judged AS (
            SELECT *, CASE
                WHEN nth > 1 OR old_id IS NULL AND done_id IS NOT NULL THEN 'same'
                WHEN old_id IS NULL THEN 'new'
                WHEN differs_amount OR differs_note THEN 'corrected'
                ELSE 'same' END AS became
            FROM known
        ), numbered AS (
            SELECT * EXCLUDE (event_id, number), if(became = 'new' AND told_id IS NULL,
                row_number() OVER (PARTITION BY became, told_id IS NULL ORDER BY row) + last.number, NULL)
                    AS number,
                if(became = 'new', told_id, NULL) AS own_id
            FROM judged, (
                SELECT coalesce(max(CAST(substr(id, 2) AS INTEGER)), 0) AS number FROM (
                    SELECT event_id AS id FROM events UNION ALL SELECT event_id FROM events_done
                    UNION ALL SELECT told_id FROM judged WHERE became = 'new' AND told_id IS NOT NULL)
            ) last
        )
        SELECT *, coalesce(old_id, done_id, max(own_id) OVER one_event,
                printf('E%04d', max(number) OVER one_event)) AS event_id
        FROM numbered
        WINDOW one_event AS (PARTITION BY unit, at_time, kind_l, by_note)
        """,
        [not job.seen_before, job.file_id is not None],
    )


def _write(job: Job) -> None:
    con = job.con
    con.execute(
        """INSERT INTO events SELECT event_id, unit, at_time, kind_l, told_amount,
            if(told_amount IS NULL, '', told_unit), told_entered,
            if(told_amount IS NULL, '', told_unit_entered),
            told_note, ?, ?, ?, line FROM outcome WHERE became = 'new' ORDER BY row""",
        [job.now, job.who, job.file_id],
    )
    for field, flag, old, new in (
        ("amount", "differs_amount", "old_amount || ' ' || old_unit", "told_amount || ' ' || told_unit"),
        ("note", "differs_note", "old_note", "told_note"),
    ):
        con.execute(
            f"""INSERT INTO audit SELECT ?, ?, 'event', unit, at_time, '', '', '', event_id, '{field}',
                trim({old}), trim({new}), old_file, old_line, ?, line FROM outcome
            WHERE became = 'corrected' AND {flag}""",
            [job.now, job.who, job.file_id],
        )
    con.execute(
        """UPDATE events SET amount = if(o.differs_amount, o.told_amount, events.amount),
            amount_unit = if(o.differs_amount, o.told_unit, events.amount_unit),
            amount_entered = if(o.differs_amount, o.told_entered, events.amount_entered),
            amount_unit_entered = if(o.differs_amount, o.told_unit_entered, events.amount_unit_entered),
            note = if(o.differs_note, o.told_note, events.note), file_id = ?, line = o.line
        FROM outcome o WHERE o.became = 'corrected' AND o.event_id = events.event_id""",
        [job.file_id],
    )
