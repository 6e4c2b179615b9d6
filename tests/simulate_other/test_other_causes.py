"""Each cause leaves behind what the table of causes says (the trade's general account of it).

The rows of the table are the outside values; sizes are not looked at, only who moves, which way, and when.
Readings are without noise; what is left is quantisation and slow wear of all packs, so "hardly" is a small
share of the signal that moves.
"""

from __future__ import annotations

import numpy as np
import pytest

from tests.bench.otherworld.story import Deed
from tests.bench.otherworld.world import SPREAD
from tests.simulate_other.made_to_order import AT, DEED_DAY, Made, made

SEEDS = (1, 2, 3, 4)
PACKS = 5
#: Shares of the grains are compared across kinds: kPa, kPa, s, %.
STEP = {"apply_trim": 1.0, "release_trim": 1.0, "shift_time": 0.005, "torque_cut": 0.5}


def steps(unit: Made, against: Made, kind: str, mode: str = "normal") -> np.ndarray:
    """Moves of one kind and mode in steps of the controller, less those of the same unit left alone."""
    where = unit.of(kind, mode)
    return (unit.moved() - against.moved())[where] / STEP[kind]


@pytest.fixture(params=SEEDS)
def seed(request: pytest.FixtureRequest) -> int:
    return int(request.param)


def test_power_moves_apply_release_and_cut_together_where_torque_passes(seed):
    alone, unit = made(seed=seed), made(Deed("power", DEED_DAY, 20.0), seed=seed)
    for mode in ("normal", "tow"):
        for kind in ("apply_trim", "release_trim", "torque_cut"):
            assert np.median(steps(unit, alone, kind, mode)) > 3
            assert (steps(unit, alone, kind, mode) >= 0).all()
    apply, torque = steps(unit, alone, "apply_trim"), unit.box.torque[unit.of("apply_trim")]
    assert np.corrcoef(apply, torque)[0, 1] > 0.95
    assert np.abs(steps(unit, alone, "shift_time")).max() < 2
    assert np.abs(unit.volumes.path - alone.volumes.path).max() < 1e-9


def test_power_down_moves_the_other_way(seed):
    alone, unit = made(seed=seed), made(Deed("power", DEED_DAY, -20.0), seed=seed)
    assert np.median(steps(unit, alone, "apply_trim")) < -3
    assert np.median(steps(unit, alone, "torque_cut")) < -3


def test_load_moves_apply_and_time_in_tow_and_upshifts_more(seed):
    alone, unit = made(seed=seed), made(Deed("load", DEED_DAY, 2.5), seed=seed)
    up = unit.cells.up[unit.of("apply_trim", "tow")]
    for kind in ("apply_trim", "shift_time"):
        moved = steps(unit, alone, kind, "tow")
        assert moved[up].mean() > 1.3 * moved[~up].mean() > 0
        assert abs(steps(unit, alone, kind, "normal").mean()) < 0.4 * moved.mean()
    apply = steps(unit, alone, "apply_trim", "tow").mean()
    assert abs(steps(unit, alone, "torque_cut", "tow").mean()) < 0.1 * apply
    assert abs(steps(unit, alone, "release_trim", "tow").mean()) < 0.15 * apply


def test_fluid_moves_apply_and_time_one_way_and_comes_back_slowly(seed):
    alone, unit = made(seed=seed), made(Deed("fluid", DEED_DAY, 1.0), seed=seed)
    for mode in ("normal", "tow"):
        apply, time = steps(unit, alone, "apply_trim", mode), steps(unit, alone, "shift_time", mode)
        assert len(set(np.sign(np.concatenate([apply, time])))) == 1
        assert np.abs(steps(unit, alone, "release_trim", mode)).max() < 0.3 * np.abs(apply).mean()
        assert np.abs(steps(unit, alone, "torque_cut", mode)).max() < 0.3 * np.abs(apply).mean()
    where = unit.of("apply_trim")
    shown = (unit.shown.values - alone.shown.values)[:, where].mean(axis=1)
    soon = np.argmax(np.abs(shown))
    assert AT[soon] > DEED_DAY
    assert np.abs(shown[-1]) < np.abs(shown[soon])


