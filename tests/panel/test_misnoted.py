"""Snapshots noted in another unit of measure; what the cells read is drawn, the unit by hand."""

from __future__ import annotations

import numpy as np
import pytest

from driftwatch.panel.build import panels
from driftwatch.panel.faults import without_faults
from driftwatch.panel.misnoted import misnoted, misread
from driftwatch.panel.panel import Misnoted, Panel
from tests.assessment.units import profile
from tests.panel.by_hand import cell, records
from tests.reference.plain_series import fleet_with

SHIFTS = [s.id for s in profile().shifts]
MODES = ("normal", "tow")
#: One psi in kPa: NIST SP 811 (2008), appendix B.
PSI = 6.894757293168361


def unit(change=None, size: float = 40.0, seed: int = 3) -> Panel:
    """Trims in kPa, some `size` from zero, with noise of 1 kPa; `change` acts on the values (T, C)."""
    rng = np.random.default_rng(seed)
    cells = [(s, m) for m in MODES for s in SHIFTS]
    values = rng.choice([-1.0, 1.0], len(cells)) * rng.uniform(0.7 * size, 1.3 * size, len(cells))
    values = values + rng.normal(0.0, 1.0, (12, len(cells)))
    if change is not None:
        change(values)
    noted = np.round(values).T.tolist()
    rows = [r for v, (s, m) in zip(noted, cells, strict=True) for r in cell(v, mode=m, channel=s)]
    return without_faults(panels(records(rows, 12))[0], fleet_with("apply_trim", white_sd=1.0), {})


def times(row: int, factor: float):
    def change(values):
        values[row] *= factor

    return change


@pytest.mark.parametrize("row", [0, 5, 11])
def test_a_snapshot_in_psi_is_found_and_left_out(row):
    panel = unit(times(row, 1.0 / PSI))
    assert panel.misnoted == (Misnoted(row, "kPa", "psi"),)
    assert not panel.usable[row].any()
    assert panel.usable[np.arange(12) != row].all()
    assert misread(panel)[row].all()
    assert np.isfinite(panel.values).all()  # kept as read
    # Pages and charts say of it that it was left out, not that it repeats an old value.
    np.testing.assert_array_equal(panel.slips, misread(panel))


def test_noise_a_common_step_and_a_wrong_sign_are_no_other_unit():
    assert unit().misnoted == ()

    def step(values):
        values[6:] += 20.0

    def sign(values):
        values[5] *= -1.0

    assert unit(step).misnoted == unit(sign).misnoted == ()


@pytest.mark.parametrize("seed", range(20))
def test_values_that_were_cleared_are_no_other_unit(seed):
    # Cells come back as they are driven: a share of what they had, each its own.
    rng = np.random.default_rng(100 + seed)

    def clear(values):
        values[5] *= rng.uniform(0.0, 0.3, values.shape[1])

    def all_at_once(values):
        values[5] = rng.normal(0.0, 1.0, values.shape[1])

    assert unit(clear, seed=seed).misnoted == ()
    assert unit(all_at_once, seed=seed).misnoted == ()


def test_trims_near_zero_tell_no_unit():
    assert unit(times(5, 1.0 / PSI), size=4.0).misnoted == ()


def test_few_cells_tell_no_unit():
    panel = unit(times(5, 1.0 / PSI))
    few = [c if i < 5 else None for i, c in enumerate(panel.cells)]
    usual = np.where([c is not None for c in few], np.median(panel.values, axis=0), np.nan)
    assert misnoted(panel, np.broadcast_to(usual, panel.values.shape), np.ones(len(few))) == ()
    assert len(misnoted(panel, np.broadcast_to(np.median(panel.values, 0), panel.values.shape), np.ones(20)))
