"""The log Bayes factors against dense multivariate normal densities, and what they must not depend on."""

from __future__ import annotations

from dataclasses import fields, replace

import numpy as np
import pytest
from scipy.special import logsumexp
from scipy.stats import multivariate_normal

from driftwatch.changes.evidence import NOISIER, Effects, Jump, Pattern, log_factors, noisier_factor, stack


def effects_of(estimate: np.ndarray, own_var: np.ndarray, shared_sd: np.ndarray) -> Effects:
    """Effects that come with nothing beside them."""
    said = {"estimate": estimate, "own_var": own_var, "shared_sd": shared_sd}
    beside = {f.name: np.zeros(len(estimate)) for f in fields(Effects) if f.name not in said}
    return Effects(**said, **beside)


def random_case(seed: int, cells: int = 11, candidates: int = 4):
    rng = np.random.default_rng(seed)
    signal = rng.integers(0, 3, cells)
    signal[:3] = [0, 1, 2]
    effects = effects_of(
        estimate=rng.normal(0.0, 2.0, (candidates, cells)),
        own_var=rng.uniform(0.1, 2.0, (candidates, cells)),
        shared_sd=rng.uniform(0.0, 0.8, (candidates, cells)),
    )
    patterns = [
        Pattern(
            name=f"p{k}",
            kind="step",
            basis=rng.normal(0.0, 1.0, (cells, k + 1)),
            spread=rng.uniform(0.05, 0.7, cells),
            mean=rng.normal(0.0, 0.5, cells) * (k > 0),
            scales=(0.5, 1.5, 4.0)[: k + 1],
        )
        for k in range(3)
    ]
    return effects, patterns, signal


def weighed(effects: Effects, patterns: list[Pattern], signal: np.ndarray) -> np.ndarray:
    """Log factors of patterns with different numbers of scales."""
    return np.concatenate([log_factors(effects, stack([p]), signal) for p in patterns])


def dense_log_factor(effects: Effects, pattern: Pattern, signal: np.ndarray, j: int) -> float:
    """Second implementation: full covariance matrices and scipy's densities."""
    shared = np.where(signal[:, None] == signal, np.outer(effects.shared_sd[j], effects.shared_sd[j]), 0.0)
    y = effects.estimate[j]
    null = multivariate_normal(np.zeros(len(y)), np.diag(effects.own_var[j]) + shared).logpdf(y)
    change = logsumexp(
        [
            multivariate_normal(
                pattern.mean,
                np.diag(effects.own_var[j])
                + shared
                + scale**2 * (pattern.basis @ pattern.basis.T + np.diag(pattern.spread**2)),
            ).logpdf(y)
            for scale in pattern.scales
        ]
    ) - np.log(len(pattern.scales))
    return float(change - null)


@pytest.mark.parametrize("seed", range(8))
def test_log_factors_equal_dense_densities(seed):
    effects, patterns, signal = random_case(seed)
    dense = [
        [dense_log_factor(effects, p, signal, j) for j in range(len(effects.estimate))] for p in patterns
    ]
    np.testing.assert_allclose(weighed(effects, patterns, signal), dense, rtol=1e-8, atol=1e-8)


@pytest.mark.parametrize("seed", range(4))
def test_noisier_readings_without_a_change_are_weighed_by_dense_densities_too(seed):
    effects, _, signal = random_case(seed)
    same = signal[:, None] == signal
    for j, ours in enumerate(noisier_factor(effects, signal)):
        y = effects.estimate[j]
        shared = np.where(same, np.outer(effects.shared_sd[j], effects.shared_sd[j]), 0.0)

        def density(own, common, j=j, y=y, shared=shared):
            covariance = own * np.diag(effects.own_var[j]) + common * shared
            return multivariate_normal(np.zeros(len(y)), covariance).logpdf(y)

        louder = logsumexp([np.log(chance) + density(*factors) for factors, chance in NOISIER.items()])
        assert ours == pytest.approx(louder - density(1.0, 1.0), abs=1e-8)


def test_scatter_without_a_common_direction_speaks_for_noise():
    effects, _, signal = random_case(1, cells=40)
    loud = effects_of(5.0 * effects.estimate, effects.own_var, 0.0 * effects.shared_sd)
    assert (noisier_factor(loud, signal) > 10.0).all()


