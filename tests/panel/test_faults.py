"""Readings that contradict the ones around them: slips of the keyboard, and snapshots read cold."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from driftwatch.panel.build import panels
from driftwatch.panel.faults import disturbance_proportion, without_faults
from driftwatch.panel.noise import Fleet, corrected
from driftwatch.panel.panel import Panel
from tests.assessment.units import profile
from tests.panel.by_hand import cell, fine_profile, records
from tests.reference.plain_series import fleet_with

few = settings(derandomize=True, deadline=None, max_examples=8, database=None)
SHIFTS = [s.id for s in profile().shifts]
NAN = float("nan")


def slip_fleet() -> Fleet:
    return fleet_with("apply_trim", white_sd=1.0)


def trims(change=None) -> Panel:
    rng = np.random.default_rng(2)
    values = rng.normal(0.0, 1.0, (12, len(SHIFTS)))
    if change is not None:
        change(values)
    rows = [r for i, s in enumerate(SHIFTS) for r in cell(list(values[:, i]), channel=s)]
    return without_faults(panels(records(rows, 12))[0], slip_fleet(), {})


def test_a_lone_reading_far_off_is_a_slip_and_left_out():
    panel = trims(lambda v: v.__setitem__((5, 3), 25.0))
    assert [tuple(at) for at in np.argwhere(panel.slips)] == [(5, 3)]
    assert not panel.usable[5, 3]
    assert panel.values[5, 3] == 25.0  # kept as read


def test_noise_has_no_slips_and_a_step_is_none():
    assert not trims().slips.any()

    def step(values):
        values[6:, 3] += 25.0

    assert not trims(step).slips.any()


def test_a_whole_snapshot_that_jumps_and_returns_is_no_slip():
    def jump(values):
        values[5] += 25.0

    assert not trims(jump).slips.any()


def test_a_lone_jump_in_the_newest_snapshot_waits_for_the_next():
    def last(values):
        values[-1, 3] += 25.0

    assert trims(last).slips[-1, 3]

    def confirmed(values):
        values[-2:, 3] += 25.0

    assert not trims(confirmed).slips.any()


def test_a_pack_that_wears_ever_faster_keeps_its_newest_reading():
    distance = np.arange(24) * 0.42
    rng = np.random.default_rng(5)
    volume = 25.0 + 0.5 * np.expm1(0.25 * distance) / 0.25 + rng.normal(0.0, 0.2, 24)
    rows = cell(list(volume), mode="", channel="pack3", signal="clutch_volume")
    panel = without_faults(panels(records(rows, 24))[0], fleet_with(white_sd=0.2), {})
    assert not panel.slips.any()


KINDS = ("apply_trim", "release_trim", "shift_time", "torque_cut")


def forty_cells(change, counts: np.ndarray | float = 30.0) -> Panel:
    """Ten shifts of four signals in one mode, alike in scale; `change` alters the values (T, 40)."""
    values = np.random.default_rng(3).normal(0.0, 1.0, (12, 4 * len(SHIFTS)))
    change(values)
    counts = np.broadcast_to(counts, values.shape)
    names = [(kind, shift) for kind in KINDS for shift in SHIFTS]
    rows = [
        r
        for i, (kind, shift) in enumerate(names)
        for r in cell(list(values[:, i]), list(counts[:, i]), channel=shift, signal=kind)
    ]
    fleet = slip_fleet()
    alike = replace(fleet, noise=dict.fromkeys(KINDS, fleet.noise["apply_trim"]))
    return without_faults(panels(records(rows, 12, kind=fine_profile()))[0], alike, {})


def test_cells_that_stand_out_by_themselves_are_slips_however_many():
    # Five of 40 are more than a twenty-fifth, but no clearing: nine in ten of their mode stood still.
    panel = forty_cells(lambda v: v.__setitem__((5, slice(None, None, 8)), 25.0))
    np.testing.assert_array_equal(panel.slips, panel.values == 25.0)
    assert panel.slips.sum() == 5


def test_a_clearing_that_only_some_cells_show_is_no_slip():
    # Ten of 40 stand out: the others lie near zero, or have learned since.
    assert not forty_cells(lambda v: v.__setitem__((5, slice(None, None, 4)), 25.0)).slips.any()


def test_after_a_clearing_those_stand_out_that_have_learned_least_and_are_no_slips():
    counts = np.full((12, 4 * len(SHIFTS)), 40.0)
    counts[:, ::8] = 2.0
    panel = forty_cells(lambda v: v.__setitem__((5, slice(None, None, 8)), 25.0), counts)
    assert not panel.slips.any()


def test_what_stands_out_in_the_newest_snapshot_has_not_come_back_and_is_no_slip():
    assert not forty_cells(lambda v: v.__setitem__((-1, slice(None, None, 8)), 25.0)).slips.any()


def cold_fleet() -> Fleet:
    fleet = replace(slip_fleet(), temp_sd_c=10.0)
    return replace(fleet, noise={"apply_trim": replace(fleet.noise["apply_trim"], temperature=-0.4)})


def read_cold(temperature: list[float], at: int = 6, by: float = 12.0) -> Panel:
    rng = np.random.default_rng(4)
    values = rng.normal(0.0, 1.0, (12, len(SHIFTS)))
    values[at] += by
    rows = [r for i, s in enumerate(SHIFTS) for r in cell(list(values[:, i]), channel=s)]
    made, fleet = panels(records(rows, 12, temperature=temperature))[0], cold_fleet()
    return without_faults(made, fleet, disturbance_proportion([made], fleet))


def test_a_snapshot_read_cold_is_put_right():
    panel = read_cold([NAN] * 12)
    assert panel.disturbance is not None
    # The medians of three readings before and after are off by less than one noise sd.
    np.testing.assert_allclose(panel.disturbance[6], 12.0, atol=1.5)
    np.testing.assert_allclose(panel.values[6].mean(), 12.0, atol=1.5)  # kept as read
    assert np.abs(corrected(panel, cold_fleet())[6]).mean() < 2.0


def test_a_signal_that_was_not_read_has_no_say_in_whether_a_snapshot_was_cold():
    # Cold moves shift times as strongly as apply trims; of this unit only apply trims were read.
    fleet = cold_fleet()
    time = replace(fleet.noise["apply_trim"], temperature=-0.4)
    both = replace(fleet, noise={**fleet.noise, "shift_time": time})
    rng = np.random.default_rng(4)
    values = rng.normal(0.0, 1.0, (12, len(SHIFTS)))
    values[6] += 12.0
    rows = [r for i, s in enumerate(SHIFTS) for r in cell(list(values[:, i]), channel=s)]
    made = panels(records(rows, 12, temperature=[NAN] * 12))[0]
    panel = without_faults(made, both, disturbance_proportion([made], both))
    assert panel.disturbance is not None
    np.testing.assert_allclose(panel.disturbance[6], 12.0, atol=1.5)


@pytest.mark.parametrize("recorded", [True, False])
def test_a_decimal_point_in_the_wrong_place_is_no_cold_snapshot(recorded):
    """Five packs, no temperature noted: a slip of one is left out, and moves none of the others."""
    fleet = fleet_with("clutch_volume", white_sd=0.1)
    fleet = replace(fleet, temp_sd_c=10.0 if recorded else 0.0)
    fleet = replace(fleet, noise={"clutch_volume": replace(fleet.noise["clutch_volume"], temperature=-0.01)})
    rng = np.random.default_rng(6)

    def of_unit(slip: float) -> Panel:
        rows = []
        for pack in ("pack1", "pack2", "pack3", "pack4", "pack5"):
            values = 32.0 + rng.normal(0.0, 0.1, 12)
            values[6] += slip if pack == "pack2" else 0.0
            rows += cell(list(values), channel=pack, mode="", signal="clutch_volume")
        return panels(records(rows, 12, temperature=[NAN] * 12))[0]

    others = [of_unit(0.0) for _ in range(4)]
    made = of_unit(290.0)
    panel = without_faults(made, fleet, disturbance_proportion([made, *others], fleet))
    assert [tuple(at) for at in np.argwhere(panel.slips)] == [(6, 1)]
    assert panel.disturbance is not None
    assert np.abs(panel.disturbance).max() < 0.5


def test_no_fluid_is_as_cold_as_all_values_ten_times_as_large():
    panel = read_cold([NAN] * 12, by=120.0)
    assert panel.disturbance is not None
    np.testing.assert_array_equal(panel.disturbance[6], 0.0)


@pytest.mark.parametrize("at", [0, 11])
def test_nobody_can_tell_of_the_first_and_the_last_snapshot(at):
    panel = read_cold([NAN] * 12, at)
    assert panel.disturbance is not None
    np.testing.assert_array_equal(panel.disturbance[at], 0.0)


def test_a_snapshot_whose_temperature_was_noted_is_left_alone():
    panel = read_cold([80.0] * 12)
    assert panel.disturbance is not None
    np.testing.assert_array_equal(panel.disturbance, 0.0)


# --- what must not matter -----------------------------------------------------------------------------------


def with_slips(seed: int) -> np.ndarray:
    """Noise with two lone readings far off in the middle of the history, in whole quarters of a kPa."""
    rng = np.random.default_rng(seed)
    values = rng.normal(0.0, 1.0, (12, len(SHIFTS)))
    for row, column in zip(
        rng.choice(np.arange(3, 9), 2, replace=False), rng.permutation(10)[:2], strict=True
    ):
        values[row, column] += rng.choice([-25.0, 25.0])
    return np.round(4.0 * values) / 4.0


def slips_of(values: np.ndarray, by: float = 1.0) -> np.ndarray:
    rows = [r for i in range(values.shape[1]) for r in cell(list(values[:, i]), channel=SHIFTS[i])]
    made = panels(records(rows, len(values), kind=fine_profile()))[0]
    return without_faults(made, fleet_with("apply_trim", white_sd=by), {}).slips


@few
@given(st.integers(0, 500), st.integers(-300, 300), st.sampled_from([0.125, -1.0, 8.0]))
def test_neither_level_nor_unit_nor_sign_matters_to_what_is_a_slip(seed, shift, by):
    values = with_slips(seed)
    plain = slips_of(values)
    assert plain.sum() >= 2
    np.testing.assert_array_equal(slips_of(values + shift), plain)
    np.testing.assert_array_equal(slips_of(by * values, abs(by)), plain)


@few
@given(st.integers(0, 500), st.permutations(range(10)))
def test_neither_order_of_the_cells_nor_the_way_of_time_matters_to_what_is_a_slip(seed, order):
    values = with_slips(seed)
    plain = slips_of(values)
    np.testing.assert_array_equal(slips_of(values[:, list(order)]), plain[:, list(order)])
    # The first and the last readings have one side alone, and not the same rules.
    np.testing.assert_array_equal(slips_of(values[::-1])[::-1][2:-2], plain[2:-2])


@few
@given(st.integers(0, 500))
def test_one_more_identical_cell_that_holds_no_slip_leaves_the_slips(seed):
    values = with_slips(seed)
    plain = slips_of(values)
    calm = int(np.flatnonzero(~plain.any(axis=0))[0])
    other = values[:, [calm, *range(9)]]
    kept = slips_of(values[:, :9])
    np.testing.assert_array_equal(slips_of(other)[:, 1:], kept)


@pytest.mark.parametrize("values", [np.full((12, 10), 5.0), np.zeros((12, 10)), np.full((2, 10), 5.0),
                                    np.full((12, 1), 5.0), np.full((1, 10), 5.0)])  # fmt: skip
def test_values_that_never_move_hold_no_slip(values):
    assert not slips_of(values).any()
