"""Frames and truth of the other world's fleets: repeatable, in the contract's forms, and true."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from pandas.testing import assert_frame_equal

from driftwatch.profile.load import builtin
from tests.bench.fleets import other_world
from tests.bench.otherworld import DIALS, OtherFleet, make_fleet
from tests.bench.otherworld.calendar import draw_readings
from tests.bench.otherworld.story import LOGGABLE, Deed, draw_deeds, draw_log
from tests.bench.otherworld.wearing import Volumes, remaining_km
from tests.simulate_other.made_to_order import DAYS, KM_PER_DAY, made

UNITS = 12
KEY = ["unit", "mode", "channel", "signal"]


@pytest.fixture(scope="module", params=["usual", "sparse", "hard"])
def fleet(request: pytest.FixtureRequest) -> OtherFleet:
    return make_fleet("generic-6", UNITS, 41, request.param)


@pytest.fixture(scope="module")
def usual() -> OtherFleet:
    return make_fleet("generic-6", UNITS, 41, "usual")


@pytest.mark.parametrize("difficulty", list(DIALS))
def test_the_same_seed_gives_the_same_fleet(difficulty):
    one, two = (make_fleet("generic-6", 3, 7, difficulty) for _ in range(2))
    for name in ("units", "snapshots", "events", "truth", "packs"):
        assert_frame_equal(getattr(one, name), getattr(two, name))
    other = make_fleet("generic-6", 3, 8, difficulty)
    assert not one.snapshots["value"].equals(other.snapshots["value"])


def test_a_unit_does_not_depend_on_the_others():
    few, more = make_fleet("generic-8", 2, 3, "usual"), make_fleet("generic-8", 4, 3, "usual")
    both = more.snapshots[more.snapshots["unit"].isin(["V0001", "V0002"])]
    assert few.snapshots["value"].to_numpy() == pytest.approx(both["value"].to_numpy())


def test_columns_and_names_are_those_of_the_contract(fleet):
    profile = builtin("generic-6")
    needed = {"unit", "taken_at", "odometer_km", "mode", "channel", "signal", "value"}
    assert needed | {"fluid_temp_c", "learn_count"} == set(fleet.snapshots.columns)
    assert {"unit", "happened_at", "kind", "amount", "amount_unit", "note"} == set(fleet.events.columns)
    kinds = {"power", "load", "fluid", "relearn", "rebuild", "repair", "other"}
    assert set(fleet.events["kind"]) <= kinds
    of_pack = fleet.snapshots["signal"] == "clutch_volume"
    assert set(fleet.snapshots.loc[of_pack, "mode"]) == {""}
    assert set(fleet.snapshots.loc[of_pack, "channel"]) == {c.id for c in profile.clutches}
    assert set(fleet.snapshots.loc[~of_pack, "mode"]) <= set(profile.modes)
    assert not fleet.snapshots.duplicated([*KEY, "taken_at"]).any()


def test_values_lie_on_the_steps_and_in_the_range(fleet):
    for name, rows in fleet.snapshots.groupby("signal", observed=True):
        signal = builtin("generic-6").signal(str(name))
        value = rows["value"].to_numpy()
        assert value.min() >= signal.lower
        assert value.max() <= signal.upper
        steps = value / signal.resolution
        assert np.abs(steps - np.round(steps)).max() < 1e-6


def test_a_count_of_zero_repeats_the_value(usual):
    ordered = usual.snapshots.sort_values("taken_at", kind="stable")
    before = ordered.groupby(KEY, observed=True)["value"].shift()
    stale = (ordered["learn_count"] == 0) & before.notna()
    assert stale.sum() > 100
    assert (ordered.loc[stale, "value"] == before[stale]).all()


def test_odometers_and_times_run_forward(fleet):
    for _, rows in fleet.snapshots.drop_duplicates(["unit", "taken_at"]).groupby("unit", observed=True):
        assert rows["taken_at"].is_monotonic_increasing
        assert rows["odometer_km"].is_monotonic_increasing


@pytest.mark.parametrize("difficulty", list(DIALS))
def test_shares_of_quiet_units_and_of_logged_causes(difficulty):
    dial, profile = DIALS[difficulty], builtin("generic-6")
    rng = np.random.default_rng(17)
    quiet, logged, causes = [], [], set()
    for _ in range(1000):
        deeds = draw_deeds(profile, dial, 900, rng)
        quiet.append(not deeds)
        causes |= {d.cause for d in deeds}
        noted = draw_log(deeds, dial, 900, rng)[1]
        logged += [told for d, told in zip(deeds, noted, strict=True) if d.cause in LOGGABLE]
    # Four standard errors of a share of 1000 with 0.25, and of about 900 with 0.8 or 0.55.
    assert np.mean(quiet) == pytest.approx(dial.quiet, abs=0.055)
    assert np.mean(logged) == pytest.approx(dial.logged * (1 - dial.wrong_kind), abs=0.065)
    assert causes == {"wear", "power", "load", "fluid", "relearn", "rebuild", "pressure"}


@pytest.mark.parametrize("difficulty", list(DIALS))
def test_readings_are_as_many_as_the_dial_says_and_never_twice_a_day(difficulty):
    rng, dial = np.random.default_rng(5), DIALS[difficulty]
    for _ in range(50):
        days = draw_readings(dial, 900, [], rng)
        assert len(days) <= dial.snapshots[1]
        # Readings within a week of the one before are left out: hardly ever more than a quarter of them.
        assert len(days) >= 0.75 * dial.snapshots[0]
        assert days[0] == 0
        assert days[-1] >= 900 - 14
        assert (np.diff(days) > 0).all()


def test_a_logged_cause_has_its_entry(fleet):
    done = fleet.truth[fleet.truth["logged"]]
    for row in done.itertuples():
        entries = fleet.events[(fleet.events["unit"] == row.unit) & (fleet.events["kind"] == row.cause)]
        assert (abs(entries["happened_at"] - row.at) <= pd.Timedelta(days=24)).any()


def test_wear_is_true_where_a_share_of_the_allowance_is_used(fleet):
    last = fleet.packs.groupby(["unit", "clutch"]).last()
    by_packs = set(last.index[last["used"] >= 0.3])
    rows = fleet.truth[(fleet.truth["cause"] == "wear") & fleet.truth["until"].isna()]
    # A pack may cross the share in the few days between the last snapshot and the end of the story.
    by_truth = set(zip(rows["unit"], rows["clutch"], strict=True))
    assert by_packs <= by_truth
    for unit, clutch in by_truth - by_packs:
        assert last.loc[(unit, clutch), "used"] > 0.28


def test_used_share_starts_at_zero_in_each_life_and_grows(fleet):
    for _, rows in fleet.packs.groupby(["unit", "clutch", "life"]):
        assert rows["used"].iloc[0] == 0
        assert (rows["used"].diff().dropna() >= 0).all()
        assert (rows["volume_cm3"].diff().dropna() >= 0).all()


def test_remaining_distance_is_zero_where_the_limit_is_reached_only(fleet):
    reached = fleet.packs["volume_cm3"] >= fleet.packs["limit_cm3"]
    assert (fleet.packs["remaining_km"][reached] == 0).all()
    assert (fleet.packs["remaining_km"][~reached] > 0).all()


def test_remaining_distance_of_packs_that_wear_by_a_known_law():
    # Hand-solved: 10 cm3 to go at 1 cm3 a 10 000 km is 100 000 km; where the rate grows with the share used,
    # r (1 + h u), it is ln((1 + h) / (1 + h u)) allowance / (r h), here with h = 1 from u = 0 and u = 0.5.
    even, even_uneven = 1e-4, np.ones((900, 3))
    path = np.array([[20.0, 20.0, 25.0]])
    born, limit = np.full((1, 3), 20.0), np.full(3, 30.0)
    rate, hastens = np.full((1, 3), even), np.array([[0.0, 1.0, 1.0]])
    life = np.zeros((1, 3), dtype=np.int64)
    volumes = Volumes(path, life, limit, rate, hastens, born, even_uneven, np.array([1000.0]))
    left = remaining_km(volumes, np.array([0]))[0]
    assert left[0] == pytest.approx(100_000.0)
    assert left[1] == pytest.approx(np.log(2.0) * 100_000, rel=0.01)
    assert left[2] == pytest.approx(np.log(2.0 / 1.5) * 100_000, rel=0.01)


@pytest.mark.parametrize("hastens", [0.0, 1.5])
def test_remaining_distance_is_what_was_then_driven(hastens):
    unit = made(Deed("wear", 0, 1.5, pack=2, curve=hastens), seed=9)
    volumes = unit.volumes
    crossed = int(np.argmax(volumes.path[:, 2] >= volumes.limit[2]))
    assert 0 < crossed < DAYS
    days = np.arange(50, crossed, 50)
    driven = KM_PER_DAY * (crossed - days)
    # The path ahead goes in steps of 1000 km.
    assert remaining_km(volumes, days)[:, 2] == pytest.approx(driven, abs=1200)


def test_as_of_days_hide_the_future():
    known = other_world("generic-6", 6, 41, "usual")
    early = known.day_at(0.8)
    records = known.records(early)
    assert records.snapshots["taken_at"].max().date() <= early
    assert records.events["happened_at"].max().date() <= early
    assert len(known.records(known.last.date()).events) > len(records.events)
    assert known.records(known.day_at(1.0)).snapshots["taken_at"].max() == known.last
