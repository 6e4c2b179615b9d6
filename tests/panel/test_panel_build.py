"""From records to arrays: every reading in its place, old values repeated told from news."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from driftwatch.panel.build import panels
from tests.assessment.units import profile
from tests.panel.by_hand import cell, records

NAN = float("nan")
SHIFTS = [s.id for s in profile().shifts]


def test_every_reading_is_in_its_place():
    made = records(
        cell([1.0, 2.0, NAN], channel="2-3")
        + cell([30.0, NAN, 31.0], mode="", channel="pack4", signal="clutch_volume"),
        3,
        temperature=[80.0, NAN, 90.0],
    )
    panel = panels(made)[0]
    assert [(c.signal, c.channel, c.mode, c.unit) for c in panel.cells] == [
        ("clutch_volume", "pack4", "", "cm3"),
        ("apply_trim", "2-3", "normal", "kPa"),
    ]
    np.testing.assert_array_equal(panel.values, [[30.0, 1.0], [NAN, 2.0], [31.0, NAN]])
    np.testing.assert_array_equal(panel.days, [0.0, 30.0, 60.0])
    np.testing.assert_array_equal(panel.odometer_km, [50_000.0, 54_000.0, 58_000.0])
    np.testing.assert_array_equal(panel.fluid_temp_c, [80.0, NAN, 90.0])
    assert (panel.cells[1].applies, panel.cells[1].releases, panel.cells[1].is_up) == ("pack3", "pack4", True)
    assert (panel.usable == np.isfinite(panel.values)).all()


def test_rows_in_any_order_give_the_same_panels():
    rows = [
        r
        for unit in ("A", "B")
        for i, shift in enumerate(SHIFTS)
        for r in cell(list(np.arange(5.0) + i), channel=shift, unit=unit)
    ]
    made = records(rows, 5, units=("A", "B"))
    mixed = made.readings.sample(frac=1.0, random_state=4).reset_index(drop=True)
    for plain, other in zip(panels(made), panels(replace(made, readings=mixed)), strict=True):
        assert plain.cells == other.cells
        np.testing.assert_array_equal(plain.values, other.values)
        np.testing.assert_array_equal(plain.learn_counts, other.learn_counts)


def test_a_cell_that_the_profile_lacks_is_left_out_and_harms_no_other():
    known = cell([1.0, 2.0, 3.0])
    panel = panels(records(known + cell([7.0, 8.0, 9.0], channel="9-8"), 3))[0]
    assert [c.channel for c in panel.cells] == ["1-2"]
    np.testing.assert_array_equal(panel.values[:, 0], [1.0, 2.0, 3.0])


def test_an_old_value_repeated_says_nothing_new():
    # Learn count 0 and the same value: not usable. Count 0 and another value (a clearing), or the same value
    # learned again: usable.
    panel = panels(records(cell([5.0, 5.0, 5.0, 0.0, 0.0], [30, 0, 12, 0, 0]), 5))[0]
    assert panel.usable[:, 0].tolist() == [True, False, True, True, False]


def test_counts_of_nought_beside_values_that_keep_moving_were_not_counted():
    moving = panels(records(cell([1.0, 2.0, 2.0, 4.0, 5.0], 0.0), 5))[0]
    assert np.isnan(moving.learn_counts).all()
    assert moving.usable.all()
    # A unit that stood idle and was cleared once: nothing was learned, and the counts say so.
    for still in ([5.0, 5.0, 0.0, 0.0, 0.0], [5.0, 0.0]):
        panel = panels(records(cell(still, 0.0), len(still)))[0]
        assert (panel.learn_counts == 0.0).all()
    # One count anywhere shows that the controller counts.
    one = panels(records(cell([1.0, 2.0, 3.0, 4.0, 5.0], [0, 0, 7, 0, 0]), 5))[0]
    assert one.learn_counts[:, 0].tolist() == [0, 0, 7, 0, 0]


def test_without_counts_a_mode_that_stood_still_says_nothing_new():
    rows = []
    for i, shift in enumerate(SHIFTS):
        rows += cell([i, i, i + 1.0], NAN, mode="tow", channel=shift)
        rows += cell([i, i + 2.0, i + 1.0], NAN, channel=shift)
    panel = panels(records(rows, 3))[0]
    tow = np.array([c.mode == "tow" for c in panel.cells])
    assert panel.usable[:, tow].all(axis=1).tolist() == [True, False, True]
    assert panel.usable[:, ~tow].all()


def test_without_counts_one_cell_that_stood_still_is_news():
    rows = [r for i, s in enumerate(SHIFTS) for r in cell([i, i + (i > 0), i], NAN, channel=s)]
    panel = panels(records(rows, 3))[0]
    assert panel.usable.all()


@pytest.mark.parametrize("count", [0, 1, 2])
def test_units_with_hardly_any_snapshots_have_panels_too(count):
    panel = panels(records(cell([1.0] * count), count))[0]
    assert panel.values.shape == (count, int(count > 0))
    assert len(panel.days) == count


def test_each_unit_gets_its_own_readings():
    rows = cell([1.0, 2.0], unit="A") + cell([5.0, 6.0], unit="C")
    made = panels(records(rows, 2, units=("A", "B", "C")))
    assert [p.unit for p in made] == ["A", "B", "C"]
    assert [p.values.ravel().tolist() for p in made] == [[1.0, 2.0], [], [5.0, 6.0]]
