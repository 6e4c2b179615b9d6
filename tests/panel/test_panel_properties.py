"""What the fleet's noise must not depend on; odd temperatures by hand."""

from __future__ import annotations

from dataclasses import astuple, replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from driftwatch.panel.build import panels
from driftwatch.panel.faults import disturbance_proportion, without_faults
from driftwatch.panel.fleet import fit_fleet
from driftwatch.panel.noise import CORRECTION_ERROR, Fleet, SignalNoise, odd_warmth_sd
from driftwatch.panel.panel import Panel
from driftwatch.store.records import Records
from tests.assessment.units import profile
from tests.panel.by_hand import cell, records
from tests.reference.plain_series import fleet_with

few = settings(derandomize=True, deadline=None, max_examples=5, database=None)
SHIFTS = [s.id for s in profile().shifts][:6]
UNITS, COUNT = 5, 20
NAN = float("nan")
NAMES = tuple(f"U{i}" for i in range(UNITS))
#: A binary fraction, so that whole numbers of kPa times it are exact.
FINE = replace(
    profile(), signals=tuple(replace(s, resolution=None if s.per_pack else 0.125) for s in profile().signals)
)


def drawn(seed: int) -> np.ndarray:
    """Values (unit, snapshot, cell): levels, noise of each cell's own and in common, and a slope."""
    rng = np.random.default_rng(seed)
    levels = rng.normal(0.0, 10.0, (UNITS, 1, len(SHIFTS)))
    shared = rng.normal(0.0, 0.8, (UNITS, COUNT, 1))
    slopes = rng.normal(0.0, 0.05, (UNITS, 1, len(SHIFTS))) * np.arange(COUNT)[None, :, None]
    return (
        np.round(4.0 * (levels + shared + slopes + rng.normal(0.0, 1.5, (UNITS, COUNT, len(SHIFTS))))) / 4.0
    )


def told(values: np.ndarray, kind=FINE, names: tuple[str, ...] = NAMES) -> Records:
    rows = [
        r
        for name, unit in zip(names, values, strict=True)
        for i, shift in enumerate(SHIFTS)
        for r in cell(list(unit[:, i]), 25.0, channel=shift, unit=name)
    ]
    return records(rows, values.shape[1], names, kind=kind)


def noise_of(values: np.ndarray, kind=FINE) -> SignalNoise:
    return fit_fleet(panels(told(values, kind)), 10.0).noise["apply_trim"]


def parts(noise: SignalNoise) -> list[float]:
    """Everything in the signal's unit."""
    return [
        noise.white_sd,
        noise.learning_sd,
        noise.wander_sd,
        noise.common_white_sd,
        noise.common_wander_sd,
        noise.mode_wander_sd,
        noise.season_sd,
        noise.slope,
        noise.slope_sd,
        noise.slope_common_sd,
    ]


@few
@given(st.integers(0, 500), st.integers(-300, 300))
def test_the_level_does_not_matter(seed, shift):
    np.testing.assert_allclose(
        astuple(noise_of(drawn(seed) + shift)), astuple(noise_of(drawn(seed))), rtol=1e-6, atol=1e-9
    )


@few
@given(st.integers(0, 500), st.sampled_from([0.145037738, 6.894757293168361, 1000.0]))
def test_in_another_unit_noise_is_that_unit_and_memory_is_the_same(seed, by):
    scaled = replace(FINE, signals=tuple(replace(s, resolution=s.resolution and by * s.resolution,
                     lower=s.lower and by * s.lower, upper=s.upper and by * s.upper)
                     for s in FINE.signals))  # fmt: skip
    plain, turned = noise_of(drawn(seed)), noise_of(by * drawn(seed), scaled)
    np.testing.assert_allclose(parts(turned), by * np.array(parts(plain)), rtol=1e-6, atol=1e-8 * by)
    assert turned.memory == pytest.approx(plain.memory)


@few
@given(st.integers(0, 500))
def test_with_the_other_sign_noise_is_the_same(seed):
    plain, turned = noise_of(drawn(seed)), noise_of(-drawn(seed))
    np.testing.assert_allclose(parts(turned)[:5], parts(plain)[:5], rtol=1e-6, atol=1e-9)
    assert turned.slope == pytest.approx(-plain.slope, abs=1e-9)


@few
@given(st.integers(0, 500))
def test_backwards_in_time_noise_is_the_same_and_slopes_turn(seed):
    # Snapshots are evenly spaced and counts are equal, so that noise does not know which way time runs.
    plain, back = noise_of(drawn(seed)), noise_of(drawn(seed)[:, ::-1])
    np.testing.assert_allclose(parts(back)[:5], parts(plain)[:5], rtol=1e-6, atol=1e-9)
    assert back.slope == pytest.approx(-plain.slope, abs=1e-9)


