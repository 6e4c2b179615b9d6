"""Rows that were taken and may be right, but look odd enough to be pointed out."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pyarrow as pa
from numpy.typing import NDArray

from driftwatch.quantities import conversion
from driftwatch.store.job import Job, count
from driftwatch.store.report import Doubt

#: An odometer that rises this many times faster than the unit's usual, by at least this many km, is odd.
UNUSUAL, AT_LEAST_KM = 5.0, 5000.0
#: A snapshot with fewer values says too little of whose it is.
LEAST_CELLS = 12
#: A snapshot so many times farther from the unit's own last one than usual is looked at; it looks like
#: another unit's if it is about as close to that one's as snapshots of one unit are.
SUDDEN = 4.0
#: Two snapshots this close, in the same measure, are taken to be of one unit.
ALIKE = 1.3
#: So many of a unit's stored snapshots say what is usual.
LAST_ONES = 3
#: So many sudden snapshots are compared with other units; more of them at once have another reason.
MOST_COMPARED = 50


def doubts_of(job: Job) -> tuple[Doubt, ...]:
    """Look over the snapshots that an import takes; the tables of the import must be there."""
    return (*_unusual_odometers(job), *_other_units(job))


def _unusual_odometers(job: Job) -> list[Doubt]:
    """Find new snapshots to which the odometer rose far faster than it usually does in that unit."""
    found = job.con.execute(
        """
        WITH line AS (
            SELECT unit, at_time, odometer_km, line AS line FROM facts WHERE fresh
            UNION ALL
            SELECT unit, taken_at_local, odometer_km, NULL FROM snapshots
            WHERE unit IN (SELECT unit FROM facts WHERE fresh)
        ), steps AS (
            SELECT *, odometer_km - lag(odometer_km) OVER w AS km,
                greatest(1.0, date_diff('minute', lag(at_time) OVER w, at_time) / 1440.0) AS days
            FROM line WINDOW w AS (PARTITION BY unit ORDER BY at_time)
        ), usual AS (
            SELECT unit, median(km / days) AS usual FROM steps WHERE km IS NOT NULL GROUP BY unit
            HAVING count(*) >= 3
        )
        SELECT unit, at_time, odometer_km, line, km, days, usual FROM steps JOIN usual USING (unit)
        WHERE line IS NOT NULL AND km > ? AND km > ? * days * greatest(usual, 1.0)
        ORDER BY line
        """,
        [AT_LEAST_KM, UNUSUAL],
    ).fetchall()
    mile = conversion("mi", "km").factor
    doubts = []
    for unit, at_time, odometer, line, km, days, usual in found:
        before = odometer - km
        as_km = odometer / mile - before
        hint = "; as km, not miles, it would be as usual" if 0 <= as_km <= UNUSUAL * days * usual else ""
        told = (
            f"unit {unit} went {km:.0f} km in {days:.0f} days, usually {usual:.0f} a day ({at_time:%Y-%m-%d})"
        )
        doubts.append(Doubt(int(line), "odometer_unusual", unit, told + hint))
    return doubts


def _other_units(job: Job) -> list[Doubt]:
    """Find new snapshots whose values are suddenly far from the unit's last and close to another unit's.

    Distance of two snapshots: the mean over their common cells of how far apart they are, in units of what
    the signal usually changes by from one snapshot of a unit to the next.
    """
    con = job.con
    snaps = _snapshots(job)
    if snaps["unit"].nunique() < 2 or not snaps["fresh"].any():
        return []
    values = _matrix(job, snaps)
    unit, fresh = snaps["unit"].to_numpy(), snaps["fresh"].to_numpy()
    follows = np.flatnonzero(unit[1:] == unit[:-1]) + 1
    own = _distance(values[follows], values[follows - 1])
    usual = np.nanmedian(own) if np.isfinite(own).any() else np.nan
    if not usual > 0:
        return []
    sudden = follows[(np.nan_to_num(own) > SUDDEN * usual) & fresh[follows]]
    doubts = []
    for i in sudden[:MOST_COMPARED]:
        one, before = snaps.iloc[i], snaps.iloc[i - 1]
        rivals = np.flatnonzero((unit != one["unit"]) & _last_by(snaps, one["at_time"]))
        far = _distance(values[rivals], values[i])
        if not np.isfinite(far).any() or not np.nanmin(far) <= ALIKE * usual:
            continue
        logged = "SELECT count(*) FROM events WHERE unit = ? AND happened_at_local BETWEEN ? AND ?"
        if count(con, logged, [one["unit"], before["at_time"], one["at_time"]]):
            continue  # something was done to it, and is reason enough
        rival = unit[rivals[np.nanargmin(far)]]
        day = f"{one['at_time']:%Y-%m-%d}"
        told = f"the values of unit {one['unit']} on {day} suddenly look like those of unit {rival}"
        doubts.append(Doubt(int(one["line"]), "looks_like_another", str(one["unit"]), f"{told}: mixed up?"))
    return doubts


def _snapshots(job: Job) -> pd.DataFrame:
    """Give the file's new snapshots and the last stored ones of each unit, by unit and time."""
    return job.con.execute(
        """
        SELECT unit, at_time, line, true AS fresh, snapshot_id FROM facts WHERE fresh
        UNION ALL
        SELECT unit, taken_at_local, NULL, false, snapshot_id FROM snapshots
        QUALIFY row_number() OVER (PARTITION BY unit ORDER BY taken_at_local DESC) <= ?
        ORDER BY unit, at_time
        """,
        [LAST_ONES],
    ).df()


