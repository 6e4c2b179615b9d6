"""The fleet's frames: columns, truth, log, repeatability."""

from dataclasses import fields, replace

import numpy as np
import pandas as pd
import pytest

from driftwatch.errors import UnknownName, UsageError
from driftwatch.simulate import EASY, HARD, MIX, PRESETS, SPARSE, USUAL, Difficulty, preset, simulate_fleet
from driftwatch.simulate.plan import draw_plan

FRAMES = ("units", "snapshots", "events", "truth", "packs")


@pytest.fixture(scope="module")
def fleet(profile):
    return simulate_fleet(profile, 80, 11, USUAL)


def test_frames_have_the_columns_of_the_input_files(fleet):
    assert {"unit", "profile", "in_service_on", "site", "note"} <= set(fleet.units)
    assert {"unit", "taken_at", "odometer_km", "mode", "channel", "signal", "value"} <= set(fleet.snapshots)
    assert {"fluid_temp_c", "learn_count"} <= set(fleet.snapshots)
    assert {"unit", "happened_at", "kind", "amount", "amount_unit", "note"} <= set(fleet.events)
    assert {"unit", "cause", "at", "odometer_km", "clutch", "modes", "logged"} <= set(fleet.truth)
    kinds = {"power", "load", "fluid", "relearn", "rebuild", "repair", "other"}
    assert set(fleet.events["kind"]) <= kinds
    volumes = fleet.snapshots["signal"] == "clutch_volume"
    assert (fleet.snapshots.loc[volumes, "mode"] == "").all()
    assert (fleet.snapshots.loc[~volumes, "mode"] != "").all()


def test_each_cell_is_read_once_a_snapshot_and_odometers_rise(fleet):
    keys = ["unit", "taken_at", "mode", "channel", "signal"]
    assert not fleet.snapshots.duplicated(keys).any()
    heads = fleet.heads
    assert len(heads) == sum(len(p.snapshot_days) for p in fleet.plans)
    rise = heads.groupby("unit", observed=True)["odometer_km"].diff().dropna()
    assert (rise >= 0).all()
    later = heads.groupby("unit", observed=True)["taken_at"].diff().dropna()
    assert (later > pd.Timedelta(0)).all()
    assert fleet.snapshots["taken_at"].max() <= pd.Timestamp("2026-10-31T23:59")


def test_the_same_seed_gives_the_same_fleet_and_another_does_not(profile, fleet):
    again = simulate_fleet(profile, 80, 11, USUAL)
    for name in FRAMES:
        assert getattr(fleet, name).equals(getattr(again, name)), name
    other = simulate_fleet(profile, 80, 12, USUAL)
    assert not fleet.packs["volume_cm3"].head(100).equals(other.packs["volume_cm3"].head(100))


def test_the_first_units_do_not_depend_on_the_size_of_the_fleet(profile, fleet):
    few = simulate_fleet(profile, 5, 11, USUAL)
    same = fleet.snapshots[fleet.snapshots["unit"].isin(few.units["unit"])].reset_index(drop=True)
    assert few.snapshots.equals(same.astype({"unit": few.snapshots["unit"].dtype}))


def test_about_a_third_of_the_units_have_nothing_happening(profile):
    count = 300
    fleet = simulate_fleet(profile, count, 21, replace(SPARSE, snapshots=(9, 9)))
    quiet = sum(not p.actions for p in fleet.plans) / count
    # Binomial, four standard errors around the stated share.
    assert abs(quiet - MIX["nothing"]) < 4 * np.sqrt(MIX["nothing"] * (1 - MIX["nothing"]) / count)
    assert set(fleet.truth["cause"]) == set(MIX) - {"nothing"}


def test_wear_in_the_truth_agrees_with_the_true_volumes(fleet):
    # Second computation, from the packs frame alone.
    last = fleet.packs.groupby(["unit", "clutch"])["life"].transform("last")
    present = fleet.packs[fleet.packs["life"] == last].groupby(["unit", "clutch"])
    first, end = present["volume_cm3"].first(), present["volume_cm3"].last()
    used = (end - first) / (present["limit_cm3"].first() - first)
    expected = set(used[used >= 0.3].index)
    worn = fleet.truth[fleet.truth["cause"] == "wear"]
    assert set(zip(worn["unit"], worn["clutch"], strict=True)) == expected
    assert len(expected) > 5


def test_remaining_distance_falls_as_the_odometer_rises(fleet):
    known = fleet.packs.dropna(subset="remaining_km")
    known = known[known["remaining_km"] > 0]
    end = known["remaining_km"] + known["odometer_km"]
    spread = end.groupby([known["unit"], known["clutch"], known["life"]]).agg(np.ptp)
    assert len(spread) > 10
    assert (spread <= 1.0 + 1e-6).all()  # odometers are read to 1 km