def test_the_chances_of_noisier_readings_add_to_one():
    assert sum(NOISIER.values()) == pytest.approx(1.0)


def test_a_cell_that_says_nothing_changes_nothing():
    effects, patterns, signal = random_case(3)
    own = effects.own_var.copy()
    own[:, 5] = np.inf
    mute = effects_of(np.where(np.isinf(own), 0.0, effects.estimate), own, effects.shared_sd)
    without = effects_of(
        *(np.delete(part, 5, axis=1) for part in (mute.estimate, mute.own_var, mute.shared_sd))
    )
    fewer = [
        Pattern(
            p.name, p.kind, np.delete(p.basis, 5, axis=0), np.delete(p.spread, 5), np.delete(p.mean, 5),
            p.scales,
        )
        for p in patterns
    ]  # fmt: skip
    np.testing.assert_allclose(
        weighed(mute, patterns, signal), weighed(without, fewer, np.delete(signal, 5)), atol=1e-8
    )
    np.testing.assert_allclose(
        noisier_factor(mute, signal), noisier_factor(without, np.delete(signal, 5)), atol=1e-8
    )


def test_no_effect_speaks_against_a_change_and_a_fitting_one_for_it():
    effects, patterns, signal = random_case(5)
    nothing = effects_of(np.zeros_like(effects.estimate), effects.own_var, effects.shared_sd)
    pattern = patterns[0]
    fitting = effects_of(
        np.broadcast_to(8.0 * pattern.basis[:, 0], effects.estimate.shape), effects.own_var, effects.shared_sd
    )
    assert (weighed(nothing, [pattern], signal) < 0.0).all()
    assert (weighed(fitting, [pattern], signal) > 5.0).all()


def test_signs_do_not_matter_where_the_pattern_has_no_mean():
    effects, patterns, signal = random_case(6)
    turned = effects_of(-effects.estimate, effects.own_var, effects.shared_sd)
    np.testing.assert_allclose(
        weighed(effects, patterns[:1], signal), weighed(turned, patterns[:1], signal), atol=1e-10
    )


def test_units_cancel():
    # Hand-solved: scaling every quantity by k shifts both log densities by the same number.
    effects, patterns, signal = random_case(7)
    k = 6.894757293168361
    scaled = effects_of(k * effects.estimate, k**2 * effects.own_var, k * effects.shared_sd)
    larger = [Pattern(p.name, p.kind, k * p.basis, k * p.spread, k * p.mean, p.scales) for p in patterns]
    np.testing.assert_allclose(weighed(effects, patterns, signal), weighed(scaled, larger, signal), atol=1e-9)


def test_patterns_in_one_array_are_weighed_as_each_alone():
    effects, _, signal = random_case(9)
    rng, none = np.random.default_rng(9), np.zeros(11)
    patterns = [
        Pattern(str(k), "step", rng.normal(size=(11, k + 1)), rng.uniform(0.1, 1.0, 11), none)
        for k in range(4)
    ]
    together = log_factors(effects, stack(patterns), signal)
    np.testing.assert_allclose(together, weighed(effects, patterns, signal), atol=1e-10)


def test_two_identical_cells_are_one_read_twice_as_well():
    # Hand-solved: where cells have no deviation of their own, two with noise variance v are as good as one
    # with v / 2, their mean. So one more identical cell makes what is said surer, and by so much.
    basis, none = np.array([[1.3], [0.4]]), np.zeros(2)
    one = Pattern("p", "step", basis, none, none)
    two = Pattern("p", "step", basis[[0, 0, 1]], np.zeros(3), np.zeros(3))
    for y in (0.0, 0.7, 4.0):
        pair = effects_of(np.array([[y, y, 0.3]]), np.array([[0.8, 0.8, 0.5]]), np.zeros((1, 3)))
        single = effects_of(np.array([[y, 0.3]]), np.array([[0.4, 0.5]]), np.zeros((1, 2)))
        said = [
            log_factors(e, stack([p]), np.zeros(len(p.spread), dtype=np.int64))[0, 0]
            for e, p in ((pair, two), (single, one))
        ]
        assert said[0] == pytest.approx(said[1], abs=1e-10)


