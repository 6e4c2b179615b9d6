"""Volumes and remaining distance against hand-solved lines."""

from dataclasses import replace

import numpy as np
import pytest
from by_hand import QUICK, fine, run_one

from driftwatch.simulate import Action, gather
from driftwatch.simulate.wear import allowance_cm3


def test_even_duty_wears_in_proportion_to_distance(profile):
    # Archard (1953): worn volume is linear in friction work, so, at an unchanged duty, in distance.
    run = run_one(fine(profile))
    km, volume = run.path.km, run.path.volume
    line = volume[0] + np.outer((km - km[0]) / (km[-1] - km[0]), volume[-1] - volume[0])
    np.testing.assert_allclose(volume, line, rtol=1e-12)
    assert (volume[-1] > volume[0]).all()


def test_fast_wear_adds_its_share_of_the_allowance(profile):
    # Hand-solved: 0.5 of the allowance per 100 000 km over 35 x 30 x 120 km = 126 000 km is 0.63.
    run, twin = run_one(profile, Action("wear", 0.0, 0.5, ("pack3",))), run_one(profile)
    gained = (run.path.volume - twin.path.volume)[run.rows[-1]]
    assert gained[2] == pytest.approx(0.63 * allowance_cm3(profile.clutch("pack3")), rel=1e-9)
    np.testing.assert_allclose(np.delete(gained, 2), 0.0, atol=1e-12)


def test_hastening_wear_adds_the_integral_of_its_rate(profile):
    # Hand-solved: r (d + h d^2 / 2) with d in 100 000 km: 0.2 x (1.26 + 2 x 1.26^2 / 2) = 0.56952.
    run, twin = run_one(profile, Action("wear", 0.0, 0.2, ("pack2",), haste=2.0)), run_one(profile)
    gained = (run.path.volume - twin.path.volume)[run.rows[-1], 1]
    assert gained == pytest.approx(0.56952 * allowance_cm3(profile.clutch("pack2")), rel=1e-9)


def test_a_raised_rate_doubles_every_slope_from_that_day(profile):
    run = run_one(profile, Action("power", 600.0, 20.0, rate_after=2.0))
    km, volume = run.path.km[run.rows], run.path.volume[run.rows]
    before = (volume[20] - volume[0]) / (km[20] - km[0])
    after = (volume[-1] - volume[21]) / (km[-1] - km[21])
    np.testing.assert_allclose(after, 2.0 * before, rtol=1e-9)


def test_remaining_distance_is_the_allowance_left_over_the_rate(profile):
    run = run_one(profile, Action("wear", 0.0, 0.5, ("pack4",)))
    left = run.path.remaining_km(run.rows)[:, 3]
    km, volume = run.path.km[run.rows], run.path.volume[run.rows, 3]
    rate = (volume[1] - volume[0]) / (km[1] - km[0])
    np.testing.assert_allclose(left, (profile.clutch("pack4").limit_cm3 - volume) / rate, rtol=1e-9)


def test_past_the_limit_nothing_remains(profile):
    run = run_one(profile, Action("wear", 0.0, 1.5, ("pack1",)))
    left = run.path.remaining_km(run.rows)[:, 0]
    over = run.path.volume[run.rows, 0] >= profile.clutch("pack1").limit_cm3
    assert over.any()
    assert (left[over] == 0).all()
    assert (left[~over] > 0).all()


def test_a_limit_beyond_the_horizon_is_not_a_number(profile):
    run = run_one(profile)
    left = run.path.remaining_km(run.rows)
    end = run.path.volume[-1]
    limits = np.array([c.limit_cm3 for c in profile.clutches])
    np.testing.assert_array_equal(np.isnan(left).all(axis=0), end < limits)
    assert np.isnan(left).any()


def test_a_rebuild_starts_a_new_life_near_new(profile):
    wear = Action("wear", 0.0, 0.8, ("pack2",))
    run = run_one(profile, wear, Action("rebuild", 510.0, packs=("pack2", "pack5")))
    volume, life = run.path.volume[run.rows], run.path.life[run.rows]
    before, after = 17, 18  # day 510 is a snapshot: it still shows the old packs
    for p, clutch in enumerate(profile.clutches):
        renewed = clutch.id in ("pack2", "pack5")
        assert life[before, p] == 0
        assert life[after, p] == int(renewed)
        if renewed:
            assert volume[after, p] == pytest.approx(clutch.new_volume_cm3, rel=0.02)
        else:
            assert volume[after, p] > volume[before, p]
    # The wear went with the old pack, and what remained of the old life is not known from the new one.
    old, new = np.diff(volume[:, 1])[:before].mean(), np.diff(volume[:, 1])[after:].mean()
    assert new < 0.25 * old
    left = run.path.remaining_km(run.rows)[:, 1]
    assert np.isnan(left[: before + 1]).all()


def test_readings_follow_the_true_volume_through_the_rebuild(profile):
    run = run_one(profile, Action("rebuild", 500.0, packs=("pack1",)))
    cells = run.cells.of("clutch_volume")
    # Read to half a step of 0.1 cm3.
    assert (np.abs(run.values[:, cells] - run.path.volume[run.rows]) <= 0.05 + 1e-9).all()


def test_uneven_duty_keeps_volumes_growing(profile):
    run = run_one(profile, difficulty=replace(QUICK, wander=1.8))
    assert (np.diff(run.path.volume, axis=0) > 0).all()
    assert np.ptp(np.diff(run.path.km[run.rows])) > 100.0


def test_wear_is_true_from_thirty_per_cent_of_the_allowance(profile):
    # Hand-solved: pack of allowance A with first volume F. Used = growth / (limit - F).
    for size, expected in ((0.10, False), (0.45, True)):
        fleet = gather([run_one(profile, Action("wear", 0.0, size, ("pack3",)))])
        worn = fleet.truth[fleet.truth["cause"] == "wear"]
        assert list(worn["clutch"]) == (["pack3"] if expected else [])
