"""What the search must not depend on; a relearn, a rebuild and a step told apart; and what the log names."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from driftwatch.changes import search as search_module
from driftwatch.changes.design import build_design
from driftwatch.changes.estimates import Placed
from driftwatch.changes.evidence import Jump, Pattern
from driftwatch.changes.fit import fit_unit
from driftwatch.changes.search import EXPECTED, SearchResult, _Search, search, strength
from driftwatch.panel.build import panels
from driftwatch.panel.panel import Panel
from tests.assessment.units import profile
from tests.panel.by_hand import cell, records
from tests.reference.plain_series import fleet_with, series

few = settings(derandomize=True, deadline=None, max_examples=8, database=None)
COUNT, PACKS = 20, 4
AT = np.arange(COUNT)
SHIFTS = [s.id for s in profile().shifts]


def pattern(kind: str, size: float, cells: int) -> Pattern:
    """All cells move one way, each a little on its own."""
    return Pattern(kind, kind, np.full((cells, 1), size), np.full(cells, 0.4 * size), np.zeros(cells))


def volumes(seed: int, at: int, size: float) -> np.ndarray:
    noise = np.random.default_rng(seed).normal(0.0, 0.3, (COUNT, PACKS))
    return 20.0 + noise + size * (at <= AT)[:, None]


def found_in(values: np.ndarray, by: float = 1.0) -> SearchResult:
    """Search volumes of a few packs, `by` times as large in all their quantities."""
    patterns = (pattern("step", 0.5 * by, PACKS), pattern("bend", 0.15 * by, PACKS))
    fleet = fleet_with(white_sd=0.3 * by, slope_sd=0.1 * by)
    design = build_design(series(by * values, distance=0.4 * AT), fleet)
    return search(design, patterns, np.full((2, COUNT), np.log(0.02)), 2.0)


def places(found: SearchResult) -> list[tuple[int, int]]:
    return [(p.pattern, p.index) for p in found.placed]


stories = st.tuples(st.integers(0, 500), st.integers(3, COUNT - 3), st.sampled_from([0.0, 0.6, 1.5]))


@few
@given(stories, st.floats(-15.0, 400.0))
def test_the_level_does_not_matter_to_what_is_found(story, shift):
    a, b = found_in(volumes(*story)), found_in(volumes(*story) + shift)
    assert places(b) == places(a)
    for x, y in zip(a.tables, b.tables, strict=True):
        np.testing.assert_allclose(y, x, atol=1e-3)


@few
@given(stories)
def test_the_unit_of_measure_does_not_matter_to_what_is_found(story):
    a, b = found_in(volumes(*story)), found_in(volumes(*story), by=0.0610237440947323)  # cm3 in in3
    assert places(b) == places(a)
    for x, y in zip(a.tables, b.tables, strict=True):
        np.testing.assert_allclose(y, x, atol=1e-2)


@few
@given(stories)
def test_a_step_down_is_found_as_a_step_up(story):
    a, b = found_in(volumes(*story)), found_in(40.0 - volumes(*story))
    assert places(b) == places(a)


@few
@given(stories, st.permutations(range(PACKS)))
def test_order_of_the_cells_does_not_matter_to_what_is_found(story, order):
    a, b = found_in(volumes(*story)), found_in(volumes(*story)[:, list(order)])
    assert places(b) == places(a)


@few
@given(st.integers(0, 500), st.integers(4, COUNT - 4))
def test_backwards_in_time_a_clear_step_is_the_same_step(seed, at):
    # Hand-solved: before snapshot `at` of 20 becomes before snapshot 20 - `at`.
    values = volumes(seed, at, 1.5)
    assert places(found_in(values)) == [(0, at)]
    assert places(found_in(values[::-1])) == [(0, COUNT - at)]


# --- a jump and return, a new base, or both -----------------------------------------------------------------

CELLS = 10
CHANGED = 9
RNG = np.random.default_rng(8)
#: What every cell had learned, and the base of its own to which it may go afterwards.
BEFORE, NEW = RNG.normal(0.0, 8.0, CELLS), RNG.normal(0.0, 8.0, CELLS)
TO_ZERO = Jump(np.full(CELLS, 1.0), np.ones(CELLS), 0.15)


def cleared(base: np.ndarray, counts: float = 3.0, start: float = 0.0) -> np.ndarray:
    """Trims that at snapshot 9 fall to `start`, and go to `base` with `counts` shifts learned a snapshot."""
    since = counts * (AT - CHANGED) + 0.5 * counts
    left = np.where(AT >= CHANGED, np.exp(-np.maximum(since, 0.0) / 10.0), 0.0)[:, None]
    values = np.where((AT >= CHANGED)[:, None], start * left + base * (1.0 - left), BEFORE)
    return values + np.random.default_rng(3).normal(0.0, 0.5, (COUNT, CELLS))


def trims(values: np.ndarray, counts: float = 3.0) -> Panel:
    rows = [r for i in range(CELLS) for r in cell(list(values[:, i]), counts, channel=SHIFTS[i])]
    return panels(records(rows, COUNT))[0]


def searched(values: np.ndarray, log_prior: np.ndarray | None = None, threshold: float = 2.5) -> _Search:
    """A step, a renewal, and a renewal of which nothing stays, all equally likely beforehand."""
    design = build_design(trims(values), fleet_with("apply_trim", white_sd=0.5))
    step, renewal = pattern("step", 6.0, CELLS), replace(pattern("renewal", 6.0, CELLS), jump=TO_ZERO)
    relearn = replace(pattern("renewal", 0.4, CELLS), name="relearn", jump=TO_ZERO, returns=True)
    patterns = tuple(replace(p, scales=(1.0,)) for p in (step, renewal, relearn))
    prior = np.full((len(patterns), COUNT), np.log(0.01)) if log_prior is None else log_prior
    prior[:, 0] = -np.inf
    return _Search(design, patterns, prior, threshold)


def names(looked: _Search) -> list[tuple[str, int]]:
    return [(looked.patterns[p.pattern].name, p.index) for p in looked.run().placed]


def test_values_that_are_cleared_and_come_back_are_one_relearn():
    assert names(searched(cleared(BEFORE))) == [("relearn", CHANGED)]


def test_values_that_are_cleared_and_go_elsewhere_are_one_renewal():
    assert names(searched(cleared(NEW))) == [("renewal", CHANGED)]


def test_values_that_go_elsewhere_without_a_jump_are_a_step():
    since = 3.0 * (AT - CHANGED) + 1.5
    gained = np.where(AT >= CHANGED, 1.0 - np.exp(-np.maximum(since, 0.0) / 10.0), 0.0)[:, None]
    noise = np.random.default_rng(4).normal(0.0, 0.5, (COUNT, CELLS))
    assert names(searched(BEFORE + gained * NEW + noise)) == [("step", CHANGED)]


def test_a_jump_and_return_is_told_with_its_jump():
    # The jump of every cell is from what it had learned to zero: within four standard errors of that.
    looked = searched(cleared(BEFORE))
    fleet = fleet_with("apply_trim", white_sd=0.5)
    for values, kind, effect in ((BEFORE, "transient", -BEFORE), (NEW, "step", NEW - BEFORE)):
        looked = searched(cleared(values))
        fit = fit_unit(trims(cleared(values)), looked.design, looked.patterns, looked.run(), fleet)
        assert [c.kind for c in fit.changes] == [kind]
        change = fit.changes[0]
        assert (np.abs(change.effect - effect) < 4.0 * change.effect_se).all()
        assert (change.effect_se < 3.0).all()


# --- what the log names -------------------------------------------------------------------------------------


def logged(index: int, odds: float) -> np.ndarray:
    prior = np.full((3, COUNT), np.log(1e-4))
    prior[0, index] = np.log(odds)
    return prior


def test_what_the_log_names_is_weighed_though_readings_say_more_elsewhere():
    # The search looks closely at the snapshots where readings say most: a large step at 9 and the ones beside
    # it. The log names 15, where nothing moved.
    values = cleared(NEW)
    quiet, named = (searched(values, prior) for prior in (logged(15, 1e-4), logged(15, 1.0)))
    assert not np.isfinite(quiet._table([])[:, 15]).any()
    assert np.isfinite(named._table([])[:, 15]).all()
    assert np.isfinite(named._table([])[:, CHANGED]).all()


def test_a_change_that_the_log_names_has_only_to_be_likelier_than_not():
    # Hand-solved: prior odds of e^-2 and less are no naming; the snapshots beside an entry are named too, for
    # the cause it names. A threshold below even odds stays.
    assert EXPECTED == -2.0
    needed = searched(cleared(NEW), logged(12, 0.2), 3.5).needed
    assert needed[0].tolist() == [3.5] * 11 + [0.0] * 3 + [3.5] * 6
    assert (needed[1:] == 3.5).all()
    assert (searched(cleared(NEW), logged(12, 0.1), 3.5).needed == 3.5).all()
    assert (searched(cleared(NEW), logged(12, 0.2), -1.0).needed == -1.0).all()


def test_what_a_change_leaves_at_its_own_place_is_no_second_one():
    placed = [Placed(0, 5, 0.5), Placed(1, 9)]
    assert search_module._joined(placed, Placed(0, 5, 0.8)) == placed
    for other in (Placed(0, 6), Placed(1, 5)):
        assert search_module._joined(placed, other) == [*placed, other]


def test_a_small_change_is_found_since_the_log_names_it(monkeypatch):
    # The same readings and the same prior odds: the log odds lie between even ones and the threshold.
    since = np.maximum(AT - CHANGED + 0.5, 0.0)[:, None]
    values = np.random.default_rng(6).normal(0.0, 0.5, (COUNT, CELLS)) + 0.8 * (1.0 - np.exp(-0.3 * since))
    prior = logged(CHANGED, 0.2)
    prior[1:] = np.log(1e-12)
    looked = searched(values, prior)
    best = Placed(0, CHANGED)
    odds = strength(looked._table([]), best)
    assert 0.0 < odds < looked.threshold
    assert names(looked) == [("step", CHANGED)]
    monkeypatch.setattr(search_module, "EXPECTED", np.inf)
    assert names(searched(values, prior)) == []