def test_identical_cells_whose_noise_is_all_shared_are_no_more_than_one():
    # Hand-solved in the limit: with hardly any noise of its own, a second cell repeats what the first says.
    # It adds what its own small noise allows, which is the same with and without a change.
    shared, own, y = np.array([[1.0, 1.0]]), 1e-6, 2.0
    none = np.zeros(2)
    two = Pattern("p", "step", np.ones((2, 1)), none, none)
    one = Pattern("p", "step", np.ones((1, 1)), none[:1], none[:1])
    pair = log_factors(
        effects_of(np.full((1, 2), y), np.full((1, 2), own), shared),
        stack([two]),
        np.zeros(2, dtype=np.int64),
    )
    single = log_factors(
        effects_of(np.full((1, 1), y), np.full((1, 1), own), shared[:, :1]),
        stack([one]),
        np.zeros(1, dtype=np.int64),
    )
    assert pair[0, 0] == pytest.approx(single[0, 0], abs=1e-4)


# --- how far a change may go --------------------------------------------------------------------------------


def test_a_cleared_cell_jumps_from_what_it_read_to_zero_give_or_take():
    # Hand-solved: 20 to zero is -20, and 15 % of that with a spread of 4 beside it are sqrt(9 + 16) = 5; from
    # zero to zero is the spread alone; a cell that may go anywhere lies about nil, by the spread and no more.
    jump = Jump(spread=np.array([4.0, 4.0, 6.0]), to_zero=np.array([1.0, 1.0, 0.0]), share=0.15)
    mean, sd = jump.prior(np.array([[20.0, -40.0], [0.0, 20.0], [20.0, 50.0]]))
    np.testing.assert_allclose(mean, [[-20.0, 40.0], [0.0, -20.0], [0.0, 0.0]])
    np.testing.assert_allclose(sd, [[5.0, np.sqrt(52.0)], [4.0, 5.0], [6.0, 6.0]])


#: Standard deviations 3 and 4 at the scale 1: hypot of the own spread and of each magnitude.
SPREAD = Pattern(
    "p",
    "step",
    np.array([[2.0, 1.0], [4.0, 0.0]]),
    np.array([2.0, 0.0]),
    np.zeros(2),
    (0.5, 2.0, 6.0),
)


def test_a_change_is_held_at_the_scale_that_its_effects_call_for():
    # Hand-solved, standard errors 1: 3^2 + 4^2 less the 2 that noise makes is 23, over 3^2 + 4^2; with errors
    # of 2, 6^2 / 4 + 8^2 / 4 - 2 over 3^2 / 4 + 4^2 / 4; each with room for half as much again.
    np.testing.assert_allclose(SPREAD.sd, [3.0, 4.0])
    for effect, error, square in (([3.0, 4.0], 1.0, 23.0 / 25.0), ([6.0, 8.0], 2.0, 23.0 / 6.25)):
        scale = 1.5 * np.sqrt(square)
        np.testing.assert_allclose(
            SPREAD.fitting(np.array(effect), np.full(2, error)), [3 * scale, 4 * scale]
        )
    # 30^2 + 40^2 would call for 15, and there is no scale beyond 6.
    np.testing.assert_allclose(SPREAD.fitting(np.array([30.0, 40.0]), np.ones(2)), [18.0, 24.0])


def test_an_effect_within_its_error_is_held_at_the_least_scale_and_a_mean_is_added():
    # Hand-solved: 0.5^2 + 0.5^2 - 2 is less than nothing. Of effects that equal the mean nothing is left, and
    # the mean's size comes on top.
    np.testing.assert_allclose(SPREAD.fitting(np.full(2, 0.5), np.ones(2)), [1.5, 2.0])
    moved = replace(SPREAD, mean=np.array([-10.0, 10.0]))
    np.testing.assert_allclose(moved.fitting(np.array([-10.0, 10.0]), np.ones(2)), [11.5, 12.0])
    np.testing.assert_allclose(moved.largest, [28.0, 34.0])


def test_a_cell_that_says_nothing_has_no_say_in_the_scale():
    # Hand-solved: only the first cell counts, but both are counted as noise: 6^2 - 2 over 3^2.
    scale = 1.5 * np.sqrt(34.0 / 9.0)
    np.testing.assert_allclose(
        SPREAD.fitting(np.array([6.0, 5.0]), np.array([1.0, 1e9])), [3.0 * scale, 4.0 * scale]
    )
