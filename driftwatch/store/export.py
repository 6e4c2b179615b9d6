"""Stored data out again, as CSV or Parquet; what came from files in a form that can be read in again."""

from __future__ import annotations

import contextlib
import re
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import duckdb
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv as pa_csv
import pyarrow.parquet as pq

from driftwatch.errors import StoreError, UsageError
from driftwatch.intake.tables import RISKY, nearest
from driftwatch.profile.model import Profile

FORMATS = ("csv", "parquet")

_QUERIES = {
    "snapshots": """
        SELECT l.unit, l.taken_at_local AS taken_at, l.odometer_km, l.fluid_temp_c, l.mode,
            l.channel, l.signal, l.value, m.measure AS value_unit, l.learn_count, l.source,
            l.value_entered, l.unit_entered, s.odometer_entered, s.odometer_unit_entered,
            s.fluid_temp_entered, s.fluid_temp_unit_entered, l.file, l.line
        FROM reading_list l JOIN units u USING (unit) JOIN snapshots s USING (snapshot_id)
        JOIN export_measures m ON m.profile = u.profile AND m.signal = l.signal
        ORDER BY l.unit, l.taken_at_local, l.signal, l.channel, l.mode
    """,
    "events": """
        SELECT e.event_id, e.unit, e.happened_at_local AS happened_at, e.kind, e.amount, e.amount_unit,
            e.note, e.amount_entered, e.amount_unit_entered, e.logged_at_utc, e.logged_by,
            f.name AS file, e.line
        FROM events e LEFT JOIN files f USING (file_id) ORDER BY e.unit, e.happened_at_local, e.event_id
    """,
    "files": "SELECT * FROM files ORDER BY file_id",
    "quarantine": "SELECT * FROM quarantine_list ORDER BY file_id, line",
    "audit": "SELECT * FROM audit_list ORDER BY changed_at_utc, what, unit, at_local",
    "odometers": "SELECT * FROM odometer_changes ORDER BY unit, changed_at_local",
    "settings": "SELECT * FROM settings ORDER BY name",
    "profiles": "SELECT * FROM profiles ORDER BY name",
}

#: What can be exported.
EXPORTS = ("units", *_QUERIES)


def export(
    con: duckdb.DuckDBPyConnection,
    folder: Path,
    what: str | Sequence[str],
    fmt: str,
    profiles: dict[str, Profile],
) -> list[Path]:
    """Write tables to files named after them.

    Parameters
    ----------
    con : connection
        To a store.
    folder : path
        Made if it is not there; files of the same name are replaced.
    what : str or sequence of str
        Names from `EXPORTS`, or "all".
    fmt : {"csv", "parquet"}
        CSV texts that a spreadsheet would run as a formula get an apostrophe in front.
    profiles : dict
        All known profiles, for the units of measure.

    Raises
    ------
    UsageError
        If a name or format is none.
    StoreError
        If the folder cannot be written.

    """
    if fmt not in FORMATS:
        raise UsageError(f"there is no export format {fmt!r}", do=f"give {' or '.join(FORMATS)}")
    names = [what] if isinstance(what, str) else list(what)
    if names == ["all"] or not names:
        names = list(EXPORTS)
    for name in names:
        if name not in EXPORTS:
            near = nearest(name, list(EXPORTS))
            hint = f"did you mean {near!r}?" if near else f"there are {', '.join(EXPORTS)}"
            raise UsageError(f"there is no export {name!r}", do=hint)
    rows = [(p.name, s.name, s.unit) for p in profiles.values() for s in p.signals]
    columns = [pa.array([row[i] for row in rows], pa.string()) for i in range(3)]
    con.register("export_measures", pa.table(columns, names=["profile", "signal", "measure"]))
    try:
        folder.mkdir(parents=True, exist_ok=True)
        written = [_write(con, _query(con, name), folder / f"{name}.{fmt}") for name in dict.fromkeys(names)]
        return written + (_profiles(con, folder) if "profiles" in names else [])
    except OSError as problem:
        if isinstance(problem, StoreError):
            raise
        reason = problem.strerror or str(problem)
        raise StoreError(
            f"the export cannot be written ({reason})", str(folder), "choose another folder"
        ) from None
    finally:
        con.unregister("export_measures")


def neutral(texts: pa.Array) -> pa.Array:
    """Put an apostrophe before texts that a spreadsheet would run as a formula; imports take it off again.

    One is put before those, too, that begin with apostrophes and then such a sign: so each text comes back.
    """
    risky = pc.match_substring_regex(texts, RISKY)
    return pc.if_else(risky, pc.binary_join_element_wise("'", texts, ""), texts)


def csv_form(table: pa.Table) -> pa.Table:
    """Give a table as it stands in every exported CSV: times as text, and no text that runs as a formula."""
    names = [str(neutral(pa.array([name]))[0]) for name in table.column_names]
    return pa.table([_csv_column(column) for column in table.columns], names=names)


def _profiles(con: duckdb.DuckDBPyConnection, folder: Path) -> list[Path]:
    """Write each own profile as TOML, too, in which form `import --profile` takes it."""
    written = []
    for name, text in con.execute("SELECT name, toml FROM profiles ORDER BY name").fetchall():
        path = folder / f"profile-{re.sub(r'[^A-Za-z0-9._-]', '_', name)}.toml"
        path.write_text(text, encoding="utf-8")
        written.append(path)
    return written


def _query(con: duckdb.DuckDBPyConnection, name: str) -> str:
    if name != "units":
        return _QUERIES[name]
    extras = [n for (n,) in con.execute("SELECT DISTINCT name FROM unit_fields ORDER BY name").fetchall()]
    # Names come from files: quoted as identifiers and as text, so that they can never be read as SQL.
    picks = "".join(f", max(f.value) FILTER (f.name = {_text(n)}) AS {_identifier(n)}" for n in extras)
    return f"""SELECT u.unit, u.profile, u.in_service_on, u.site, u.note{picks}
        FROM units u LEFT JOIN unit_fields f USING (unit) GROUP BY ALL ORDER BY u.unit"""


def _text(name: str) -> str:
    return "'" + name.replace("'", "''") + "'"


def _identifier(name: str) -> str:
    return '"' + name.replace('"', '""') + '"'


def _write(con: duckdb.DuckDBPyConnection, query: str, path: Path) -> Path:
    """Write beside the target first, so that a failure leaves no half file in its place."""
    partial = path.with_name(f".{path.name}.partial")
    try:
        reader: Any = con.sql(query).to_arrow_reader(200_000)
        if path.suffix == ".parquet":
            with pq.ParquetWriter(partial, reader.schema) as writer:
                for batch in reader:
                    writer.write_batch(batch)
        else:
            with pa_csv.CSVWriter(partial, csv_form(reader.schema.empty_table()).schema) as writer:
                for batch in reader:
                    writer.write_table(csv_form(pa.table(batch)))
        partial.replace(path)
    finally:
        with contextlib.suppress(OSError):
            partial.unlink(missing_ok=True)
    return path


def _as_text(kind: pa.DataType) -> bool:
    return bool(pa.types.is_timestamp(kind) or pa.types.is_string(kind) or pa.types.is_large_string(kind))


def _csv_column(column: pa.ChunkedArray) -> pa.ChunkedArray:
    if pa.types.is_timestamp(column.type):
        return pc.replace_substring(pc.cast(pc.cast(column, pa.timestamp("us")), pa.string()), ".000000", "")
    return neutral(pc.cast(column, pa.string())) if _as_text(column.type) else column