def test_logged_causes_are_in_the_log_on_their_day_if_nothing_is_misdated(profile):
    honest = replace(USUAL, unlogged=0.0, misdated=0.0, wrong_entries=0.0)
    fleet = simulate_fleet(profile, 60, 13, honest)
    visits = fleet.truth[~fleet.truth["cause"].isin(["wear", "pressure"])]
    assert visits["logged"].all()
    logged = set(zip(fleet.events["unit"], fleet.events["kind"], fleet.events["happened_at"], strict=True))
    true = set(zip(visits["unit"], visits["cause"], visits["at"].dt.normalize(), strict=True))
    assert logged == true
    assert len(true) > 20


def test_misdated_entries_are_wrong_by_no_more_than_stated(profile):
    wrong = replace(USUAL, unlogged=0.0, misdated=1.0, misdated_days=6.0, wrong_entries=0.0, second_cause=0.0)
    fleet = simulate_fleet(profile, 60, 13, wrong, mix={"power": 1.0})
    both = fleet.events.merge(fleet.truth[fleet.truth["cause"] == "power"], on="unit")
    off = (both["happened_at"] - both["at"].dt.normalize()).dt.days.abs()
    assert len(both) == 60
    assert off.between(1, 7).all()


def test_an_unlogged_change_is_missing_and_a_wrong_entry_has_no_cause(profile):
    silent = replace(USUAL, unlogged=1.0, wrong_entries=0.5)
    fleet = simulate_fleet(profile, 40, 14, silent, mix={"power": 1.0})
    assert not fleet.truth["logged"].any()
    # Poisson, 40 units x about 2.9 years x 0.5: mean 58, four standard deviations.
    assert abs(len(fleet.events) - 58) < 4 * np.sqrt(58)


def test_signs_of_logged_amounts_follow_the_change(profile):
    fleet = simulate_fleet(
        profile, 60, 15, replace(EASY, unlogged=0.0, wrong_entries=0.0), mix={"power": 1.0}
    )
    both = fleet.events.merge(fleet.truth[fleet.truth["cause"] == "power"], on="unit")
    assert (np.sign(both["amount"]) == np.sign(both["size"])).all()
    assert (both["amount"] < 0).any()


def test_missing_signals_modes_counts_and_temperature(profile):
    bare = replace(HARD, missing_signal=1.0, missing_mode=1.0, no_counts=1.0, no_temperature=1.0)
    rows = simulate_fleet(profile, 3, 16, bare).snapshots
    assert set(rows["signal"]) == {"apply_trim"}
    assert set(rows["mode"]) == {"normal"}
    assert rows["learn_count"].isna().all()
    assert rows["fluid_temp_c"].isna().all()


def test_hard_lacks_signals_and_modes_as_often_as_stated(profile):
    rng = np.random.default_rng(17)
    plans = [
        draw_plan(f"U{i}", profile, rng, HARD, years=3.0, ends=np.datetime64("2026-10-31"), mix=MIX)
        for i in range(300)
    ]
    # The fleet always keeps the apply trims and the first mode; the others go at 0.3 each. 1200 and 600
    # draws: four standard errors are 0.053 and 0.075.
    lacking = np.mean(
        [s.name not in p.signals for p in plans for s in profile.signals if s.name != "apply_trim"]
    )
    assert abs(lacking - 0.3) < 0.053
    unread = np.mean([mode not in p.modes for p in plans for mode in profile.modes[1:]])
    assert abs(unread - 0.3) < 0.075
    assert all("apply_trim" in p.signals and p.modes[0] == "normal" for p in plans)


def test_sparse_histories_have_nine_to_sixteen_snapshots(profile):
    fleet = simulate_fleet(profile, 60, 18, SPARSE)
    counts = {len(p.snapshot_days) for p in fleet.plans}
    assert min(counts) >= 9
    assert max(counts) <= 16


def test_the_mix_can_be_chosen_and_a_wrong_one_is_refused(profile):
    fleet = simulate_fleet(profile, 10, 19, replace(EASY, second_cause=0.0), mix={"pressure": 1.0})
    assert {a.kind for p in fleet.plans for a in p.actions} == {"pressure"}
    with pytest.raises(UsageError, match="gremlins"):
        simulate_fleet(profile, 1, 0, mix={"gremlins": 1.0})
    with pytest.raises(UsageError, match="at least one unit"):
        simulate_fleet(profile, 0, 0)


def test_presets_by_name():
    assert preset("hard") is HARD
    assert set(PRESETS) == {"easy", "usual", "noisy", "sparse", "hard"}
    assert PRESETS["noisy"].noise == pytest.approx(1.8)
    with pytest.raises(UnknownName, match="easy, usual, noisy, sparse, hard"):
        preset("gentle")


def test_every_dial_is_documented():
    text = Difficulty.__doc__
    assert all(f"    {f.name} : " in text for f in fields(Difficulty))


def test_progress_is_told_unit_by_unit(profile):
    told = []
    simulate_fleet(profile, 3, 0, replace(SPARSE, snapshots=(2, 2)), progress=lambda *a: told.append(a))
    assert told == [("simulating", 1, 3), ("simulating", 2, 3), ("simulating", 3, 3)]
