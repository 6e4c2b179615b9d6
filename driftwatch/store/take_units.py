"""Unit rows into the store; further columns are kept as fields of the unit."""

from __future__ import annotations

import pyarrow as pa

from driftwatch.errors import InputRefused
from driftwatch.intake.rules import UNIT_RULES, Rule
from driftwatch.intake.tables import nearest
from driftwatch.store import job as j
from driftwatch.store.job import Job, Taken

#: A row without a profile can only speak of a unit that already has one.
_RULES = (
    *UNIT_RULES,
    Rule("profile_missing", "known_profile IS NULL AND stored_profile IS NULL", "the profile is missing"),
)

_FIELDS = ("profile", "in_service_on", "site", "note")


def take_units(job: Job) -> Taken:
    """Judge and take the rows of a units file. Blank fields say nothing and replace nothing.

    Raises
    ------
    InputRefused
        If a row names a profile that is not known.

    """
    job.con.register("incoming", job.batch.staged())
    _refuse_unknown_profiles(job)
    _gather(job)
    j.note_problems(job, _RULES)
    _match(job)
    became = dict(job.con.execute("SELECT became, count(*) FROM outcome GROUP BY became").fetchall())
    told = job.con.execute("SELECT DISTINCT unit FROM checked WHERE rule IS NULL").fetchall()
    _write(job)
    return Taken(
        became.get("new", 0),
        became.get("same", 0),
        became.get("corrected", 0),
        waiting=tuple(unit for (unit,) in told),
    )


def _refuse_unknown_profiles(job: Job) -> None:
    known = {name.lower(): name for name in job.profiles}
    rows = job.con.execute(
        "SELECT profile AS p, min(line) FROM incoming WHERE p <> '' GROUP BY p ORDER BY 2"
    ).fetchall()
    for text, line in rows:
        if text.lower() not in known:
            near = nearest(text, list(job.profiles))
            hint = (
                f"the nearest known one is {near!r}; give your own with --profile"
                if near
                else "give its file with --profile, which may be repeated"
            )
            raise InputRefused(
                f"profile {text[:60]!r} is not known", f"{job.batch.table.name} line {line}", hint
            )


def _gather(job: Job) -> None:
    """Make `facts` (row, unit, field, value: what each row says) and `checked` (one a row, with its rule)."""
    con = job.con
    j.register_times(job, "in_service_on")
    names = pa.table({"lower": [n.lower() for n in job.profiles], "name": list(job.profiles)})
    con.register("told", names)
    con.execute(
        """
        CREATE TEMP TABLE facts AS
        SELECT row, line, unit, 'known' AS origin, field, value FROM (
            SELECT i.row, i.line, i.unit AS unit, coalesce(p.name, '') AS profile,
                coalesce(CAST(CAST(t.at_time AS DATE) AS VARCHAR), '') AS in_service_on,
                i.site AS site, i.note AS note
            FROM incoming i
            LEFT JOIN told p ON p.lower = lower(i.profile)
            LEFT JOIN times t ON t.at_text = i.in_service_on
        ) UNPIVOT (value FOR field IN (profile, in_service_on, site, note))
        WHERE value <> ''
        """
    )
    con.unregister("told")
    table = job.batch.table
    # Further columns are found without regard to case too: `plate` is what an earlier file called `Plate`.
    spelling = {n.lower(): n for (n,) in con.execute("SELECT DISTINCT name FROM unit_fields").fetchall()}
    for name in job.batch.extra_columns:
        extra = pa.table(
            [pa.array(range(table.data.num_rows)), job.batch.clean(name)], names=["row", "value"]
        )
        con.register("told", extra)
        con.execute(
            """INSERT INTO facts
            SELECT i.row, i.line, i.unit, 'extra', ?, e.value
            FROM incoming i JOIN told e USING (row) WHERE e.value <> ''""",
            [spelling.get(name.lower(), name)],
        )
        con.unregister("told")
    con.execute(
        f"""
        CREATE TEMP TABLE checked AS
        WITH split AS (
            SELECT DISTINCT unit FROM (
                SELECT unit FROM facts GROUP BY unit, origin, field HAVING min(value) <> max(value)
            )
        ), asked AS (
            SELECT i.row, i.line, i.unit AS unit, i.in_service_on AS at_text,
                t.at_time, CAST(? AS DATE) AS today, f.value AS known_profile, u.profile AS stored_profile,
                d.deleted_on,
                i.unit IN (SELECT unit FROM split) AS twice,
                i.unit IN (SELECT unit FROM snapshots) AS has_readings
            FROM incoming i
            LEFT JOIN times t ON t.at_text = i.in_service_on
            LEFT JOIN facts f ON f.row = i.row AND f.origin = 'known' AND f.field = 'profile'
            LEFT JOIN units u ON u.unit = i.unit
            LEFT JOIN ({j.DELETED}) d ON d.unit = i.unit
        )
        SELECT *, {j.first_rule(_RULES)} AS rule FROM asked
        """,
        [job.today],
    )


