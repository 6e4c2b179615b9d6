"""Two causes in one visit: what the split of their effect must not depend on, and what it must add up to."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from driftwatch.causes.signatures import Family
from driftwatch.causes.split import split_effect
from driftwatch.changes.evidence import Effects, Pattern, Sharing
from driftwatch.panel.panel import Floats

few = settings(derandomize=True, deadline=None, max_examples=10, database=None)
CELLS = 8
PAIR = ("power", "fluid")
SCALES = (1.5, 4.0, 12.0)


@lru_cache(maxsize=1)
def ways() -> dict[str, Floats]:
    """Power moves all cells one way, fluid the first half alone the other way."""
    half = np.arange(CELLS) < CELLS // 2
    return {"power": np.ones(CELLS), "fluid": np.where(half, -1.0, 0.0)}


def family(*causes: str, order: Floats, by: float) -> Family:
    basis = by * np.stack([ways()[c] for c in causes], axis=1)[order]
    spread, mean = np.full(len(order), 0.1 * by), np.zeros(len(order))
    return Family(Pattern("+".join(causes), "step", basis, spread, mean, SCALES), causes)


def split_of(
    effect: Floats,
    own_var: Floats,
    order: Floats | None = None,
    by: float = 1.0,
    learned: tuple[Family, ...] = (),
) -> dict[str, tuple[Floats, Floats]]:
    """Split the effect (C,), the cells perhaps in another order, all quantities `by` times as large."""
    order = np.arange(CELLS) if order is None else order
    count = len(order)
    effects = Effects(
        estimate=by * effect[order][None],
        own_var=by**2 * own_var[order][None],
        shared_sd=np.full((1, count), 0.2 * by),
        of_mode=np.zeros((1, 1)),
        bonus=np.zeros(1),
    )
    alone = tuple(family(cause, order=order, by=by) for cause in PAIR)
    pair = family(*PAIR, order=order, by=by)
    one_signal = Sharing(np.zeros(count, dtype=np.int64), np.zeros(count, dtype=np.int64), np.eye(1))
    return split_effect(effects, 0, (*alone, pair, *learned), pair, one_signal)


def seen(seed: int, power: float = 6.0, fluid: float = 2.0) -> Floats:
    noise = np.random.default_rng(seed).normal(0.0, 0.1, CELLS)
    return power * ways()["power"] + fluid * ways()["fluid"] + noise


VAR = np.full(CELLS, 0.01)


def test_each_cause_gets_what_it_did():
    # The cells that fluid does not move tell the power; what is left of the others is the fluid's.
    split = split_of(seen(1), VAR)
    np.testing.assert_allclose(split["power"][0], 6.0, atol=0.6)
    np.testing.assert_allclose(split["fluid"][0], 2.0 * ways()["fluid"], atol=0.6)


@few
@given(st.integers(0, 500), st.floats(-8.0, 8.0), st.floats(-4.0, 4.0))
def test_what_is_sure_is_shared_out_whole(seed, power, fluid):
    effect = seen(seed, power, fluid)
    split = split_of(effect, np.full(CELLS, 1e-10))
    # Noise that the cells share (0.2) is all that may be left over.
    left = effect - split["power"][0] - split["fluid"][0]
    np.testing.assert_allclose(left, left.mean(), atol=1e-6)
    assert abs(left.mean()) < 0.2


@few
@given(st.integers(0, 500), st.permutations(range(CELLS)))
def test_order_of_the_cells_does_not_matter(seed, order):
    plain, mixed = split_of(seen(seed), VAR), split_of(seen(seed), VAR, np.array(order))
    for cause in PAIR:
        np.testing.assert_allclose(mixed[cause][0], plain[cause][0][order], rtol=1e-6, atol=1e-9)
        np.testing.assert_allclose(mixed[cause][1], plain[cause][1][np.ix_(order, order)], atol=1e-9)


@few
@given(st.integers(0, 500), st.sampled_from([0.145037738, -1.0, 6.894757293168361]))
def test_in_another_unit_or_the_other_way_round_the_parts_are_too(seed, by):
    plain, turned = split_of(seen(seed), VAR), split_of(seen(seed), VAR, by=by)
    for cause in PAIR:
        np.testing.assert_allclose(turned[cause][0], by * plain[cause][0], rtol=1e-6, atol=1e-9)
        np.testing.assert_allclose(turned[cause][1], by**2 * plain[cause][1], rtol=1e-6, atol=1e-9)


@pytest.mark.parametrize("said", [0.0, 50.0])
def test_a_cell_that_says_nothing_has_no_say_and_an_unsure_part(said):
    effect, var = seen(1), VAR.copy()
    effect[-1], var[-1] = said, np.inf
    others = np.arange(CELLS - 1)
    with_it, without = split_of(effect, var), split_of(effect, var, others)
    for cause in PAIR:
        np.testing.assert_allclose(with_it[cause][0][:-1], without[cause][0], rtol=1e-4, atol=1e-6)
        assert np.isfinite(with_it[cause][0]).all()
        # Fluid moves neither of the last two cells, so that they are alike but for what was read.
        unread, read = (with_it[cause][1][i, i] for i in (-1, -2))
        assert unread > read


def test_an_effect_of_nil_is_nil_of_both():
    for mean, _ in split_of(np.zeros(CELLS), VAR).values():
        np.testing.assert_allclose(mean, 0.0, atol=1e-12)


def test_what_a_fleet_learned_of_one_cause_does_not_change_the_split():
    # A pair is made of the general families; one that was learned stands after them and has a mean.
    mean = 20.0 * ways()["power"]
    narrow = Pattern("power as in this fleet", "step", 0.1 * mean[:, None], np.full(CELLS, 0.1), mean, (1.0,))
    plain, beside = split_of(seen(1), VAR), split_of(seen(1), VAR, learned=(Family(narrow, ("power",)),))
    for cause in PAIR:
        np.testing.assert_array_equal(beside[cause][0], plain[cause][0])
