"""What is expected of a cell before its readings: its drift, and its way to its need at the beginning."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from driftwatch.changes.design import _lone_slopes, build_design
from driftwatch.changes.estimates import held_beside
from driftwatch.changes.evidence import sharing
from tests.changes.test_estimates import (
    CELLS,
    COUNT,
    NAN,
    drawn,
    estimates,
    noise_of_the_fleet,
    packs_at,
    regression,
    trims,
    trims_at,
)
from tests.reference.plain_series import fleet_with, series

__all__ = ["noise_of_the_fleet"]  # a fixture for all tests here


def test_a_trim_is_expected_to_drift_as_the_fleets_do_and_a_pack_not_at_all():
    # Second implementation: regression with the fleet's slope as prior, 0.7 give or take
    # sqrt(0.12^2 + 0.2^2) (0.12 noise sds of 1 where the fleet shows no more).
    rng = np.random.default_rng(8)
    noise = {"white_sd": 1.0, "slope": 0.7, "slope_common_sd": 0.2}
    design = build_design(trims(rng.normal(size=(COUNT, CELLS))), fleet_with("apply_trim", **noise))
    held = held_beside(design, (), [])
    np.testing.assert_allclose(held.mean[:, 1], 0.7)
    np.testing.assert_allclose(held.precision[:, 1], 1.0 / (0.12**2 + 0.2**2))
    for c in range(CELLS):
        known = (design.readings[c], design.precision[c], held.raw[c], held.mean[c], held.precision[c])
        np.testing.assert_allclose(held.solution[c], regression(*known)[0], rtol=1e-5, atol=1e-6)
    packs = build_design(series(rng.normal(size=(COUNT, 1))), fleet_with(white_sd=1.0, slope=0.7))
    np.testing.assert_array_equal(packs.slope_mean, 0.0)


def test_a_cell_that_drifts_far_from_the_others_has_a_slope_of_its_own():
    # Hand-solved: of ten cells nine have the slopes 0, 0.1, ... 0.8 per 10 000 km and one 20, without noise.
    # The median is 0.45, the distances' median 0.25, so that six spreads are 6 x 1.4826 x 0.25; only the last
    # one lies beyond, by 19.55. Four cells are too few to say so, and of equal slopes none stands out.
    rise = np.r_[0.1 * np.arange(9), 20.0]
    driven = 0.4 * np.arange(COUNT)[:, None]
    panel = trims(np.zeros((COUNT, 10)))
    lone = _lone_slopes(panel, rise * driven, sharing(panel.cells, {}))
    np.testing.assert_allclose(lone, [0.0] * 9 + [19.55], atol=1e-9)
    few = trims(np.zeros((COUNT, 4)))
    np.testing.assert_array_equal(_lone_slopes(few, rise[6:] * driven, sharing(few.cells, {})), 0.0)
    alike = np.where(np.arange(COUNT)[:, None] == 3, np.nan, 0.3 * driven + np.zeros(10))
    np.testing.assert_allclose(_lone_slopes(panel, alike, sharing(panel.cells, {})), 0.0, atol=1e-9)


def test_how_far_a_cell_may_be_from_its_need_at_the_start():
    # Hand-solved, noise sd 1: 20 exp(-10/10) after ten shifts, 20 exp(-40/10) after forty; 20 after none
    # where others have learned by then; 2 where the count is not known, or nil for all: nobody counted.
    counts = np.full((4, 4), 12.0)
    counts[0] = [10.0, 40.0, NAN, 0.0]
    rng = np.random.default_rng(1)
    design = build_design(trims(rng.normal(size=(4, 4)), counts), fleet_with("apply_trim", white_sd=1.0))
    np.testing.assert_allclose(design.start_sd, [20 * np.exp(-1), 20 * np.exp(-4), 2.0, 20.0])
    counts[0] = 0.0
    uncounted = build_design(trims(rng.normal(size=(4, 4)), counts), fleet_with("apply_trim", white_sd=1.0))
    np.testing.assert_allclose(uncounted.start_sd, 2.0)


def test_a_pack_is_measured_and_not_on_its_way():
    design = packs_at(drawn(1))
    np.testing.assert_array_equal(design.start_sd, 0.0)


def test_values_on_their_way_from_their_base_at_the_start_are_no_change():
    # A seldom-driven cell learned three shifts before the first snapshot, and three between any two: it goes
    # from 0 to 15 as 1 - exp(-N / 10), without noise. Where it was taken to be at its need from the first
    # snapshot on, that would be a step or a bend.
    learned = 3.0 * np.arange(1, COUNT + 1)
    values = np.repeat(15.0 * (1.0 - np.exp(-learned / 10.0))[:, None], 4, axis=1)
    design = trims_at(values, 3.0)
    known, unaware = (estimates(d, "step") for d in (design, replace(design, start_sd=np.zeros(4))))
    inner = slice(2, COUNT)
    sds = np.sqrt(known.own_var + known.shared_sd**2)[inner]
    assert (np.abs(known.estimate[inner]) < sds).all()
    assert (np.abs(unaware.estimate) > 3.0 * np.sqrt(unaware.own_var + unaware.shared_sd**2)).any()
