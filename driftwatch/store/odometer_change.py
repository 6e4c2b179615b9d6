"""A replaced odometer: noted where the readings on both sides bear it out, put right, or taken back."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date, datetime

import duckdb
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from driftwatch.errors import NotConfirmed, UnknownName, UsageError
from driftwatch.intake.rules import A_DAY_KM, FASTEST_KM_A_DAY, ODOMETER_KM
from driftwatch.quantities import conversion
from driftwatch.store import clock
from driftwatch.store.doubts import AT_LEAST_KM, UNUSUAL

#: A stored odometer is what was shown and what older ones had run, to within this many km; another one came
#: from an export, which has the sum already, and is left alone.
AS_SUMMED_KM = 1.0
#: So many steps from snapshot to snapshot say how far a unit usually goes.
LEAST_STEPS = 3

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Replaced:
    """One replaced odometer: when, what the old one showed then, and the new one, in km."""

    at: datetime
    was_km: float
    reads_km: float

    @property
    def add_km(self) -> float:
        """What is added to all that the new one shows."""
        return self.was_km - self.reads_km


def note_replaced(
    con: duckdb.DuckDBPyConnection,
    unit: str,
    new: Replaced,
    who: str,
    *,
    today: date,
    instead_of: datetime | None = None,
    anyway: bool = False,
) -> int:
    """Note that an odometer was replaced, set stored snapshots since then right, and count them.

    Runs in the transaction of the caller.

    Parameters
    ----------
    con : connection
        To a store open for writing.
    unit : str
        A unit of the store.
    new : Replaced
        What is noted.
    who : str
        Who notes it, for the audit trail.
    today : date
        The present day.
    instead_of : datetime, optional
        When the one was said to have been replaced that this one is noted instead of.
    anyway : bool
        Note it although the distances beside it are unusual.

    Raises
    ------
    UnknownName
        If there is none that it could be noted instead of.
    NotConfirmed
        If a distance from the snapshot before, or to the one after, is unusual, and not `anyway`.
    UsageError
        If it cannot be so: impossible in itself, or contradicted by the unit's snapshots.

    """
    noted = _noted(con, unit)
    others = noted if instead_of is None else _without(noted, instead_of, unit)
    _require_possible(con, unit, new, others, today)
    snapshots = _restated(con, unit, noted, [*others, new])
    doubts = _beside(snapshots, others, new, unit)
    _refuse_contradiction(snapshots, unit)
    if doubts and not anyway:
        raise NotConfirmed("; ".join(doubts), f"unit {unit}")
    now = clock.now_utc()
    if instead_of is not None:
        _put_aside(con, unit, instead_of, "corrected", "", now, who)
    con.execute(
        "INSERT INTO odometer_changes VALUES (?, ?, ?, ?, ?, ?, ?)",
        [unit, new.at, new.was_km, new.reads_km, new.add_km, now, who],
    )
    return _write(con, snapshots, now, who)


def retract_replaced(con: duckdb.DuckDBPyConnection, unit: str, at: datetime, reason: str, who: str) -> int:
    """Take back that an odometer was replaced, set stored snapshots right again, and count them.

    What was noted stays on record. Runs in the transaction of the caller.

    Raises
    ------
    UnknownName
        If none was noted for that time.
    UsageError
        Without a reason, or if snapshots that were taken since fit only with it.

    """
    if not reason.strip():
        raise UsageError("a replaced odometer is not taken back without a reason", f"unit {unit}", "say why")
    noted = _noted(con, unit)
    snapshots = _restated(con, unit, noted, _without(noted, at, unit))
    _refuse_contradiction(snapshots, unit)
    now = clock.now_utc()
    _put_aside(con, unit, at, "retracted", reason.strip(), now, who)
    return _write(con, snapshots, now, who)


def _noted(con: duckdb.DuckDBPyConnection, unit: str) -> list[Replaced]:
    rows = con.execute(
        """SELECT changed_at_local, was_km, reads_km FROM odometer_changes WHERE unit = ?
        ORDER BY changed_at_local""",
        [unit],
    ).fetchall()
    return [Replaced(*row) for row in rows]


def _without(noted: list[Replaced], at: datetime, unit: str) -> list[Replaced]:
    others = [one for one in noted if one.at != at]
    if len(others) == len(noted):
        times = ", ".join(_when(one.at) for one in noted)
        raise UnknownName(
            f"no replaced odometer is noted for {_when(at)}",
            f"unit {unit}",
            f"there is one for {times}" if noted else "none is noted for this unit",
        )
    return others


def _require_possible(
    con: duckdb.DuckDBPyConnection, unit: str, new: Replaced, others: list[Replaced], today: date
) -> None:
    """Refuse what cannot be so, whatever the unit's snapshots say."""
    where, day = f"unit {unit}", new.at.date()
    for km, which in ((new.was_km, "old"), (new.reads_km, "new")):
        if not math.isfinite(km) or not ODOMETER_KM[0] <= km <= ODOMETER_KM[1]:
            raise UsageError(
                f"{km:.0f} km is nothing that the {which} odometer can have shown", where, "check it"
            )
    if day > today:
        raise UsageError(f"{day} is in the future", where, "note it once it was replaced")
    began = con.execute("SELECT in_service_on FROM units WHERE unit = ?", [unit]).fetchall()[0][0]
    if began is not None and day < began:
        raise UsageError(f"{day} is before the unit went into service, on {began}", where, "check the day")
    if any(one.at == new.at for one in others):
        raise UsageError(
            f"a replaced odometer is noted for {_when(new.at)} already",
            where,
            "take that one back, or give this one instead of it",
        )


