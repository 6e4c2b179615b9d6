"""The joint search: steps, bends and returns compete, and each is found where it is."""

from __future__ import annotations

import numpy as np
import pytest

from driftwatch.changes.design import build_design
from driftwatch.changes.estimates import Placed
from driftwatch.changes.evidence import Pattern
from driftwatch.changes.fit import fit_unit
from driftwatch.changes.results import UnitFit
from driftwatch.changes.search import _Search, search
from tests.reference.plain_series import fleet_with, series

CELLS, COUNT = 4, 30
NOISE = 0.3


def pattern(kind: str, size: float) -> Pattern:
    """All cells move one way, each a little on its own."""
    return Pattern(kind, kind, np.full((CELLS, 1), size), np.full(CELLS, 0.3 * size), np.zeros(CELLS))


PATTERNS = (pattern("step", 0.5), pattern("bend", 0.15))


def found_in(values: np.ndarray, rate: float = 0.02, threshold: float = 2.0) -> UnitFit:
    """Search volumes of a few packs, one snapshot every 4000 km."""
    panel = series(values, distance=np.arange(len(values)) * 0.4)
    fleet = fleet_with(white_sd=NOISE, slope_sd=0.1)
    design = build_design(panel, fleet)
    prior = np.full((len(PATTERNS), len(values)), np.log(rate))
    return fit_unit(panel, design, PATTERNS, search(design, PATTERNS, prior, threshold), fleet)


def noisy(mean: np.ndarray, seed: int) -> np.ndarray:
    rng = np.random.default_rng(seed)
    return mean[:, None] + 20.0 + rng.normal(0.0, NOISE, (len(mean), CELLS))


AT = np.arange(COUNT)


@pytest.mark.parametrize("index", [3, 10, 15, 26])
def test_a_step_is_found_at_its_snapshot_with_its_size(index):
    fit = found_in(noisy(1.5 * (index <= AT), seed=index))
    assert [(c.kind, c.index) for c in fit.changes] == [("step", index)]
    change = fit.changes[0]
    assert change.span[0] <= index <= change.span[1]
    assert (np.abs(change.effect - 1.5) < 4.0 * change.effect_se).all()
    assert change.evidence > 5.0


@pytest.mark.parametrize("seed", range(3))
def test_a_bend_is_a_bend_and_no_staircase(seed):
    fit = found_in(noisy(0.35 * np.maximum(AT - 14, 0) * 0.4, seed))
    assert [c.kind for c in fit.changes] == ["bend"]
    assert abs(fit.changes[0].index - 15) <= 4
    assert (np.abs(fit.changes[0].effect - 0.35) < 4.0 * fit.changes[0].effect_se).all()


@pytest.mark.parametrize("first", [9, 11, 13, 15])
def test_a_change_first_seen_some_snapshots_off_settles_where_it_fits_best(first):
    values = noisy(1.5 * (AT >= 12), seed=6)
    design = build_design(series(values, distance=AT * 0.4), fleet_with(white_sd=NOISE, slope_sd=0.1))
    walk = _Search(design, PATTERNS, np.full((len(PATTERNS), COUNT), -4.0), 2.0)
    assert walk._settle(Placed(0, first), []).index == 12


def test_a_trend_is_a_slope_and_no_change():
    fit = found_in(noisy(0.3 * AT * 0.4, seed=5))
    assert fit.changes == ()
    assert (np.abs(fit.slope - 0.3) < 4.0 * fit.slope_se).all()


def test_two_steps_are_two_changes_in_order_of_time():
    fit = found_in(noisy(1.5 * (AT >= 8) - 2.0 * (AT >= 20), seed=2))
    assert [(c.kind, c.index) for c in fit.changes] == [("step", 8), ("step", 20)]


def test_nothing_is_found_in_noise():
    # 40 series of noise; the prior alone says 30 x 2 x 0.02 = 1.2 to 1 for some change, the threshold e^2.
    false = sum(bool(found_in(noisy(np.zeros(COUNT), seed)).changes) for seed in range(100, 140))
    assert false <= 2  # a twentieth of 40


def test_a_higher_threshold_finds_no_more():
    values = noisy(0.5 * (AT >= 12), seed=9)
    counts = [len(found_in(values, threshold=t).changes) for t in (0.0, 2.0, 10.0, 1e3)]
    assert counts == sorted(counts, reverse=True)
    assert counts[-1] == 0


def test_missing_readings_widen_the_answer_and_do_not_move_it():
    whole = noisy(1.5 * (AT >= 12), seed=3)
    holes = whole.copy()
    holes[np.random.default_rng(1).random(holes.shape) < 0.4] = np.nan
    full, part = found_in(whole), found_in(holes)
    assert [(c.kind, c.index) for c in part.changes] == [("step", 12)]
    assert (part.changes[0].effect_se > full.changes[0].effect_se).all()


def test_a_cell_never_read_gets_no_effect_from_the_others_beyond_its_prior():
    values = noisy(1.5 * (AT >= 12), seed=4)
    values[:, 2] = np.nan
    fit = found_in(values)
    assert [(c.kind, c.index) for c in fit.changes] == [("step", 12)]
    change = fit.changes[0]
    assert abs(np.nan_to_num(change.effect[2])) < 1e-6
    assert not change.effect_se[2] < change.effect_se[0]


def test_fitted_values_follow_the_truth_within_their_errors():
    mean = 1.5 * (AT >= 12)
    fit = found_in(noisy(mean, seed=6))
    away = np.abs(fit.fitted - 20.0 - mean[:, None]) / fit.fitted_se
    assert (away < 4.5).all()
    assert (fit.fitted_se < NOISE).all()


def place(table: np.ndarray, placed: list[Placed]) -> Placed | None:
    """Take the most probable further change from a table of log odds."""
    design = build_design(series(noisy(np.zeros(8), 1)), fleet_with(white_sd=NOISE))
    walk = _Search(design, PATTERNS, np.full((2, 8), -4.0), 2.0)
    walk.tables[tuple(sorted(placed))] = table
    return walk._best(placed)


def test_what_is_left_at_the_place_of_a_change_hides_no_other_change():
    # Hand-solved: steps at 3 (there already, 9 left), beside it (8), and at 6 with 4, over the 2 needed.
    table = np.full((2, 8), -np.inf)
    table[0, [3, 4, 6]] = 9.0, 8.0, 4.0
    assert place(table, []) == Placed(0, 3)
    assert place(table, [Placed(0, 3)]) == Placed(0, 6)
    table[0, 6] = 1.0
    assert place(table, [Placed(0, 3)]) is None
    # Another pattern beside a change that is furthest ahead by itself is taken, as two changes may be near.
    table[1, 4] = 10.0
    assert place(table, [Placed(0, 3)]) == Placed(1, 4)
