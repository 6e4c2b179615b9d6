"""The daily world: repeatable, in the contract's forms, true to its law and to what is known of causes."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import numpy as np
import pandas as pd
import pytest
from pandas.testing import assert_frame_equal

from driftwatch.profile.load import builtin
from tests.bench import dailyworld, fleets
from tests.bench.dailyworld import DIALS, make_fleet
from tests.bench.dailyworld.acts import Act, acts_done, plan_acts
from tests.bench.dailyworld.calendar import Driving
from tests.bench.dailyworld.controller import learn, share_closed
from tests.bench.dailyworld.layout import (
    APPLIES,
    CELLS,
    LIMIT_CM3,
    LOWER,
    MODES,
    NEW_CM3,
    PACKS,
    SHAPE,
    SHIFTS,
    SIGNALS,
    STEP,
    UP,
    UPPER,
    VOLUME_LOWER,
    VOLUME_STEP,
    VOLUME_UPPER,
    WIDTH,
)
from tests.bench.dailyworld.needs import draw_needs
from tests.bench.dailyworld.shared import draw_shared
from tests.bench.dailyworld.slips import slip
from tests.bench.dailyworld.wearing import Course, Packs, follow, tracks
from tests.bench.fleets import WORLDS, daily_world
from tests.bench.otherworld import OtherFleet
from tests.bench.scorecard import program, score
from tests.bench.scoring import Card

KEY = ["unit", "mode", "channel", "signal"]
DAY, DAYS = 100, 200
APPLY, RELEASE, TIME, CUT = range(4)
NORMAL, TOW = 0, 1


@pytest.fixture(scope="module")
def usual() -> OtherFleet:
    return make_fleet(16, 41, "usual")


@pytest.fixture(scope="module")
def hard() -> OtherFleet:
    return make_fleet(12, 41, "hard")


@pytest.fixture(scope="module", params=["usual", "hard"])
def fleet(request: pytest.FixtureRequest) -> OtherFleet:
    return request.getfixturevalue(request.param)


# --- forms --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("difficulty", list(DIALS))
def test_the_same_seed_gives_the_same_fleet(difficulty):
    one, two = (make_fleet(2, 7, difficulty) for _ in range(2))
    for name in ("units", "snapshots", "events", "truth", "packs"):
        assert_frame_equal(getattr(one, name), getattr(two, name))
    assert not one.snapshots["value"].equals(make_fleet(2, 8, difficulty).snapshots["value"])


def test_a_unit_does_not_depend_on_the_others(usual):
    few = make_fleet(2, 41, "usual").snapshots
    both = usual.snapshots[usual.snapshots["unit"].isin(["U0001", "U0002"])]
    assert_frame_equal(few, both.reset_index(drop=True))


def test_its_arrangement_is_that_of_the_profile():
    profile = builtin("generic-6")
    assert tuple(c.id for c in profile.clutches) == PACKS
    assert list(NEW_CM3) == [c.new_volume_cm3 for c in profile.clutches]
    assert list(LIMIT_CM3) == [c.limit_cm3 for c in profile.clutches]
    assert tuple(s.id for s in profile.shifts) == SHIFTS
    assert [PACKS[p] for p in APPLIES] == [s.applies for s in profile.shifts]
    assert list(UP) == [s.is_up for s in profile.shifts]
    assert tuple(profile.modes) == MODES
    signals = [profile.signal(name) for name in (*SIGNALS, "clutch_volume")]
    assert [s.lower for s in signals] == [*LOWER, VOLUME_LOWER]
    assert [s.upper for s in signals] == [*UPPER, VOLUME_UPPER]
    assert [s.resolution for s in signals] == [*STEP, VOLUME_STEP]


def test_columns_and_names_are_those_of_the_contract(fleet):
    assert list(fleet.units.columns) == ["unit", "profile", "in_service_on", "site", "note"]
    needed = {"unit", "taken_at", "odometer_km", "mode", "channel", "signal", "value"}
    assert needed | {"fluid_temp_c", "learn_count"} == set(fleet.snapshots.columns)
    assert {"unit", "happened_at", "kind", "amount", "amount_unit", "note"} == set(fleet.events.columns)
    assert set(fleet.events["kind"]) <= {"power", "load", "fluid", "relearn", "rebuild", "repair", "other"}
    assert set(fleet.truth["cause"]) <= {"power", "load", "fluid", "relearn", "rebuild", "pressure"}
    of_pack = fleet.snapshots["signal"] == "clutch_volume"
    assert set(fleet.snapshots.loc[of_pack, "mode"]) == {""}
    assert set(fleet.snapshots.loc[of_pack, "channel"]) == set(PACKS)
    assert set(fleet.snapshots.loc[~of_pack, "mode"]) <= set(MODES)
    assert set(fleet.snapshots.loc[~of_pack, "channel"]) == set(SHIFTS)
    assert not fleet.snapshots.duplicated([*KEY, "taken_at"]).any()
    assert not fleet.packs.duplicated(["unit", "clutch", "taken_at"]).any()
    assert fleet.snapshots[sorted(needed)].notna().all().all()


def test_values_lie_on_the_steps_and_in_the_range(usual):
    for name, rows in usual.snapshots.groupby("signal"):
        signal = builtin("generic-6").signal(str(name))
        assert rows["value"].between(signal.lower, signal.upper).all()
        steps = rows["value"].to_numpy() / signal.resolution
        assert np.abs(steps - np.round(steps)).max() < 1e-6


def test_odometers_run_forward_where_nothing_is_mistyped(usual):
    for _, rows in usual.snapshots.drop_duplicates(["unit", "taken_at"]).groupby("unit"):
        assert rows["taken_at"].is_monotonic_increasing
        assert rows["odometer_km"].is_monotonic_increasing


def test_a_count_of_zero_repeats_the_value_where_nothing_was_cleared(usual):
    cleared = usual.truth.loc[usual.truth["cause"].isin(["relearn", "rebuild"]), "unit"]
    rows = usual.snapshots[~usual.snapshots["unit"].isin(cleared)]
    before = rows.groupby(KEY)["value"].shift()
    stale = (rows["learn_count"] == 0) & before.notna()
    assert stale.sum() > 100
    assert (rows.loc[stale, "value"] == before[stale]).all()


@pytest.mark.parametrize("difficulty", list(DIALS))
def test_to_a_share_of_the_units_nothing_happens(difficulty):
    dial, rng = DIALS[difficulty], np.random.default_rng(3)
    plans = [plan_acts(dial, 900, 90_000.0, rng) for _ in range(1000)]
    # Four standard errors of a share of 1000 with 0.38.
    assert np.mean([not acts for acts in plans]) == pytest.approx(dial.nothing, abs=0.062)
    assert {a.cause for acts in plans for a in acts} == {
        *("power", "load", "fluid", "relearn", "rebuild", "pressure")
    }
    assert all(0 < a.day < 900 for acts in plans for a in acts)


def test_a_mistyped_value_has_a_place_too_many_another_sign_or_other_digits():
    rng = np.random.default_rng(1)
    seen = {slip(12.0, 1.0, rng) for _ in range(500)}
    # Hand-listed: 12 tenfold, its sign, its digits swapped, and its first digit changed.
    assert seen == {120.0, -12.0, 21.0, 2.0, 22.0, 32.0, 42.0, 52.0, 62.0, 72.0, 82.0, 92.0}


# --- what causes leave behind -------------------------------------------------------------------------------


def steps(act: Act | None, growing: int | None = None) -> tuple[np.ndarray, np.ndarray]:
    """Give what one act, or a cm3 by which a pack grows, changes overnight in the needs; (fleets, 4, 10, 3).

    In terms of each fleet's error of one reading; and the sign of each fleet's answer to old fluid.
    """
    driven = 100.0 * np.arange(1.0, DAYS + 1)
    driving = Driving(pd.Timestamp("2022-01-03"), np.full(DAYS, 100.0), driven, 100.0, np.zeros(DAYS), 2e5)
    volume = np.tile(NEW_CM3, (DAYS, 1))
    if growing is not None:
        volume[DAY:, growing] += 1.0
    new = np.tile(NEW_CM3, (DAYS, 1))
    course = Course(volume, new, np.zeros((DAYS, 5), dtype=np.int64), np.full((DAYS, 5), np.inf))
    found, ways = [], []
    for seed in range(20):
        rng = np.random.default_rng(seed)
        shared = draw_shared(DIALS["usual"], rng)
        asked = draw_needs(shared, driving, [act] if act else [], course, rng).asked[:, :CELLS]
        step = (asked[DAY] - asked[DAY - 1]).reshape(SHAPE)
        found.append(step / shared.noise.read[:, None, None])
        ways.append(np.sign(shared.answers.fluid[APPLY, 0, 0]))
    return np.array(found), np.array(ways)


def test_power_moves_apply_release_and_torque_cut_together_in_all_modes():
    found, _ = steps(Act("power", DAY, 0.2))
    assert (found[:, [APPLY, RELEASE, CUT]].mean(axis=3) > 1.0).all()
    assert np.abs(found[:, TIME].mean()) < 0.2 * found[:, [APPLY, RELEASE, CUT]].mean()
    less, _ = steps(Act("power", DAY, -0.2))
    np.testing.assert_allclose(less.mean(), -found.mean(), rtol=0.05)


def test_load_moves_apply_and_time_mostly_in_tow():
    found, _ = steps(Act("load", DAY, 2.0))
    in_tow = found[..., TOW]
    assert (in_tow[:, [APPLY, TIME]].mean(axis=2) > 1.0).all()
    # The normal mode feels a twentieth to a sixth of it, in some units up to three times as much.
    assert np.abs(found[:, [APPLY, TIME]][..., NORMAL]).mean() < 0.3 * in_tow[:, [APPLY, TIME]].mean()
    assert np.abs(in_tow[:, [RELEASE, CUT]].mean()) < 0.25 * in_tow[:, [APPLY, TIME]].mean()
    assert in_tow[:, APPLY, :5].mean() > in_tow[:, APPLY, 5:].mean()


def test_lost_pressure_is_made_up_for_in_every_shift():
    found, _ = steps(Act("pressure", DAY, 20.0))
    assert (found[:, APPLY] > 0).all()
    assert np.ptp(found[:, APPLY] / found[:, APPLY].mean(axis=(1, 2), keepdims=True)) < 1.0
    assert np.abs(found[:, CUT]).max() < 0.1


def test_fresh_fluid_takes_back_what_old_fluid_asked_for_in_either_way():
    found, ways = steps(Act("fluid", DAY, 1.0))
    assert set(ways) == {-1.0, 1.0}
    against = -ways[:, None, None] * found.mean(axis=3)
    assert (against[:, [APPLY, TIME]].mean(axis=2) > 1.0).all()
    assert np.abs(found[:, [RELEASE, CUT]]).mean() < 0.2 * np.abs(found[:, [APPLY, TIME]]).mean()


def test_a_pack_that_grows_moves_the_shifts_that_apply_it_only():
    grown, _ = steps(None, growing=1)
    same, _ = steps(None)
    moved = np.abs(grown - same) > 1e-9
    assert moved[:, [APPLY, TIME]][:, :, APPLIES == 1].all()
    assert not moved[:, :, APPLIES != 1].any()
    assert not moved[:, [RELEASE, CUT]].any()


def test_a_rebuild_gives_every_cell_a_new_level():
    found, _ = steps(Act("rebuild", DAY, renew=np.ones(5, dtype=bool)))
    assert (np.abs(found).mean(axis=(0, 2, 3)) > 1.0).all()


def test_power_is_seen_in_the_readings_of_whole_fleets():
    known = make_fleet(24, 5, "usual")
    alone = known.truth.groupby("unit").filter(
        lambda rows: len(rows) == 1 and rows["cause"].iloc[0] == "power"
    )
    moved = []
    for row in alone.itertuples():
        mine = known.snapshots[(known.snapshots["unit"] == row.unit) & (known.snapshots["mode"] == "normal")]
        days = (mine["taken_at"] - row.at).dt.days
        before, after = mine[days.between(-150, -1)], mine[days.between(15, 150)]
        means = [part.groupby("signal")["value"].mean() for part in (before, after)]
        moved.append(means[1] - means[0])
    assert len(moved) >= 3
    # Either way, by the sign of each power change: the three always move together.
    ways = np.sign([m["apply_trim"] for m in moved])
    for signal in ("release_trim", "torque_cut"):
        assert [np.sign(m[signal]) for m in moved] == list(ways)


# --- the learning filter ------------------------------------------------------------------------------------


def test_so_many_shifts_close_so_much_of_the_gap():
    # Hand-solved: 1 - exp(-n / 4) of 0, 4 and 8 shifts.
    closed = share_closed(np.array([0, 4, 8]), np.full(3, 4.0))
    assert closed == pytest.approx([0.0, 0.6321206, 0.8646647])
    # Twice 4 shifts close as much as 8 at once.
    assert 1 - (1 - closed[1]) ** 2 == pytest.approx(closed[2])


def learned(asked: float, closed: list[float], cleared: list[int]) -> np.ndarray:
    days = len(closed)
    shares = np.repeat(np.array(closed)[:, None], WIDTH, axis=1)
    start = np.r_[np.zeros(CELLS), np.full(5, 30.0)]
    base, volumes = np.full(CELLS, 4.0), np.full((days, 5), 50.0)
    return learn(start, np.full((days, WIDTH), asked), shares, base, volumes, cleared)


def test_half_of_the_gap_is_closed_each_day():
    # Hand-solved: 0 -> 10 by halves, and a day without a shift.
    assert learned(10.0, [0.5, 0.5, 0.0, 0.5], [])[:, 0] == pytest.approx([5.0, 7.5, 7.5, 8.75])


def test_clearing_starts_from_the_base_and_measures_the_packs():
    # Hand-solved: the third day begins at 4, of 6 to go half are closed; the packs at 50, half-way to 10.
    found = learned(10.0, [0.5, 0.5, 0.5, 0.0], [2])
    assert found[:, 0] == pytest.approx([5.0, 7.5, 7.0, 7.0])
    assert found[:, CELLS] == pytest.approx([20.0, 15.0, 30.0, 30.0])


def test_learned_values_stay_in_the_range():
    found = learned(500.0, [1.0, 1.0], [])
    assert found[-1, [0, CELLS // 4, CELLS // 2, 3 * CELLS // 4, CELLS]] == pytest.approx(
        [*UPPER, VOLUME_UPPER]
    )


# --- wear ---------------------------------------------------------------------------------------------------


def test_volumes_never_fall_within_a_life(fleet):
    for _, rows in fleet.packs.groupby(["unit", "clutch", "life"]):
        assert rows["taken_at"].is_monotonic_increasing
        assert (rows["volume_cm3"].diff().dropna() >= 0).all()


def test_remaining_distance_is_zero_where_the_limit_is_reached_only():
    packs = pd.concat([make_fleet(24, seed, d).packs for seed, d in ((5, "usual"), (11, "hard"))])
    reached = packs["volume_cm3"] >= packs["limit_cm3"]
    assert reached.sum() > 20
    assert (packs["remaining_km"][reached] == 0).all()
    assert (packs["remaining_km"][~reached] > 0).all()


def made_packs(hasten: float, acts: tuple[Act, ...] = (), act_km: tuple[float, ...] = ()) -> Packs:
    grid = np.arange(0.0, 600_000.0, 250.0)
    return Packs(
        acts=acts,
        act_km=act_km,
        grid=grid,
        new=NEW_CM3,
        rate=np.full(5, 1e-5),
        hasten=np.full(5, hasten),
        used=np.array([0.0, 0.5, 0.8, 1.0, 0.1]),
        bed_in=np.zeros(5),
        severity=np.ones(len(grid)),
        hurries=(),
        redraws=np.zeros((12, 3, 5)),
    )


def test_remaining_distance_of_packs_that_wear_by_a_known_law():
    # Hand-solved: at a share of 1e-5 a km, what is left of the allowance takes 100 000 km for the whole.
    even = follow(tracks(made_packs(1e-6)), np.array([0.0, 10_000.0]), np.zeros(2, dtype=np.int64))
    assert even.remaining_km[0] == pytest.approx([100_000, 50_000, 20_000, 0, 90_000], abs=1)
    assert even.remaining_km[1] == pytest.approx([90_000, 40_000, 10_000, 0, 80_000], abs=1)
    assert even.volume[1] == pytest.approx(
        NEW_CM3 + (LIMIT_CM3 - NEW_CM3) * np.array([0.1, 0.6, 0.9, 1.1, 0.2]), abs=1e-4
    )
    # Hand-solved: where the rate is r (1 + u), it is ln(2 / (1 + u)) / r.
    faster = follow(tracks(made_packs(1.0)), np.array([0.0]), np.zeros(1, dtype=np.int64))
    assert faster.remaining_km[0, :2] == pytest.approx([69_314.7, 28_768.2], abs=1)


def test_a_rebuilt_pack_begins_a_new_life_and_the_others_go_on():
    renew = np.array([False, True, False, False, False])
    packs = made_packs(1e-6, (Act("rebuild", 1, renew=renew),), (10_000.0,))
    course = follow(tracks(packs), np.array([10_000.0, 10_000.0]), np.array([0, 1]))
    assert course.life.tolist() == [[0] * 5, [0, 1, 0, 0, 0]]
    assert course.volume[1, 1] == pytest.approx(NEW_CM3[1])
    assert course.remaining_km[1, 1] == pytest.approx(100_000, abs=1)
    assert course.volume[1, [0, 2, 3, 4]] == pytest.approx(course.volume[0, [0, 2, 3, 4]])


def test_acts_lie_behind_from_their_day_on():
    assert acts_done([Act("fluid", 1), Act("power", 3)], 5).tolist() == [0, 1, 1, 2, 2]


# --- as a yardstick -----------------------------------------------------------------------------------------


def test_the_scorecard_takes_it():
    known = WORLDS["daily"]("generic-6", 3, 9, "sparse")
    assert (known.packs["used"] >= 0).all()
    assert set(known.causes.columns) == {"unit", "cause", "at", "until"}
    assert set(known.read) == {"U0001", "U0002", "U0003"}
    early = known.day_at(0.8)
    assert known.records(early).snapshots["taken_at"].max().date() <= early
    card = Card()
    score(card, program, known, [1.0])
    assert card.units == 3


def test_another_profile_is_refused():
    with pytest.raises(ValueError, match="generic-6, not generic-8"):
        daily_world("generic-8", 1, 1, "usual")


def test_what_an_import_would_put_into_quarantine_is_left_out(monkeypatch):
    sound = make_fleet(2, 41, "usual")
    rows = sound.snapshots.copy()
    times = rows.loc[rows["unit"] == "U0001", "taken_at"].unique()
    backwards, negative, beyond = (
        rows["taken_at"].eq(times[i]) & rows["unit"].eq("U0001") for i in (3, 5, 7)
    )
    rows.loc[backwards, "odometer_km"] /= 10
    rows.loc[negative, "odometer_km"] *= -1
    rows.loc[beyond, "odometer_km"] *= 10
    impossible = pd.Series(np.arange(len(rows)) == 0)
    rows.loc[impossible, "value"] = 9999.0
    spoiled = replace(sound, snapshots=rows)
    monkeypatch.setattr(dailyworld, "make_fleet", lambda units, seed, difficulty: spoiled)
    kept = daily_world("generic-6", 2, 41, "usual").fleet.snapshots
    expected = sound.snapshots[~(backwards | negative | beyond | impossible)]
    assert_frame_equal(kept, expected.reset_index(drop=True))


def test_hard_fleets_come_without_what_cannot_be(hard):
    known = daily_world("generic-6", 12, 41, "hard")
    dropped = len(hard.snapshots) - len(known.fleet.snapshots)
    assert 0 < dropped < 0.05 * len(hard.snapshots)
    heads = known.fleet.snapshots.drop_duplicates(["unit", "taken_at"])
    assert heads.groupby("unit")["odometer_km"].apply(lambda km: km.is_monotonic_increasing).all()
    whole = fleets.as_records(known.fleet, date(2100, 1, 1))
    assert len(whole.readings) == len(known.fleet.snapshots)