def _restated(
    con: duckdb.DuckDBPyConnection, unit: str, noted: list[Replaced], wanted: list[Replaced]
) -> pd.DataFrame:
    """Give the unit's snapshots in order: `snapshot_id`, `at`, `km` as stored, `becomes` as is wanted."""
    frame = con.execute(
        """SELECT snapshot_id, taken_at_local AS at, odometer_km AS km,
            odometer_entered * if(odometer_unit_entered = 'mi', ?, 1.0) AS shown
        FROM snapshots WHERE unit = ? ORDER BY taken_at_local""",
        [conversion("mi", "km").factor, unit],
    ).df()
    km, shown = frame["km"].to_numpy(dtype=float), frame["shown"].to_numpy(dtype=float)
    counted = np.abs(km - shown - _run_before(noted, frame["at"])) <= AS_SUMMED_KM
    becomes = np.where(counted, shown + _run_before(wanted, frame["at"]), km)
    # What does not change stays as it is to the last digit.
    return frame.assign(becomes=np.where(np.isclose(becomes, km, rtol=0, atol=1e-6), km, becomes))


def _run_before(changes: list[Replaced], at: pd.Series[pd.Timestamp]) -> Floats:
    """Give for each time what the odometers that were replaced by then had run more."""
    total = np.zeros(len(at))
    for one in changes:
        total += np.where(at >= one.at, one.add_km, 0.0)
    return total


def _beside(snapshots: pd.DataFrame, others: list[Replaced], new: Replaced, unit: str) -> list[str]:
    """Refuse what the nearest readings on both sides contradict; give what is only unusual, in words.

    A reading is a snapshot, or what an odometer showed when another one was replaced.
    """
    run = sum(one.add_km for one in others if one.at < new.at)
    read = [(at.to_pydatetime(), km) for at, km in zip(snapshots["at"], snapshots["becomes"], strict=True)]
    before = [(at, km - run) for at, km in read if at < new.at]
    before += [(one.at, one.reads_km) for one in others if one.at < new.at]
    after = [(at, km - run - new.add_km) for at, km in read if at >= new.at]
    after += [(one.at, one.was_km) for one in others if one.at > new.at]
    usual = _usual(snapshots)
    doubts = []
    if before:
        doubts.append(_doubt("old", new.at, new.was_km, *max(before), usual, unit))
    if after:
        doubts.append(_doubt("new", new.at, new.reads_km, *min(after), usual, unit))
    return [doubt for doubt in doubts if doubt]