def _match(job: Job) -> None:
    """Make `good` (facts that differ from the stored ones) and `outcome` (one a row)."""
    con = job.con
    con.execute("DELETE FROM facts WHERE row IN (SELECT row FROM problems)")
    con.execute(
        """
        CREATE TEMP TABLE good AS
        WITH stored AS (
            SELECT unit, 'known' AS origin, field, value, file_id, line FROM (
                SELECT unit, profile, coalesce(CAST(in_service_on AS VARCHAR), '') AS in_service_on, site,
                    note, file_id, line FROM units
            ) UNPIVOT (value FOR field IN (profile, in_service_on, site, note))
            UNION ALL
            SELECT unit, 'extra', name, value, file_id, line FROM unit_fields
        )
        SELECT f.*, s.value AS old_value, s.file_id AS old_file, s.line AS old_line, u.unit IS NULL AS fresh
        FROM (SELECT *, row_number() OVER (PARTITION BY unit, origin, field ORDER BY row) AS nth FROM facts) f
        LEFT JOIN stored s USING (unit, origin, field)
        LEFT JOIN units u ON u.unit = f.unit
        WHERE f.nth = 1 AND f.value IS DISTINCT FROM s.value
            AND (u.unit IS NULL OR s.value IS NULL OR ? OR f.line IN (SELECT line FROM allowed_lines))
        """,
        [not job.seen_before],
    )
    con.execute(
        """
        CREATE TEMP TABLE outcome AS
        SELECT c.row, c.line, c.unit, CASE
            WHEN u.unit IS NULL AND row_number() OVER (PARTITION BY c.unit ORDER BY c.row) = 1 THEN 'new'
            WHEN u.unit IS NOT NULL AND c.row IN (SELECT row FROM good) THEN 'corrected'
            ELSE 'same' END AS became
        FROM checked c LEFT JOIN units u ON u.unit = c.unit
        WHERE c.rule IS NULL
        """
    )


def _write(job: Job) -> None:
    con = job.con
    con.execute(
        """INSERT INTO audit SELECT ?, ?, 'unit', unit, NULL, '', '', '', '', field, old_value, value,
            old_file, old_line, ?, line FROM good WHERE NOT fresh ORDER BY row""",
        [job.now, job.who, job.file_id],
    )
    con.execute(
        """INSERT INTO units
        SELECT unit, max(value) FILTER (field = 'profile'),
            CAST(max(value) FILTER (field = 'in_service_on') AS DATE),
            coalesce(max(value) FILTER (field = 'site'), ''),
            coalesce(max(value) FILTER (field = 'note'), ''),
            ?, min(line)
        FROM good WHERE fresh AND origin = 'known' GROUP BY unit ORDER BY min(row)""",
        [job.file_id],
    )
    for field in _FIELDS:
        con.execute(
            f"""UPDATE units SET {field} = g.value, file_id = ?, line = g.line FROM good g
            WHERE g.unit = units.unit AND g.origin = 'known' AND g.field = '{field}' AND NOT g.fresh""",
            [job.file_id],
        )
    con.execute(
        """DELETE FROM unit_fields WHERE EXISTS (
            FROM good g
            WHERE g.origin = 'extra' AND g.unit = unit_fields.unit AND g.field = unit_fields.name)"""
    )
    con.execute(
        """INSERT INTO unit_fields SELECT unit, field, value, ?, line FROM good
        WHERE origin = 'extra' ORDER BY row""",
        [job.file_id],
    )
