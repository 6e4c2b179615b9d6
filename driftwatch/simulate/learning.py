"""The closed learning loop of one unit: need, learning by repeats, stored value, reading.

Every cell has a need that changes with causes, wear and wandering (`needs`). The controller meets it by
repeats: each learning shift closes part of the gap, so a much-used cell follows within days and a
seldom-used one lags by weeks or only repeats its old value. What is read is the stored value: within its
range, rounded to its step, now and then mistyped.

A clearing loses what was learned: a shift cell that has not been learned since shows the cleared value with a
learn count of 0.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from driftwatch.simulate import magnitudes as m
from driftwatch.simulate.difficulty import Difficulty
from driftwatch.simulate.needs import Cells, cells_of, needs
from driftwatch.simulate.plan import Floats, UnitPlan
from driftwatch.simulate.wear import WearPath, wear_path

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


def simulate_unit(
    plan: UnitPlan, seed: np.random.SeedSequence, difficulty: Difficulty, cells: Cells | None = None
) -> UnitRun:
    """Run one unit's learning loop.

    Each source of chance (packs, base values, causes, wandering, learning, reading) has a stream of its own,
    so that a unit with and without a cause differ by that cause only. The same arguments give the same run.
    """
    cells = cells_of(plan.profile) if cells is None else cells
    wear_, base_, effect_, wander_, learn_, read_ = (stream(seed, k) for k in range(6))
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
        fluid_temp_c=np.where(plan.has_temperature, temperature, np.nan).astype(np.float64),
        values=values,
        learn_counts=counts,
        needs=need[rows],
        path=path,
        rows=rows,
    )


def stream(seed: np.random.SeedSequence, number: int) -> np.random.Generator:
    """One of the unit's streams of chance; stream 0 is that of the packs. Unlike `spawn`, leaves no trace."""
    return np.random.default_rng(
        np.random.SeedSequence(entropy=seed.entropy, spawn_key=(*seed.spawn_key, number))
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