def _doubt(
    which: str, at: datetime, said_km: float, read_at: datetime, read_km: float, usual: float, unit: str
) -> str:
    """Hold what an odometer is said to have shown against a reading of it: "" if that is as usual."""
    km = said_km - read_km if read_at < at else read_km - said_km
    days = abs((at - read_at).total_seconds()) / 86400.0
    read = f"read {read_km:.0f} km on {_when(read_at)}"
    told = f"the {which} odometer cannot have shown {said_km:.0f} km on {_when(at)}: it {read}"
    # A day stands for its beginning, and so for a reading of that day on the new odometer.
    do = "check the unit, the day and both odometers"
    if read_at.date() == at.date():
        do += "; say the time, too, where there is a reading of that day"
    if km < 0:
        raise UsageError(told, f"unit {unit}", do)
    if km > A_DAY_KM + FASTEST_KM_A_DAY * days:
        raise UsageError(f"{told}, and no vehicle goes {km:.0f} km in {days:.0f} days", f"unit {unit}", do)
    if km > AT_LEAST_KM and km > UNUSUAL * max(days, 1.0) * max(usual, 1.0):
        return (
            f"the {which} odometer {read}, and is said to have shown {said_km:.0f} km on {_when(at)}: "
            f"{km:.0f} km in {days:.0f} days, usually {usual:.0f} a day"
        )
    return ""


def _usual(snapshots: pd.DataFrame) -> float:
    """Give the unit's usual way a day, in km; NaN where too little is known of it."""
    days = snapshots["at"].diff().dt.total_seconds().to_numpy()[1:] / 86400.0
    km = np.diff(snapshots["becomes"].to_numpy(dtype=float))
    return float(np.median(km / np.maximum(days, 1.0))) if len(km) >= LEAST_STEPS else math.nan


def _refuse_contradiction(snapshots: pd.DataFrame, unit: str) -> None:
    """Refuse what makes two neighbouring snapshots, of which one is moved, contradict each other."""
    if snapshots.empty:
        return
    days = np.diff(snapshots["at"]) / np.timedelta64(1, "D")
    was, becomes = (np.diff(snapshots[name].to_numpy(dtype=float)) for name in ("km", "becomes"))
    odd = (was != becomes) & ((becomes < 0) | (becomes > A_DAY_KM + FASTEST_KM_A_DAY * days))
    if not odd.any():
        return
    one, other = (snapshots.iloc[int(np.argmax(odd)) + i] for i in (0, 1))
    raise UsageError(
        f"with that, the stored snapshots contradict each other: {one['becomes']:.0f} km on "
        f"{_when(one['at'])}, {other['becomes']:.0f} km on {_when(other['at'])}",
        f"unit {unit}",
        "check the unit, the day and both odometers",
    )


def _put_aside(
    con: duckdb.DuckDBPyConnection, unit: str, at: datetime, what: str, reason: str, now: datetime, who: str
) -> None:
    """Take a replaced odometer out of those that count, and keep it."""
    con.execute(
        """INSERT INTO odometer_changes_done
        SELECT *, ?, ?, ?, ? FROM odometer_changes WHERE unit = ? AND changed_at_local = ?""",
        [what, reason, now, who, unit, at],
    )
    con.execute("DELETE FROM odometer_changes WHERE unit = ? AND changed_at_local = ?", [unit, at])


def _write(con: duckdb.DuckDBPyConnection, snapshots: pd.DataFrame, now: datetime, who: str) -> int:
    """Write the odometers that change, each with its trace, and count them."""
    changed = snapshots[snapshots["km"] != snapshots["becomes"]]
    con.register("restated", changed)
    con.execute(
        """INSERT INTO audit
        SELECT ?, ?, 'snapshot', s.unit, s.taken_at_local, '', '', '', '', 'odometer_km',
            CAST(s.odometer_km AS VARCHAR), CAST(r.becomes AS VARCHAR), s.file_id, s.line, s.file_id, s.line
        FROM snapshots s JOIN restated r USING (snapshot_id) ORDER BY s.taken_at_local""",
        [now, who],
    )
    con.execute(
        """UPDATE snapshots SET odometer_km = r.becomes FROM restated r
        WHERE r.snapshot_id = snapshots.snapshot_id"""
    )
    con.unregister("restated")
    return len(changed)


def _when(at: datetime) -> str:
    """Give a day, or a time where it is not the day's beginning."""
    return f"{at:%Y-%m-%d}" if (at.hour, at.minute) == (0, 0) else f"{at:%Y-%m-%d %H:%M}"
