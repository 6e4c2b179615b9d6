"""Cells that read alike throughout are one value; by hand."""

from __future__ import annotations

import numpy as np
import pytest

from driftwatch.panel.build import panels
from driftwatch.panel.copies import first_alike, told_once
from driftwatch.panel.panel import Panel
from tests.panel.by_hand import cell, records

NAN = float("nan")
MOVES = [1.0, 2.0, NAN, 4.0, 3.0, 5.0]  # four times


def all_their_own(panel: Panel) -> bool:
    return told_once(panel, first_alike(panel)) is panel


def test_of_cells_that_read_alike_the_first_alone_is_used():
    rows = (
        cell(MOVES)
        + cell(MOVES, channel="2-3")
        + cell([1.0, 2.0, NAN, 4.0, 3.0, 5.5], channel="3-4")
        + cell(MOVES, mode="tow", channel="2-3")
        + cell(MOVES, signal="release_trim")
    )
    panel = panels(records(rows, 6))[0]
    # In the profile's order: apply trim of 1-2, 2-3, 3-4 and of 2-3 in tow; release trim is another signal.
    assert [c.label for c in panel.cells][3:] == ["2-3 tow apply_trim", "1-2 normal release_trim"]
    assert first_alike(panel).tolist() == [0, 0, 2, 0, 4]
    once = told_once(panel, first_alike(panel))
    assert once.usable.any(axis=0).tolist() == [True, False, True, False, True]
    np.testing.assert_array_equal(once.values, panel.values)


@pytest.mark.parametrize(
    "values", [[1.0, 2.0, 2.0, 3.0, 3.0, 4.0], [5.0] * 6, [1.0, NAN, NAN, NAN, NAN, 2.0], [NAN] * 6]
)
def test_what_hardly_moved_may_be_alike_by_chance(values):
    panel = panels(records(cell(values) + cell(values, channel="2-3") + cell(MOVES, channel="3-4"), 6))[0]
    assert all_their_own(panel)


def test_one_reading_that_the_other_lacks_makes_them_two():
    panel = panels(records(cell([*MOVES, 7.0]) + cell([*MOVES, NAN], channel="2-3"), 7))[0]
    assert all_their_own(panel)


def test_packs_are_each_their_own():
    rows = [r for p in ("pack1", "pack2") for r in cell(MOVES, mode="", channel=p, signal="clutch_volume")]
    panel = panels(records(rows, 6))[0]
    assert all_their_own(panel)