def _matrix(job: Job, snaps: pd.DataFrame) -> NDArray[np.float32]:
    """Give the values of those snapshots, one row a snapshot and one column a cell, NaN where there is none.

    Each is in units of its signal's usual change (the median of those that are not zero).
    """
    place = pa.table({"snapshot_id": pa.array(snaps["snapshot_id"]), "s": pa.array(np.arange(len(snaps)))})
    job.con.register("told", place)
    told = job.con.execute(
        """
        SELECT CAST(s AS INTEGER) AS s, CAST(cell_id AS INTEGER) AS c, CAST(value AS FLOAT) AS value
        FROM outcome JOIN told USING (snapshot_id) WHERE became = 'new'
        UNION ALL
        SELECT CAST(s AS INTEGER), cell_id, CAST(value AS FLOAT) FROM readings JOIN told USING (snapshot_id)
        """
    ).fetchnumpy()
    job.con.unregister("told")
    cells, column = np.unique(told["c"], return_inverse=True)
    values = np.full((len(snaps), len(cells)), np.nan, dtype=np.float32)
    values[told["s"], column] = told["value"]
    signal_of = dict(job.con.execute("SELECT cell_id, known_signal FROM cells_told").fetchall())
    signal_of |= dict(job.con.execute("SELECT cell_id, signal FROM cells").fetchall())
    signals = np.array([signal_of[int(c)] for c in cells], dtype=object)
    unit = snaps["unit"].to_numpy()
    change = np.abs(np.diff(values, axis=0))[unit[1:] == unit[:-1]]
    for signal in set(signals):
        of = signals == signal
        steps = change[:, of]
        steps = steps[steps > 0]
        values[:, of] /= np.median(steps) if len(steps) else np.nan
    return values


def _distance(some: NDArray[np.float32], others: NDArray[np.float32]) -> NDArray[np.float64]:
    """Give the distance row by row; NaN where fewer cells than needed are common."""
    apart = np.abs(some - others)
    common = np.isfinite(apart).sum(axis=1)
    mean = np.nansum(apart, axis=1) / np.maximum(common, 1)
    return np.where(common >= LEAST_CELLS, mean, np.nan)


def _last_by(snaps: pd.DataFrame, moment: pd.Timestamp) -> NDArray[np.bool_]:
    """Say which snapshots are the last of their unit at a moment."""
    known = (snaps["at_time"] <= moment).to_numpy()
    last = np.zeros(len(snaps), dtype=bool)
    last[snaps.loc[known].groupby("unit", sort=False).tail(1).index] = True
    return last
