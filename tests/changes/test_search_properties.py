"""What the search must not depend on; and a clearing with a step beside it, weighed against a renewal."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from driftwatch.changes.design import build_design
from driftwatch.changes.estimates import Placed
from driftwatch.changes.evidence import Pattern
from driftwatch.changes.search import SearchResult, _Search, search
from driftwatch.panel.build import panels
from tests.assessment.units import profile
from tests.panel.by_hand import cell, records
from tests.reference.plain_series import fleet_with, series

few = settings(derandomize=True, deadline=None, max_examples=8, database=None)
COUNT, PACKS = 20, 4
AT = np.arange(COUNT)
SHIFTS = [s.id for s in profile().shifts]


def pattern(kind: str, size: float, cells: int, late: float = 0.0) -> Pattern:
    """All cells move one way, each a little on its own."""
    none = np.zeros(cells)
    return Pattern(kind, kind, np.full((cells, 1), size), np.full(cells, 0.4 * size), none, none + late)


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


# --- a clearing and a step in one place, or a renewal -------------------------------------------------------

CELLS = 10
KINDS = ("step", "clearing", "renewal")
CHANGED = 9


def searched(jump: np.ndarray, base: np.ndarray, kinds: tuple[str, ...] = KINDS) -> _Search:
    """Trims that at snapshot 9 jump by `jump`, and go to `base` with three shifts learned a snapshot."""
    since = 3.0 * (AT - CHANGED) + 1.5
    left = np.where(AT >= CHANGED, np.exp(-np.maximum(since, 0.0) / 10.0), 0.0)[:, None]
    gained = (AT >= CHANGED)[:, None] - left
    values = np.random.default_rng(3).normal(0.0, 0.5, (COUNT, CELLS)) + jump * left + base * gained
    rows = [r for i in range(CELLS) for r in cell(list(values[:, i]), 3.0, channel=SHIFTS[i])]
    design = build_design(panels(records(rows, COUNT))[0], fleet_with("apply_trim", white_sd=0.5))
    patterns = tuple(pattern(kind, 2.0, CELLS, 4.0 * (kind == "renewal")) for kind in kinds)
    prior = np.full((len(kinds), COUNT), np.log(0.01))
    prior[:, 0] = -np.inf
    return _Search(design, patterns, prior, 2.5)


RNG = np.random.default_rng(8)
#: Every cell jumps its own way and goes to a base of its own.
OWN_WAYS = (RNG.normal(0.0, 4.0, CELLS), 3.0 + RNG.normal(0.0, 1.5, CELLS))


def test_a_clearing_and_a_step_in_one_place_become_the_renewal_that_they_are():
    looked = searched(*OWN_WAYS)
    merged = looked._merge([Placed(1, CHANGED), Placed(0, CHANGED)])
    assert [(KINDS[p.pattern], p.index) for p in merged] == [("renewal", CHANGED)]


def test_the_snapshot_beside_is_one_place_too_and_two_on_is_another():
    looked = searched(*OWN_WAYS)
    beside = looked._merge([Placed(1, CHANGED), Placed(0, CHANGED + 1)])
    apart = [Placed(1, CHANGED), Placed(0, CHANGED + 2)]
    assert [KINDS[p.pattern] for p in beside] == ["renewal"]
    assert looked._merge(apart) == apart


def test_other_changes_are_left_alone_by_a_merge():
    other = Placed(0, 3)
    merged = searched(*OWN_WAYS)._merge([other, Placed(1, CHANGED), Placed(0, CHANGED)])
    assert other in merged
    assert len(merged) == 2


def test_without_a_renewal_among_the_patterns_nothing_is_merged():
    looked = searched(*OWN_WAYS, kinds=("step", "clearing"))
    placed = [Placed(1, CHANGED), Placed(0, CHANGED)]
    assert looked._merge(placed) == placed


def test_a_clearing_and_a_step_stay_two_where_a_renewal_is_less_likely():
    # All cells jump alike and settle alike, so two sizes say it; a renewal whose jumps may be a hundred times
    # as large as these pays for a freedom in every cell that nothing needs.
    looked = searched(np.full(CELLS, -6.0), np.full(CELLS, 3.0))
    loose = replace(looked, patterns=(*looked.patterns[:2], pattern("renewal", 2.0, CELLS, 400.0)))
    placed = [Placed(1, CHANGED), Placed(0, CHANGED)]
    assert loose._merge(placed) == placed
