"""Everything that was known on one day, as frames."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import Any

import duckdb
import numpy as np
import pandas as pd
import pyarrow as pa

from driftwatch.errors import UnknownName
from driftwatch.intake.tables import nearest
from driftwatch.profile.model import Profile
from driftwatch.store.records import Records


def records_of(
    con: duckdb.DuckDBPyConnection, as_of: date, units: Sequence[str] | None, profiles: dict[str, Profile]
) -> Records:
    """Read what was known of some units at the end of a day.

    Parameters
    ----------
    con : connection
        To a store.
    as_of : date
        Last day known, in the store's zone, itself included.
    units : sequence of str or None
        Which units; None for all.
    profiles : dict
        All known profiles; those in use are handed on.

    Raises
    ------
    UnknownName
        If a unit is not in the store; the nearest one is named.

    """
    wanted = _wanted(con, units)
    con.register("wanted", pa.table({"unit": pa.array(wanted, pa.string())}))
    try:
        unit_frame = con.execute(
            """SELECT unit, profile, in_service_on, site, note
            FROM units JOIN wanted USING (unit) ORDER BY unit"""
        ).fetchall()
        snapshots, ids = _snapshots(con, as_of)
        readings = _readings(con, snapshots, ids)
        events = con.execute(
            """SELECT event_id, unit, happened_at_local AS happened_at, kind, amount, amount_unit, note
            FROM events JOIN wanted USING (unit) WHERE CAST(happened_at_local AS DATE) <= ?
            ORDER BY unit, happened_at, length(event_id), event_id""",
            [as_of],
        ).df()
    finally:
        con.unregister("wanted")
    frame = pd.DataFrame(unit_frame, columns=["unit", "profile", "in_service_on", "site", "note"])
    for name in ("unit", "profile", "site", "note"):
        frame[name] = frame[name].astype("str")
    in_use = {name: profiles[name] for name in sorted(set(frame["profile"]))}
    return Records(as_of, frame, snapshots, readings, _text_columns(events), in_use)


def _wanted(con: duckdb.DuckDBPyConnection, units: Sequence[str] | None) -> list[str]:
    known = [unit for (unit,) in con.execute("SELECT unit FROM units").fetchall()]
    if units is None:
        return known
    there = set(known)
    for unit in units:
        if unit not in there:
            near = nearest(unit, known)
            hint = f"did you mean {near!r}?" if near else "import a units file that names it"
            raise UnknownName(f"there is no unit {unit!r}", do=hint)
    return list(dict.fromkeys(units))


def _snapshots(con: duckdb.DuckDBPyConnection, as_of: date) -> tuple[pd.DataFrame, Any]:
    sourced = con.execute("SELECT EXISTS (FROM readings WHERE source <> '')").fetchone()
    source = (
        "(SELECT snapshot_id, min(nullif(source, '')) AS source FROM readings GROUP BY snapshot_id)"
        if sourced and sourced[0]
        else "(SELECT NULL::INTEGER AS snapshot_id, NULL::VARCHAR AS source WHERE false)"
    )
    frame = con.execute(
        f"""SELECT s.snapshot_id, s.unit, s.taken_at_local AS taken_at, s.odometer_km, s.fluid_temp_c,
            coalesce(r.source, '') AS source
        FROM snapshots s JOIN wanted USING (unit) LEFT JOIN {source} r USING (snapshot_id)
        WHERE CAST(s.taken_at_local AS DATE) <= ?
        ORDER BY s.unit, s.taken_at_local""",
        [as_of],
    ).df()
    ids = frame.pop("snapshot_id").to_numpy()
    frame = _text_columns(frame)
    frame["unit"] = pd.Categorical(frame["unit"])
    return frame, ids


def _readings(con: duckdb.DuckDBPyConnection, snapshots: pd.DataFrame, ids: Any) -> pd.DataFrame:
    """Join by numbers in the database, and look texts and times up afterwards: fast at millions of rows."""
    cells = con.execute(
        "SELECT cell_id, mode, channel, signal FROM cells ORDER BY signal, channel, mode"
    ).fetchall()
    con.register(
        "snap_order", pa.table({"snapshot_id": pa.array(ids), "s": pa.array(np.arange(len(ids), dtype="i4"))})
    )
    cell_ids = pa.array([c[0] for c in cells], pa.int32())
    con.register(
        "cell_order", pa.table({"cell_id": cell_ids, "c": pa.array(np.arange(len(cells), dtype="i4"))})
    )
    try:
        found = con.execute(
            """SELECT o.s, c.c, r.value, r.learn_count
            FROM readings r JOIN snap_order o USING (snapshot_id) JOIN cell_order c USING (cell_id)
            ORDER BY o.s, c.c"""
        ).fetchnumpy()
    finally:
        con.unregister("snap_order")
        con.unregister("cell_order")
    s, c = np.asarray(found["s"], dtype=np.intp), np.asarray(found["c"], dtype=np.intp)
    unit = snapshots["unit"].cat
    columns: dict[str, Any] = {
        "unit": pd.Categorical.from_codes(unit.codes.to_numpy()[s], categories=unit.categories),
        "taken_at": snapshots["taken_at"].to_numpy()[s],
    }
    for i, name in ((1, "mode"), (2, "channel"), (3, "signal")):
        columns[name] = _looked_up([cell[i] for cell in cells], c)
    columns["value"] = _floats(found["value"])
    columns["learn_count"] = _floats(found["learn_count"])
    return pd.DataFrame(columns)


def _looked_up(texts: list[str], index: Any) -> pd.Categorical:
    """Make a categorical of texts taken by number, with only the categories that occur."""
    used = np.unique(index)
    categories = sorted({texts[i] for i in used})
    code = {text: k for k, text in enumerate(categories)}
    codes = np.array([code.get(text, -1) for text in texts], dtype=np.int32)
    return pd.Categorical.from_codes(
        codes[index] if len(texts) else np.array([], dtype=np.int32),
        categories=pd.Index(categories, dtype="str"),
    )


def _floats(column: Any) -> Any:
    """Give a column as floats, NaN where the database has nothing."""
    return np.ma.filled(np.ma.asarray(column, dtype=np.float64), np.nan)


def _text_columns(frame: pd.DataFrame) -> pd.DataFrame:
    texts = ("event_id", "unit", "kind", "amount_unit", "note", "source", "taken_at", "happened_at")
    for name in texts:
        if name in frame:
            is_time = name in ("taken_at", "happened_at")
            frame[name] = frame[name].astype("datetime64[us]" if is_time else "str")
    return frame
