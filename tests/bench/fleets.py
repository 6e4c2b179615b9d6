"""Simulated fleets as records, without a store in between, with the truth in one form.

Worlds: `own` is the program's simulator, by the hand that made the statistics; `other` was written apart from
both (`tests.bench.otherworld`); `daily` and `derived` were written apart from all of these, each by itself
(`tests.bench.dailyworld`, `tests.bench.derivedworld`).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date

import numpy as np
import pandas as pd

from driftwatch.intake.rules import ODOMETER_KM, physical_bounds
from driftwatch.profile.load import builtin
from driftwatch.profile.model import Profile
from driftwatch.simulate.difficulty import preset
from driftwatch.simulate.loop import SimulatedFleet, simulate_fleet
from driftwatch.store.odometer import misfits
from driftwatch.store.records import Records
from tests.bench import dailyworld, derivedworld
from tests.bench.otherworld import OtherFleet, make_fleet


@dataclass(frozen=True)
class KnownFleet:
    """A fleet, and the truth about it.

    Attributes
    ----------
    fleet : SimulatedFleet or OtherFleet
        Units, snapshots and events in the forms of the contract.
    causes : DataFrame
        What was done or began: `unit`, `cause`, `at`, `until` (end of a slow change, NaT for a step).
        Without wear, which is read from `packs`.
    packs : DataFrame
        One row a unit, clutch and snapshot: `unit`, `clutch`, `taken_at`, `used` (share of the allowance at
        the first snapshot of the present life), `remaining_km` (infinite where not known to be reached).
    read : dict
        For each unit the modes that were read of it, and the packs whose volumes were.
    first, last : Timestamp
        First and last reading of the fleet.

    """

    fleet: SimulatedFleet | OtherFleet
    causes: pd.DataFrame
    packs: pd.DataFrame
    read: dict[str, frozenset[str]]
    first: pd.Timestamp
    last: pd.Timestamp

    def day_at(self, share: float) -> date:
        """Give the day at some share of the fleet's span; 1 is the day of the last reading."""
        day = self.first + share * (self.last - self.first)
        return day.date()

    def records(self, as_of: date) -> Records:
        """Give what was known on a day."""
        return as_records(self.fleet, as_of)


def own_world(profile: str, units: int, seed: int, difficulty: str) -> KnownFleet:
    """Simulate a fleet with the program's own simulator."""
    fleet = simulate_fleet(builtin(profile), units, seed, preset(difficulty))
    return _known(fleet, fleet.truth.assign(until=pd.Timestamp("NaT")))


def other_world(profile: str, units: int, seed: int, difficulty: str) -> KnownFleet:
    """Simulate a fleet with the simulator that was written apart."""
    fleet = make_fleet(profile, units, seed, difficulty)
    return _known(fleet, fleet.truth)


def daily_world(profile: str, units: int, seed: int, difficulty: str) -> KnownFleet:
    """Simulate a fleet with the simulator that goes day by day; see `_with_generic_6`."""
    return _with_generic_6(dailyworld.make_fleet, "daily", profile, units, seed, difficulty)


def derived_world(profile: str, units: int, seed: int, difficulty: str) -> KnownFleet:
    """Simulate a fleet with the simulator that derives trims from pressures; see `_with_generic_6`."""
    return _with_generic_6(derivedworld.make_fleet, "derived", profile, units, seed, difficulty)


def _with_generic_6(
    make: Callable[[int, int, str], OtherFleet],
    world: str,
    profile: str,
    units: int,
    seed: int,
    difficulty: str,
) -> KnownFleet:
    """Simulate a fleet of a world that knows the profile `generic-6` only.

    Hard fleets contain odometers and values that were mistyped. The scorecard takes records without an
    import, so what an import would put into quarantine is left out here, by the import's own rules: values
    outside what is possible at all, and snapshots whose odometer is negative, runs backwards or could not
    have been reached.
    """
    if profile != "generic-6":
        raise ValueError(f"the {world} world knows only generic-6, not {profile}")
    fleet = make(units, seed, difficulty)
    fleet = replace(fleet, snapshots=_let_in(fleet.snapshots, fleet.profiles[profile]))
    return _known(fleet, fleet.truth)


