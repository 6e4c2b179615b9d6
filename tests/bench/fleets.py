"""Simulated fleets as records, without a store in between."""

from __future__ import annotations

from datetime import date

import pandas as pd

from driftwatch.profile.load import builtin
from driftwatch.simulate.difficulty import preset
from driftwatch.simulate.loop import SimulatedFleet, simulate_fleet
from driftwatch.store.records import Records


def simulated(profile: str, units: int, seed: int, difficulty: str) -> tuple[Records, SimulatedFleet]:
    """Simulate a fleet and give what a store would hand on, with the truth."""
    kind = builtin(profile)
    fleet = simulate_fleet(kind, units, seed, preset(difficulty))
    return as_records(fleet, date(2026, 10, 31)), fleet


def as_records(fleet: SimulatedFleet, as_of: date) -> Records:
    """Give a simulated fleet's long frames in the form of the store's records."""
    long = fleet.snapshots.copy()
    for name in ("taken_at",):
        long[name] = pd.to_datetime(long[name]).astype("datetime64[us]")
    long = long[long["taken_at"] < pd.Timestamp(as_of) + pd.Timedelta(days=1)]
    long = long.sort_values(["unit", "taken_at"], kind="stable").reset_index(drop=True)
    if "fluid_temp_c" not in long:
        long["fluid_temp_c"] = float("nan")
    snapshots = long[["unit", "taken_at", "odometer_km", "fluid_temp_c"]].drop_duplicates(
        ["unit", "taken_at"]
    )
    readings = long[["unit", "taken_at", "mode", "channel", "signal", "value", "learn_count"]]
    events = fleet.events.copy()
    events["happened_at"] = pd.to_datetime(events["happened_at"]).astype("datetime64[us]")
    events = events[events["happened_at"] < pd.Timestamp(as_of) + pd.Timedelta(days=1)]
    events = events.sort_values(["unit", "happened_at"], kind="stable").reset_index(drop=True)
    events["event_id"] = [f"E{i:04d}" for i in range(1, len(events) + 1)]
    profiles = {p.profile.name: p.profile for p in fleet.plans}
    return Records(
        as_of, fleet.units, snapshots.assign(source="").reset_index(drop=True), readings, events, profiles
    )