def test_pressure_is_nearly_equal_in_all_shifts_and_slow(seed):
    slow = Deed("pressure", 100, 30.0, ramp_days=500, curve=1.2)
    alone, unit = made(seed=seed), made(slow, seed=seed)
    where = unit.of("apply_trim")
    moved = (unit.shown.values - alone.shown.values)[-1]
    assert moved[where].mean() == pytest.approx(30.0, abs=3)
    assert np.abs(moved[where] - moved[where].mean()).max() < 8
    release = moved[unit.of("release_trim")].mean()
    assert 0.25 * 30 < release < 0.65 * 30
    assert np.abs(moved[unit.of("torque_cut")]).max() <= 1.0
    path = (unit.shown.values - alone.shown.values)[:, where].mean(axis=1)
    assert np.abs(np.diff(path)).max() < 30 / 6


def test_pressure_can_fall_at_once(seed):
    alone, unit = made(seed=seed), made(Deed("pressure", DEED_DAY, 30.0), seed=seed)
    assert steps(unit, alone, "apply_trim").mean() == pytest.approx(30.0, abs=3)


def test_wear_moves_one_pack_and_the_shifts_that_apply_it(seed):
    pack = 2
    alone, unit = made(seed=seed), made(Deed("wear", 0, 0.9, pack=pack), seed=seed)
    grown = unit.volumes.path[-1] - alone.volumes.path[-1]
    assert grown[pack] > 5
    assert np.abs(np.delete(grown, pack)).max() < 1e-9
    for mode in ("normal", "tow"):
        where = unit.of("apply_trim", mode)
        moved = (unit.shown.values - alone.shown.values)[-1][where]
        own = unit.cells.applies[where] == pack
        assert moved[own].min() > 3
        assert np.abs(moved[~own]).max() <= 1
    assert np.abs(steps(unit, alone, "release_trim")).max() <= 1
    assert np.abs(steps(unit, alone, "torque_cut")).max() <= 1


def test_relearn_jumps_to_the_base_and_comes_back(seed):
    at = np.array([300, 320, 340, DEED_DAY, 420, 500, 650])
    unit = made(Deed("relearn", DEED_DAY, 1.0), seed=seed, at=at)
    seldom = (unit.box.repeats < 0.5) & (unit.box.repeats > 0)
    values, before = unit.shown.values, unit.shown.values[2]
    jump = np.abs(values[3] - unit.box.base)[seldom] < 0.5 * np.abs(before - unit.box.base)[seldom] + 1.5
    assert jump.mean() > 0.8
    often = unit.of("apply_trim")
    assert np.abs(values[-1] - before)[often].max() < 6
    assert np.abs(unit.shown.volumes[3] - unit.shown.volumes[2]).max() < 0.3


def test_rebuild_renews_packs_and_gives_a_new_base(seed):
    renewed = np.array([True, False, True, False, False])
    alone, unit = made(seed=seed), made(Deed("rebuild", DEED_DAY, 1.0, renewed=renewed), seed=seed)
    assert (unit.volumes.life[-1] == renewed).all()
    dropped = unit.volumes.path[DEED_DAY] - unit.volumes.path[DEED_DAY - 1]
    assert (np.abs(dropped[~renewed]) < 0.05).all()
    assert (unit.volumes.path[DEED_DAY][renewed] < unit.volumes.limit[renewed]).all()
    for kind in STEP:
        # The mean size of a normal draw is 0.8 of its spread; of about ten, half of that is safe.
        spread = SPREAD[kind] * np.hypot(0.7, 0.35) / STEP[kind]
        assert np.abs(steps(unit, alone, kind)).mean() > 0.4 * spread


def test_temperature_moves_that_reading_alone(seed):
    degrees = np.full(len(AT), 80.0)
    degrees[10] = 110.0
    alone, unit = made(seed=seed), made(seed=seed, warmth=degrees)
    moved = unit.shown.values - alone.shown.values
    often = unit.of("apply_trim")
    assert (moved[10, often] < -1).all()
    assert np.abs(np.delete(moved, 10, axis=0)[:, often]).max() == 0


def test_a_tune_can_hasten_wear_from_then_on(seed):
    hurry = np.full(PACKS, 2.0)
    alone, unit = made(seed=seed), made(Deed("power", DEED_DAY, 20.0, hurry=hurry), seed=seed)
    before = unit.volumes.path[DEED_DAY - 1] - alone.volumes.path[DEED_DAY - 1]
    assert np.abs(before).max() < 1e-9
    later = slice(DEED_DAY, None)
    growth = np.diff(unit.volumes.path[later], axis=0) / np.diff(alone.volumes.path[later], axis=0)
    assert growth == pytest.approx(2.0)