WORLDS: dict[str, Callable[[str, int, int, str], KnownFleet]] = {
    "own": own_world,
    "other": other_world,
    "daily": daily_world,
    "derived": derived_world,
}


def mistyped(known: KnownFleet, share: float, seed: int) -> KnownFleet:
    """Give the fleet with a share of its readings mistyped: the sign of trims, a digit of all else."""
    rng = np.random.default_rng(seed)
    shown = known.fleet.snapshots
    wrong = rng.random(len(shown)) < share
    digit = 1.0 + 0.1 * rng.choice([-1.0, 1.0], len(shown))
    factor = np.where(shown["signal"].astype(str).str.endswith("_trim"), -1.0, digit)
    value = shown["value"] * np.where(wrong, factor, 1.0)
    return replace(known, fleet=replace(known.fleet, snapshots=shown.assign(value=value)))


def _let_in(snapshots: pd.DataFrame, profile: Profile) -> pd.DataFrame:
    """Leave out what an import would put into quarantine for its odometer or its value."""
    bounds = {s.name: physical_bounds(s.name, s.unit) for s in profile.signals}
    low, high = (snapshots["signal"].map({s: pair[i] for s, pair in bounds.items()}) for i in (0, 1))
    sound = snapshots["odometer_km"].between(*ODOMETER_KM) & snapshots["value"].between(low, high)
    rows = snapshots[sound]
    line = rows[["unit", "taken_at", "odometer_km"]].drop_duplicates(["unit", "taken_at"])
    line = line.rename(columns={"taken_at": "at_time"}).sort_values(["unit", "at_time"])
    line = line.assign(fresh=True, snap=range(len(line)))
    wrong = line[line["snap"].isin(list(misfits(line)))]
    heads = pd.MultiIndex.from_frame(rows[["unit", "taken_at"]])
    kept = ~heads.isin(pd.MultiIndex.from_frame(wrong[["unit", "at_time"]]))
    return rows[kept].reset_index(drop=True)


def _known(fleet: SimulatedFleet | OtherFleet, truth: pd.DataFrame) -> KnownFleet:
    causes = truth.loc[truth["cause"] != "wear", ["unit", "cause", "at", "until"]].copy()
    causes["at"], causes["until"] = pd.to_datetime(causes["at"]), pd.to_datetime(causes["until"])
    packs = fleet.packs.sort_values("taken_at", kind="stable").copy()
    packs["taken_at"] = pd.to_datetime(packs["taken_at"])
    start = packs.groupby(["unit", "clutch", "life"], observed=True)["volume_cm3"].transform("first")
    packs["used"] = (packs["volume_cm3"] - start) / (packs["limit_cm3"] - start)
    packs["remaining_km"] = packs["remaining_km"].fillna(float("inf"))
    taken = pd.to_datetime(fleet.snapshots["taken_at"])
    return KnownFleet(fleet, causes, packs, _read(fleet.snapshots), taken.min(), taken.max())


def _read(snapshots: pd.DataFrame) -> dict[str, frozenset[str]]:
    """Give the modes and the packs that were read of each unit."""
    of_pack = snapshots["signal"] == "clutch_volume"
    what = snapshots["mode"].astype(str).where(~of_pack, snapshots["channel"].astype(str))
    names = pd.DataFrame({"unit": snapshots["unit"].astype(str), "what": what}).drop_duplicates()
    return {str(unit): frozenset(rows["what"]) for unit, rows in names.groupby("unit")}


def as_records(fleet: SimulatedFleet | OtherFleet, as_of: date) -> Records:
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
    return Records(
        as_of,
        fleet.units,
        snapshots.assign(source="").reset_index(drop=True),
        readings,
        events,
        _profiles(fleet),
    )


def _profiles(fleet: SimulatedFleet | OtherFleet) -> dict[str, Profile]:
    if isinstance(fleet, OtherFleet):
        return fleet.profiles
    return {p.profile.name: p.profile for p in fleet.plans}
