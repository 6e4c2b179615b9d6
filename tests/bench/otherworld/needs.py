"""What every cell would be told to be, day by day, if the controller had learned all there is to learn."""

from __future__ import annotations

import numpy as np

from tests.bench.otherworld.calendar import Driving, wander
from tests.bench.otherworld.story import Deed
from tests.bench.otherworld.wearing import Volumes
from tests.bench.otherworld.world import GRAIN, Floats, Gearbox, Layout, World, new_needs


def daily_needs(
    cells: Layout,
    world: World,
    box: Gearbox,
    driving: Driving,
    deeds: list[Deed],
    volumes: Volumes,
    noise: float,
    rng: np.random.Generator,
) -> Floats:
    """Add up the torque, pressure and fill that each cell has to make up for; (D, C)."""
    days = driving.days
    need = np.tile(box.need, (days, 1))
    power, tonnes, lost = np.zeros(days), np.zeros(days), np.zeros(days)
    for deed in deeds:
        if deed.cause == "power":
            power[deed.day :] += deed.size
        elif deed.cause == "load":
            tonnes[deed.day :] += deed.size
        elif deed.cause == "pressure":
            lost += _loss(deed, days)
        elif deed.cause == "rebuild":
            need[deed.day :] += new_needs(cells, rng)
            lost[deed.day :] = 0.0
    need += power[:, None] * _per_percent(cells, world, box)
    need += tonnes[:, None] * _per_tonne(cells, world, box)
    need += lost[:, None] * _per_kpa(cells, world, box)
    need += _fluid_age(world, box, driving, deeds)[:, None] * _per_age(cells, world, box)
    grown = volumes.path - volumes.path[0]
    need += grown[:, cells.applies] * _per_cm3(cells, world, box)
    return need + noise * _wander(cells, driving, rng)


def _loss(deed: Deed, days: int) -> Floats:
    """Supply pressure lost, kPa: at once, or along a curve that ends at the full loss."""
    since = np.arange(days) - deed.day
    if deed.ramp_days == 0:
        return np.asarray(np.where(since >= 0, deed.size, 0.0))
    return np.asarray(deed.size * np.clip(since / deed.ramp_days, 0.0, 1.0) ** deed.curve)


def _fluid_age(world: World, box: Gearbox, driving: Driving, deeds: list[Deed]) -> Floats:
    """Age of the fluid, from 0 (fresh) toward 1 (spent), with what each service undoes."""
    spent = 1.0 - np.exp(-box.fluid_age)
    pace = np.exp(-driving.km / world.fluid_km)
    fresh = {d.day: d.size for d in deeds if d.cause == "fluid"}
    age = np.empty(driving.days)
    for day in range(driving.days):
        spent = 1.0 - (1.0 - spent) * pace[day]
        if day in fresh:
            spent *= 1.0 - fresh[day]
        age[day] = spent
    return age


def _per_percent(cells: Layout, world: World, box: Gearbox) -> Floats:
    """Change of need per % of engine torque: with the torque that passes the shift."""
    by_kind = {
        "apply_trim": world.power_apply,
        "release_trim": world.power_release,
        "shift_time": world.leak * 0.003,
        "torque_cut": world.power_cut,
    }
    return cells.by_kind(by_kind) * box.torque * box.power_in[cells.mode]


def _per_tonne(cells: Layout, world: World, box: Gearbox) -> Floats:
    """Change of need per tonne: pulled away uphill, so upshifts more, and only where it is driven loaded."""
    by_kind = {
        "apply_trim": world.load_apply,
        "release_trim": world.load_apply * world.leak,
        "shift_time": world.load_time,
        "torque_cut": world.leak * 1.0,
    }
    upward = np.where(cells.up, 1.0, world.load_down)
    even_torque = np.sqrt(box.torque / box.torque.mean())
    return np.asarray(cells.by_kind(by_kind) * upward * even_torque * world.load_in[cells.mode])


def _per_kpa(cells: Layout, world: World, box: Gearbox) -> Floats:
    """Change of need per kPa of lost supply: all made up for by the apply trims, partly by others."""
    by_kind = {
        "apply_trim": 1.0,
        "release_trim": world.pressure_release,
        "shift_time": world.pressure_time,
        "torque_cut": 0.0,
    }
    return cells.by_kind(by_kind) * box.pressure


def _per_age(cells: Layout, world: World, box: Gearbox) -> Floats:
    """Change of need from fresh to spent fluid: friction changes, and the shift takes longer or less."""
    sign = np.sign(world.fluid_apply)
    by_kind = {
        "apply_trim": world.fluid_apply,
        "release_trim": world.fluid_apply * world.leak,
        "shift_time": sign * world.fluid_time,
        "torque_cut": sign * world.leak,
    }
    return cells.by_kind(by_kind) * box.fluid


def _per_cm3(cells: Layout, world: World, box: Gearbox) -> Floats:
    """Change of need per cm3 that the applied pack has grown: it wants more fill."""
    by_kind = {
        "apply_trim": world.fill_apply,
        "release_trim": 0.0,
        "shift_time": world.fill_time,
        "torque_cut": 0.0,
    }
    return cells.by_kind(by_kind) * box.fill


def _wander(cells: Layout, driving: Driving, rng: np.random.Generator) -> Floats:
    """Seasons, drivers and duty: each cell by itself, each signal and mode together, the year's round."""
    days = driving.days
    own = wander(days, float(rng.uniform(25.0, 70.0)), rng, cells.cells)
    groups = cells.kind * len(cells.profile.modes) + cells.mode
    shared = wander(days, float(rng.uniform(40.0, 110.0)), rng, int(groups.max()) + 1)[:, groups]
    round_ = np.sin(2 * np.pi * ((driving.first + np.arange(days)) / 365.25 + rng.uniform()))
    year = round_[:, None] * rng.normal(0.0, 0.4, int(cells.kind.max()) + 1)[cells.kind]
    return np.asarray(cells.by_kind(GRAIN) * (0.55 * own + 0.35 * shared + year))
