"""The files that a unit's data came from, with their fingerprints: what a report's appendix lists."""

from __future__ import annotations

from datetime import date

import duckdb

_SOURCES = """
WITH taken AS (
    SELECT r.file_id, count(*) AS readings, count(DISTINCT r.snapshot_id) AS snapshots, 0 AS entries,
        min(s.taken_at_local) AS first, max(s.taken_at_local) AS last
    FROM readings r JOIN snapshots s USING (snapshot_id)
    WHERE s.unit = $unit AND CAST(s.taken_at_local AS DATE) <= $as_of GROUP BY ALL
    UNION ALL
    SELECT file_id, 0, 0, count(*), min(happened_at_local), max(happened_at_local)
    FROM events WHERE unit = $unit AND CAST(happened_at_local AS DATE) <= $as_of GROUP BY ALL
    UNION ALL
    SELECT file_id, 0, 0, 0, NULL, NULL FROM units WHERE unit = $unit
)
SELECT f.name AS file, f.sheet, f.kind, f.way, f.sha256, f.mapping_sha256, f.imported_at_utc, f.imported_by,
    CAST(sum(readings) AS BIGINT) AS readings, CAST(sum(snapshots) AS BIGINT) AS snapshots,
    CAST(sum(entries) AS BIGINT) AS entries, min(first) AS first_at_local, max(last) AS last_at_local
FROM taken JOIN files f USING (file_id) GROUP BY ALL ORDER BY f.imported_at_utc, f.name, f.sheet
"""


def sources(con: duckdb.DuckDBPyConnection, unit: str, as_of: date) -> duckdb.DuckDBPyConnection:
    """Ask for the files behind what is known of a unit on a day, one row a file, oldest import first."""
    return con.execute(_SOURCES, {"unit": unit, "as_of": as_of})