@few
@given(st.integers(0, 500), st.permutations(range(UNITS)))
def test_order_of_units_and_of_rows_does_not_matter(seed, order):
    made = told(drawn(seed))
    mixed = replace(
        made,
        readings=made.readings.sample(frac=1.0, random_state=seed),
        units=made.units.iloc[list(order)],
    )
    a, b = (fit_fleet(panels(r), 10.0).noise["apply_trim"] for r in (made, mixed))
    np.testing.assert_allclose(astuple(b), astuple(a), rtol=1e-6, atol=1e-9)


def test_one_more_identical_fleet_changes_only_how_far_usual_shares_are_leaned_on():
    # Hand-solved: twice the units with the same readings show the same variograms; the weight of the usual
    # shares falls from 4 / 9 to 4 / 14, and only the split of the noise moves with it.
    values = drawn(7)
    twice = tuple(f"{n}{c}" for c in "ab" for n in NAMES)
    one = noise_of(values)
    two = fit_fleet(panels(told(np.concatenate([values, values]), names=twice)), 10.0).noise["apply_trim"]
    assert two.sd == pytest.approx(one.sd, rel=0.02)
    assert (two.units, two.readings) == (2 * one.units, 2 * one.readings)


def test_readings_missing_here_and_there_leave_the_noise_about_as_it_was():
    # 600 readings of which 30 % are missing: a standard deviation from 400 is good to 4 %; 15 % is four times
    # that.
    values = drawn(3)
    holes = np.where(np.random.default_rng(3).random(values.shape) < 0.3, NAN, values)
    assert noise_of(holes).sd == pytest.approx(noise_of(values).sd, rel=0.15)


def test_coarse_steps_add_the_noise_of_rounding():
    # Sheppard's correction, published (cited from memory): rounding to steps of h adds h^2 / 12 where h is
    # not large against the noise. Here h = 2 against 1.7: sd^2 grows by 1 / 3.
    values = drawn(4)
    fine, coarse = noise_of(values).sd, noise_of(2.0 * np.round(values / 2.0)).sd
    assert coarse**2 == pytest.approx(fine**2 + 1.0 / 3.0, rel=0.1)


@pytest.mark.parametrize("count", [1, 2, 3])
def test_hardly_any_snapshots_make_a_fleet_with_some_noise(count):
    noise = noise_of(drawn(5)[:, :count])
    assert np.isfinite(astuple(noise)).all()
    assert noise.sd > 0.0


def test_no_snapshots_and_no_units_make_a_fleet_without_signals():
    empty = told(drawn(5)[:, :0])
    for made in (panels(empty), []):
        fleet = fit_fleet(made, 10.0)
        assert fleet.noise == {}
        assert disturbance_proportion(made, fleet) == {}
        assert [without_faults(p, fleet, {}) for p in made] == made


# --- snapshots read unusually cold or hot -------------------------------------------------------------------


def warmed(temperature: list[float], disturbance: np.ndarray | None = None) -> tuple[Panel, Fleet]:
    """Two apply trims; the fleet is read at 80 degC as a rule, sd 10, and its trims fall 0.3 kPa a degree."""
    count = len(temperature)
    rows = cell([1.0] * count) + cell([2.0] * count, channel="2-3")
    panel = replace(panels(records(rows, count, temperature=temperature))[0], disturbance=disturbance)
    fleet = replace(fleet_with("apply_trim", white_sd=1.0), usual_temp_c=80.0, temp_sd_c=10.0)
    return panel, replace(fleet, noise={"apply_trim": replace(fleet.noise["apply_trim"], temperature=-0.3)})


def test_odd_temperatures_by_hand():
    # Hand-solved: up to 15 degrees (1.5 sd) away the correction is good enough; 30 and 60 away are 15 and 45
    # beyond that, corrected by 4.5 and 13.5 kPa, of which a fixed share may be off. Unread ones have noise of
    # their own elsewhere.
    panel, fleet = warmed([80.0, 95.0, 110.0, 20.0, NAN])
    want = CORRECTION_ERROR * np.array([0.0, 0.0, 4.5, 13.5, 0.0])
    np.testing.assert_allclose(odd_warmth_sd(panel, fleet, "apply_trim"), want)


def test_what_was_taken_off_as_a_disturbance_may_be_off_by_the_same_share():
    # Hand-solved: 12 kPa were taken off the second snapshot, whichever way.
    for sign in (1.0, -1.0):
        moved = np.zeros((3, 2))
        moved[1] = 12.0 * sign
        panel, fleet = warmed([NAN, NAN, NAN], moved)
        want = [0.0, 12.0 * CORRECTION_ERROR, 0.0]
        np.testing.assert_allclose(odd_warmth_sd(panel, fleet, "apply_trim"), want)


def test_a_signal_that_temperature_does_not_move_has_no_odd_temperatures():
    panel, fleet = warmed([80.0, 110.0, 20.0])
    unmoved = replace(fleet, noise={"apply_trim": replace(fleet.noise["apply_trim"], temperature=0.0)})
    np.testing.assert_array_equal(odd_warmth_sd(panel, unmoved, "apply_trim"), 0.0)
