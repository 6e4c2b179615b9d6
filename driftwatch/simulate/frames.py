"""A simulated fleet as frames: the data in the long form of the input files, and the truth beside them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from driftwatch.profile.model import Profile
from driftwatch.simulate.learning import UnitRun
from driftwatch.simulate.needs import Cells
from driftwatch.simulate.plan import UnitPlan

#: Share of its allowance that a pack must have used, in its present life, to count as worn.
WORN_SHARE = 0.3


@dataclass(frozen=True, eq=False)
class SimulatedFleet:
    """Simulated data in the long form of the input files, and the truth.

    Attributes
    ----------
    profile : Profile
    units : DataFrame
        `unit`, `profile`, `in_service_on`, `site`, `note`.
    snapshots : DataFrame
        One row a cell: `unit`, `taken_at`, `odometer_km`, `mode` ("" for volumes), `channel`, `signal`,
        `value`, `fluid_temp_c`, `learn_count`. The text columns are categorical, to keep large fleets small.
    events : DataFrame
        `unit`, `happened_at`, `kind`, `amount`, `amount_unit`, `note`: as logged.
    truth : DataFrame
        One row a cause that acted: `unit`, `cause`, `at`, `odometer_km`, `clutch` (wear only), `modes`
        (separated by blanks), `logged`, `size`, `size_unit`. `wear` is listed for each pack that used
        `WORN_SHARE` or more of its allowance since the first snapshot of its present life; its size is that
        share, and `at` the time its fast growth began, or the first snapshot of the life.
    packs : DataFrame
        One row a unit, pack and snapshot: `unit`, `clutch`, `taken_at`, `odometer_km`, `life`, `volume_cm3`,
        `limit_cm3`, `remaining_km` (true distance to the limit in that life, NaN if a rebuild comes first
        or the limit lies beyond the horizon).
    plans : tuple of UnitPlan

    """

    profile: Profile
    units: pd.DataFrame
    snapshots: pd.DataFrame
    events: pd.DataFrame
    truth: pd.DataFrame
    packs: pd.DataFrame
    plans: tuple[UnitPlan, ...]

    @property
    def heads(self) -> pd.DataFrame:
        """One row a snapshot: `unit`, `taken_at`, `odometer_km`, `fluid_temp_c`."""
        columns = ["unit", "taken_at", "odometer_km", "fluid_temp_c"]
        return self.snapshots[columns].drop_duplicates(["unit", "taken_at"], ignore_index=True)

    def __repr__(self) -> str:
        return (
            f"SimulatedFleet({self.profile.name!r}: {len(self.units)} units, {len(self.snapshots)} readings, "
            f"{len(self.events)} log entries, {len(self.truth)} causes)"
        )


def gather(runs: list[UnitRun]) -> SimulatedFleet:
    """Put units of one transmission type together as frames."""
    cells, profile = runs[0].cells, runs[0].plan.profile
    names = [r.plan.unit for r in runs]
    return SimulatedFleet(
        profile=profile,
        units=pd.DataFrame(
            {
                "unit": names,
                "profile": profile.name,
                "in_service_on": [_in_service(r.plan) for r in runs],
                "site": [r.plan.site for r in runs],
                "note": [r.plan.note for r in runs],
            }
        ),
        snapshots=_long(runs, cells, names),
        events=_events(runs),
        truth=_truth(runs),
        packs=_packs(runs),
        plans=tuple(r.plan for r in runs),
    )


def _in_service(plan: UnitPlan) -> pd.Timestamp:
    """First day in service, from the distance before the first snapshot."""
    days = round(plan.first_odometer_km / plan.km_per_day)
    return (pd.Timestamp(plan.first) - pd.Timedelta(days=days)).normalize()


def _long(runs: list[UnitRun], cells: Cells, names: list[str]) -> pd.DataFrame:
    sizes = [len(r.rows) * int(r.recorded.sum()) for r in runs]
    cell = np.concatenate([np.tile(np.flatnonzero(r.recorded), len(r.rows)) for r in runs])

    def per_snapshot(get: Callable[[UnitRun], np.ndarray]) -> np.ndarray:
        return np.concatenate([np.repeat(get(r), int(r.recorded.sum())) for r in runs])

    def per_cell(get: Callable[[UnitRun], np.ndarray]) -> np.ndarray:
        return np.concatenate([get(r)[:, r.recorded].ravel() for r in runs])

    def text(codes: np.ndarray, of: tuple[str, ...] | list[str]) -> Any:
        return pd.Categorical.from_codes(codes.astype(np.int32), dtype=pd.CategoricalDtype(list(of)))

    return pd.DataFrame(
        {
            "unit": text(np.repeat(np.arange(len(runs)), sizes), names),
            "taken_at": per_snapshot(lambda r: r.taken_at),
            "odometer_km": per_snapshot(lambda r: r.odometer_km),
            "mode": text(cells.mode_no[cell], cells.modes),
            "channel": text(cells.channel_no[cell], cells.channels),
            "signal": text(cells.signal_no[cell], cells.signals),
            "value": per_cell(lambda r: r.values),
            "fluid_temp_c": per_snapshot(lambda r: r.fluid_temp_c),
            "learn_count": per_cell(
                lambda r: r.learn_counts if r.plan.has_counts else np.full_like(r.learn_counts, np.nan)
            ),
        }
    )


def _time(plan: UnitPlan, day: float) -> pd.Timestamp:
    return pd.Timestamp(plan.first) + pd.Timedelta(minutes=round(day * 1440))


def _events(runs: list[UnitRun]) -> pd.DataFrame:
    rows = [
        (
            r.plan.unit,
            _time(r.plan, e.day),
            e.kind,
            np.nan if e.amount is None else e.amount,
            e.amount_unit,
            e.note,
        )
        for r in runs
        for e in r.plan.log
    ]
    frame = pd.DataFrame(rows, columns=["unit", "happened_at", "kind", "amount", "amount_unit", "note"])
    frame["happened_at"] = pd.to_datetime(frame["happened_at"]).dt.normalize()
    return frame.astype({"amount": "float64"})


def _truth(runs: list[UnitRun]) -> pd.DataFrame:
    units = {"power": "kPa", "load": "kPa", "fluid": "kPa", "pressure": "kPa per year"}
    rows: list[tuple[object, ...]] = []
    for r in runs:
        every = " ".join(r.plan.modes)
        for action, logged in zip(r.plan.actions, r.plan.logged, strict=True):
            if action.kind == "wear":
                continue
            modes = action.mode if action.kind == "load" else every
            km = float(np.interp(action.day, r.path.days, r.path.km))
            what = (r.plan.unit, action.kind, _time(r.plan, action.day), km, "", modes, logged)
            rows.append((*what, action.size, units.get(action.kind, "")))
        rows += [(r.plan.unit, "wear", *row, every, False, share, "of allowance") for *row, share in _worn(r)]
    columns = ["unit", "cause", "at", "odometer_km", "clutch", "modes", "logged", "size", "size_unit"]
    frame = pd.DataFrame(rows, columns=columns).astype({"logged": bool, "odometer_km": float, "size": float})
    frame["at"] = pd.to_datetime(frame["at"])
    return frame.sort_values(["unit", "at", "cause"], kind="stable", ignore_index=True)


def _worn(r: UnitRun) -> list[tuple[pd.Timestamp, float, str, float]]:
    """Packs that used enough of their allowance in their present life: time, odometer, pack, share."""
    out = []
    for p, clutch in enumerate(r.plan.profile.clutches):
        life = r.path.life[r.rows, p]
        start = int(np.flatnonzero(life == life[-1])[0])
        first, last = r.path.volume[r.rows[[start, -1]], p]
        share = float((last - first) / (r.path.limit[p] - first))
        if not share >= WORN_SHARE:
            continue
        begins = [
            a.day
            for a in r.plan.actions
            if a.kind == "wear" and a.packs == (clutch.id,) and a.day >= r.plan.snapshot_days[start]
        ]
        day = begins[0] if begins else float(r.plan.snapshot_days[start])
        out.append((_time(r.plan, day), float(np.interp(day, r.path.days, r.path.km)), clutch.id, share))
    return out


def _packs(runs: list[UnitRun]) -> pd.DataFrame:
    frames = []
    for r in runs:
        count, packs = len(r.rows), [c.id for c in r.plan.profile.clutches]
        frames.append(
            {
                "unit": np.repeat(r.plan.unit, count * len(packs)),
                "clutch": np.tile(packs, count),
                "taken_at": np.repeat(r.taken_at, len(packs)),
                "odometer_km": np.repeat(r.odometer_km, len(packs)),
                "life": r.path.life[r.rows].ravel(),
                "volume_cm3": r.path.volume[r.rows].ravel(),
                "limit_cm3": np.tile(r.path.limit, count),
                "remaining_km": r.path.remaining_km(r.rows).ravel(),
            }
        )
    return pd.DataFrame({k: np.concatenate([f[k] for f in frames]) for k in frames[0]})
