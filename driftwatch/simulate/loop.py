"""The closed learning loop: need, learning by repeats, stored value, reading, with the truth kept.

Every cell has a need that changes with causes, wear and wandering (`needs`). The controller meets it by
repeats: each learning shift closes part of the gap, so a much-used cell follows within days and a
seldom-used one lags by weeks or only repeats its old value. What is read is the stored value: within its
range, rounded to its step, now and then mistyped.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from driftwatch.errors import UsageError
from driftwatch.profile.model import Profile
from driftwatch.simulate import magnitudes as m
from driftwatch.simulate.difficulty import USUAL, Difficulty
from driftwatch.simulate.needs import Cells, cells_of, needs
from driftwatch.simulate.plan import MIX, Floats, UnitPlan, draw_plan
from driftwatch.simulate.wear import WearPath, wear_path

#: Share of its allowance that a pack must have used, in its present life, to count as worn.
WORN_SHARE = 0.3
#: Repeats of the deliberate routine that measures the volumes afresh after a relearn or rebuild.
ROUTINE_REPEATS = 3


@dataclass(frozen=True, eq=False)
class UnitRun:
    """One simulated unit.

    Attributes
    ----------
    plan : UnitPlan
    cells : Cells
        All cells of the type, recorded or not.
    recorded : array (C,) of bool
    taken_at : array (T,)
        datetime64[us], whole minutes.
    odometer_km, fluid_temp_c : array (T,)
        Temperature NaN if it is not recorded.
    values : array (T, C)
        As read.
    learn_counts : array (T, C)
        Learning shifts since the snapshot before.
    needs : array (T, C)
        The true need at each snapshot.
    path : WearPath
    rows : array (T,)
        The snapshots' rows in the path.

    """

    plan: UnitPlan
    cells: Cells
    recorded: np.ndarray
    taken_at: np.ndarray
    odometer_km: Floats
    fluid_temp_c: Floats
    values: Floats
    learn_counts: Floats
    needs: Floats
    path: WearPath
    rows: np.ndarray


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

    def __repr__(self) -> str:
        return (
            f"SimulatedFleet({self.profile.name!r}: {len(self.units)} units, {len(self.snapshots)} readings, "
            f"{len(self.events)} log entries, {len(self.truth)} causes)"
        )


def simulate_fleet(
    profile: Profile,
    n_units: int,
    seed: int,
    difficulty: Difficulty = USUAL,
    *,
    years: float = 3.0,
    ends: str = "2026-10-31",
    mix: dict[str, float] | None = None,
    progress: Callable[[str, int, int], None] | None = None,
) -> SimulatedFleet:
    """Simulate a fleet of one transmission type.

    Parameters
    ----------
    profile : Profile
    n_units : int
        Units are named `U0001` on; the first units of a larger fleet are the same as a smaller fleet's.
    seed : int
        The same seed gives the same fleet.
    difficulty : Difficulty
    years : float
        Length of the history.
    ends : str
        ISO date; no snapshot is later.
    mix : dict, optional
        Weight of each first cause; default `plan.MIX`, a third of the units without any.
    progress : callable, optional

    Returns
    -------
    SimulatedFleet

    """
    mix = MIX if mix is None else mix
    if unknown := set(mix) - set(MIX):
        raise UsageError(f"unknown cause {min(unknown)!r} in the mix", do=f"choose from {', '.join(MIX)}")
    if n_units < 1 or years <= 0:
        raise UsageError("a fleet needs at least one unit and a history longer than 0 years")
    cells = cells_of(profile)
    runs: list[UnitRun] = []
    for i, child in enumerate(np.random.SeedSequence(seed).spawn(n_units)):
        for_plan, for_run = child.spawn(2)
        plan = draw_plan(
            f"U{i + 1:04d}",
            profile,
            np.random.default_rng(for_plan),
            difficulty,
            years=years,
            ends=np.datetime64(ends),
            mix=mix,
        )
        runs.append(simulate_unit(plan, for_run, difficulty, cells))
        if progress is not None:
            progress("simulating", i + 1, n_units)
    return gather(runs)


def simulate_unit(
    plan: UnitPlan, seed: np.random.SeedSequence, difficulty: Difficulty, cells: Cells | None = None
) -> UnitRun:
    """Run one unit's learning loop.

    Each source of chance (packs, base values, causes, wandering, learning, reading) has a stream of its own.
    """
    cells = cells_of(plan.profile) if cells is None else cells
    wear_, base_, effect_, wander_, learn_, read_ = (np.random.default_rng(s) for s in seed.spawn(6))
    path = wear_path(plan, wear_, difficulty)
    rows = np.searchsorted(path.days, plan.snapshot_days)
    steps = int(rows[-1]) + 1
    need = needs(plan, cells, path, steps, (base_, effect_, wander_), difficulty)

    winter = -np.cos(2.0 * np.pi * (_day_of_year(plan) / 365.25))
    temperature = np.round(np.clip(80.0 + 6.0 * winter + read_.normal(0.0, 9.0, len(rows)), 25.0, 115.0), 1)
    warm = difficulty.temperature * np.outer(temperature - 80.0, cells.sizes["per_degree"])
    values, counts = _learn(plan, cells, path, rows, need, warm, learn_, difficulty)
    values = _mistype(values, difficulty.slips, read_)

    at = plan.first + np.round(plan.snapshot_days * 1440).astype("timedelta64[m]")
    recorded = np.isin(cells.signal, plan.signals) & np.isin(cells.mode, ("", *plan.modes))
    return UnitRun(
        plan=plan,
        cells=cells,
        recorded=recorded,
        taken_at=at.astype("datetime64[m]").astype("datetime64[us]"),
        odometer_km=np.round(path.km[rows]),
        fluid_temp_c=temperature if plan.has_temperature else np.full(len(rows), np.nan),
        values=values,
        learn_counts=counts,
        needs=need[rows],
        path=path,
        rows=rows,
    )


def _day_of_year(plan: UnitPlan) -> Floats:
    at = plan.first + (plan.snapshot_days * 86400).astype("timedelta64[s]")
    return np.asarray((at - at.astype("datetime64[Y]")) / np.timedelta64(1, "D"), dtype=np.float64)


def _learn(
    plan: UnitPlan,
    cells: Cells,
    path: WearPath,
    rows: np.ndarray,
    need: Floats,
    warm: Floats,
    rng: np.random.Generator,
    difficulty: Difficulty,
) -> tuple[Floats, Floats]:
    """Follow the needs by repeats, and read the stored values at the snapshots: values, counts (T, C)."""
    steps, width = need.shape
    volume = cells.of("clutch_volume")
    days, km = path.days[:steps], path.km[:steps]
    driven = np.diff(km, prepend=km[0] - 30.0 * plan.km_per_day)
    counts = rng.poisson(np.outer(driven / 1000.0, _learning_rate(plan, cells, rng, difficulty))).astype(
        float
    )
    luck = rng.normal(size=(steps, width)) * cells.sizes["noise"] * difficulty.noise
    # A row at the time of a clearing: the values are lost at its end.
    clears = np.isin(days, [a.day for a in plan.actions if a.kind in ("relearn", "rebuild")])
    is_snapshot = np.zeros(steps, dtype=bool)
    is_snapshot[rows] = True

    counts[0] = np.maximum(counts[0], 1.0)
    stored, scatter = np.clip(need[0], cells.lower, cells.upper), luck[0].copy()
    read, since, lost = np.full(width, np.nan), np.zeros(width), np.zeros(width, dtype=bool)
    routine = False
    values, taught = np.empty((len(rows), width)), np.empty((len(rows), width))
    t = 0
    for j in range(steps):
        if routine:
            counts[j, volume] += ROUTINE_REPEATS
        keep = np.exp(-counts[j] / difficulty.shifts_to_learn) if j else np.ones(width)
        if routine:
            keep[volume] = 0.0
        routine = False
        stored = np.clip(need[j] + (stored - need[j]) * keep, cells.lower, cells.upper)
        if j:
            scatter = scatter * keep + luck[j] * np.sqrt(1.0 - keep**2)
        since += counts[j]
        if is_snapshot[j]:
            now = np.where(since > 0, stored + scatter + warm[t], stored)
            now = _rounded(now, cells)
            read = np.where((since > 0) | lost, now, read)
            values[t], taught[t] = read, since
            since, lost = np.zeros(width), np.zeros(width, dtype=bool)
            t += 1
        if clears[j]:
            stored = np.where(volume, stored, np.clip(cells.sizes["cleared"], cells.lower, cells.upper))
            scatter = np.where(volume, scatter, 0.0)
            # What was learned before the clearing is gone, and so are its counts.
            since, lost, routine = np.zeros(width), ~volume, True
    return values, taught


def _learning_rate(plan: UnitPlan, cells: Cells, rng: np.random.Generator, difficulty: Difficulty) -> Floats:
    """Learning shifts per 1000 km of each cell, (C,)."""
    by_shift = np.exp(rng.normal(0.0, 0.3, len(cells.channels)))[cells.channel_no]
    use = plan.mode_use or {}
    by_mode = np.array(
        [m.VOLUME_PER_1000_KM]
        + [m.LEARNING_PER_1000_KM.get(x, m.OTHER_MODE_PER_1000_KM) * use.get(x, 1.0) for x in cells.modes[1:]]
    )
    return np.asarray(by_mode[cells.mode_no] * by_shift * difficulty.learning, dtype=np.float64)


def _rounded(values: Floats, cells: Cells) -> Floats:
    """Within the range, on the step."""
    step = np.where(cells.resolution > 0, cells.resolution, 1.0)
    out = np.where(
        cells.resolution > 0, np.round(np.clip(values, cells.lower, cells.upper) / step) * step, values
    )
    return np.asarray(np.round(np.clip(out, cells.lower, cells.upper), 6), dtype=np.float64)


def _mistype(values: Floats, chance: float, rng: np.random.Generator) -> Floats:
    """Slips of the keyboard: a wrong sign, a lost decimal point, or two digits gone."""
    wrong = rng.random(values.shape) < chance
    kind = rng.integers(0, 3, values.shape)
    slipped = np.choose(kind, [-values, values * 10.0, np.trunc(values / 10.0)])
    return np.where(wrong, np.round(slipped, 6), values)


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


def _in_service(plan: UnitPlan) -> np.datetime64:
    """First day in service, from the distance before the first snapshot."""
    days = round(plan.first_odometer_km / plan.km_per_day)
    return (plan.first - np.timedelta64(days, "D")).astype("datetime64[D]").astype("datetime64[us]")


def _long(runs: list[UnitRun], cells: Cells, names: list[str]) -> pd.DataFrame:
    sizes = [len(r.rows) * int(r.recorded.sum()) for r in runs]
    cell = np.concatenate([np.tile(np.flatnonzero(r.recorded), len(r.rows)) for r in runs])

    def per_snapshot(get: Callable[[UnitRun], np.ndarray]) -> np.ndarray:
        return np.concatenate([np.repeat(get(r), int(r.recorded.sum())) for r in runs])

    def per_cell(get: Callable[[UnitRun], np.ndarray]) -> np.ndarray:
        return np.concatenate([get(r)[:, r.recorded].ravel() for r in runs])

    def text(codes: np.ndarray, of: tuple[str, ...] | list[str]) -> pd.Categorical:
        return pd.Categorical.from_codes(codes, categories=list(of))

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


def _time(plan: UnitPlan, day: float) -> np.datetime64:
    return (plan.first + np.timedelta64(round(day * 1440), "m")).astype("datetime64[us]")


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
            rows.append(
                (r.plan.unit, action.kind, _time(r.plan, action.day), km, "", modes, logged)
                + (action.size, units.get(action.kind, ""))
            )
        rows += [(r.plan.unit, "wear", *row, every, False, share, "of allowance") for *row, share in _worn(r)]
    columns = ["unit", "cause", "at", "odometer_km", "clutch", "modes", "logged", "size", "size_unit"]
    frame = pd.DataFrame(rows, columns=columns).astype({"logged": bool, "odometer_km": float, "size": float})
    frame["at"] = pd.to_datetime(frame["at"])
    return frame.sort_values(["unit", "at", "cause"], kind="stable", ignore_index=True)


def _worn(r: UnitRun) -> list[tuple[np.datetime64, float, str, float]]:
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
