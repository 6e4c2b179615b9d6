"""The log Bayes factors against dense multivariate normal densities, and what they must not depend on."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.special import logsumexp
from scipy.stats import multivariate_normal, norm

from driftwatch.changes.evidence import (
    NOISIER,
    Effects,
    Jump,
    Pattern,
    Sharing,
    jump_correction,
    log_factors,
    noisier_factor,
    sharing,
    stack,
)
from driftwatch.panel.panel import Cell


def effects_of(
    estimate: np.ndarray, own_var: np.ndarray, shared_sd: np.ndarray, of_mode: np.ndarray | None = None
) -> Effects:
    """Effects that come with nothing beside them; all their shared noise is the signal's, if not said."""
    of_mode = np.zeros((len(estimate), 1)) if of_mode is None else of_mode
    return Effects(estimate, own_var, shared_sd, of_mode, np.zeros(len(estimate)))


def one_signal(cells: int) -> Sharing:
    return Sharing(np.zeros(cells, dtype=np.int64), np.zeros(cells, dtype=np.int64), np.eye(1))


def random_case(seed: int, cells: int = 11, candidates: int = 4):
    rng = np.random.default_rng(seed)
    signal = rng.integers(0, 3, cells)
    signal[:3] = [0, 1, 2]
    # Two modes of each signal; a group is numbered by both.
    group = np.unique(2 * signal + rng.integers(0, 2, cells), return_inverse=True)[1]
    effects = effects_of(
        estimate=rng.normal(0.0, 2.0, (candidates, cells)),
        own_var=rng.uniform(0.1, 2.0, (candidates, cells)),
        shared_sd=rng.uniform(0.0, 0.8, (candidates, cells)),
        of_mode=rng.uniform(0.0, 1.0, (candidates, group.max() + 1)),
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
    return (
        effects,
        patterns,
        Sharing(signal, group, np.array([[1.0, 0.6, -0.4], [0.6, 1.0, 0.1], [-0.4, 0.1, 1.0]])),
    )


def weighed(effects: Effects, patterns: list[Pattern], sharing: Sharing) -> np.ndarray:
    """Log factors of patterns with different numbers of scales."""
    return np.concatenate([log_factors(effects, [stack([p])], sharing) for p in patterns])


def shared_noise(effects: Effects, sharing: Sharing, j: int) -> np.ndarray:
    """Second implementation, cell by cell: of each its part with other signals, and that with the mode."""
    cells = len(sharing.signal)
    noise = np.zeros((cells, cells))
    for a in range(cells):
        for b in range(cells):
            both = effects.shared_sd[j, a] * effects.shared_sd[j, b]
            own_a, own_b = (effects.of_mode[j, sharing.group[c]] for c in (a, b))
            correlation = sharing.across[sharing.signal[a], sharing.signal[b]]
            noise[a, b] += correlation * both * np.sqrt(1.0 - own_a) * np.sqrt(1.0 - own_b)
            if sharing.group[a] == sharing.group[b]:
                noise[a, b] += both * own_a
    return noise


def dense_log_factor(effects: Effects, pattern: Pattern, sharing: Sharing, j: int) -> float:
    """Second implementation: full covariance matrices and scipy's densities."""
    shared = shared_noise(effects, sharing, j)
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


def test_the_covariance_of_shared_noise_is_that_of_every_two_cells():
    effects, _, together = random_case(2)
    for j, (sd, of_mode) in enumerate(zip(effects.shared_sd, effects.of_mode, strict=True)):
        np.testing.assert_allclose(together.covariance(sd, of_mode), shared_noise(effects, together, j))


@pytest.mark.parametrize("seed", range(4))
def test_jumps_are_weighed_against_noise_that_cells_share(seed):
    # Second implementation: dense covariances, less what cells would say one by one.
    effects, _, together = random_case(seed, cells=9)
    rng = np.random.default_rng(seed + 50)
    expected, spread = rng.normal(0.0, 0.5, (4, 9)), rng.uniform(0.2, 1.0, (4, 9))
    said = jump_correction(effects, expected, spread, together)
    for j, y in enumerate(effects.estimate):
        noise = np.diag(effects.own_var[j]) + shared_noise(effects, together, j)
        jumps = np.diag(spread[j] ** 2)
        whole = multivariate_normal(expected[j], noise + jumps).logpdf(y)
        whole -= multivariate_normal(np.zeros(9), noise).logpdf(y)
        alone = norm(expected[j], np.sqrt(np.diag(noise + jumps))).logpdf(y)
        alone = alone - norm(0.0, np.sqrt(np.diag(noise))).logpdf(y)
        # No cell could say much: none of the jumps would be three standard deviations.
        assert np.all(np.hypot(expected[j], spread[j]) < 3.0 * np.sqrt(np.diag(noise)))
        assert said[j] == pytest.approx(whole - alone.sum())


def jumped(cells: int, many: int) -> float:
    """Correction where so many of the cells jumped ten standard deviations; jumps are usually so large."""
    z = np.where(np.arange(cells) < many, 10.0, 0.0)[None]
    none = np.zeros((1, cells))
    return float(jump_correction(effects_of(z, none + 1.0, none), none, none + 10.0, one_signal(cells))[0])


def test_a_few_cells_that_jump_where_the_others_stand_still_are_odd_readings():
    # Hand-solved: each says 0.5 (100 - 100 / 101 - ln 101) = 47.20 by itself, of which 15 are kept.
    assert jumped(20, 1) == pytest.approx(-(47.1974 - 15.0), abs=1e-3)
    assert jumped(20, 3) == pytest.approx(-3 * (47.1974 - 15.0), abs=1e-3)


def test_where_more_cells_jump_values_were_cleared():
    assert jumped(20, 4) == pytest.approx(0.0, abs=1e-9)
    # Of eight, three are more than a quarter.
    assert jumped(8, 3) == pytest.approx(0.0, abs=1e-9)
    assert jumped(1, 1) == pytest.approx(0.0, abs=1e-9)


def test_a_cell_that_says_nothing_is_no_jump_and_corrects_nothing():
    z, none = np.full((1, 6), 4.0), np.zeros((1, 6))
    own = np.array([[1.0, 1.0, 1.0, 1.0, np.inf, np.inf]])
    shared = np.where(np.isfinite(own), 0.7, 0.0)
    said = jump_correction(effects_of(z, own, shared), none, none + 3.0, one_signal(6))
    four = effects_of(z[:, :4], own[:, :4], shared[:, :4])
    fewer = jump_correction(four, none[:, :4], none[:, :4] + 3.0, one_signal(4))
    np.testing.assert_allclose(said, fewer, rtol=1e-9)


def test_signals_and_modes_are_numbered_in_the_order_of_their_names():
    kinds = [(s, m) for m in ("tow", "normal") for s in ("torque_cut", "apply_trim") for _ in range(2)]
    across = {("apply_trim", "torque_cut"): 0.3, ("torque_cut", "apply_trim"): 0.3}
    across[("apply_trim", "shift_time")] = across[("shift_time", "apply_trim")] = 0.7
    together = sharing([Cell(signal, "1-2", mode, "kPa") for signal, mode in kinds], across)
    np.testing.assert_array_equal(together.across, [[1.0, 0.3], [0.3, 1.0]])
    assert [sorted(set(kinds)).index(k) for k in kinds] == list(together.group)
    assert [sorted({s for s, _ in kinds}).index(s) for s, _ in kinds] == list(together.signal)
    assert together.member.sum(axis=1).tolist() == [1.0] * len(kinds)
    for g, (signal, _) in enumerate(sorted(set(kinds))):
        assert together.of_signal[g].tolist() == [float(s == signal) for s in ("apply_trim", "torque_cut")]
        assert {kinds[c][0] for c in together.cells[g]} == {signal}


@pytest.mark.parametrize("seed", range(8))
def test_log_factors_equal_dense_densities(seed):
    effects, patterns, sharing = random_case(seed)
    dense = [
        [dense_log_factor(effects, p, sharing, j) for j in range(len(effects.estimate))] for p in patterns
    ]
    np.testing.assert_allclose(weighed(effects, patterns, sharing), dense, rtol=1e-8, atol=1e-8)


@pytest.mark.parametrize("seed", range(4))
def test_noisier_readings_without_a_change_are_weighed_by_dense_densities_too(seed):
    effects, _, sharing = random_case(seed)
    for j, ours in enumerate(noisier_factor(effects, sharing)):
        y = effects.estimate[j]
        shared = shared_noise(effects, sharing, j)

        def density(own, common, j=j, y=y, shared=shared):
            covariance = own * np.diag(effects.own_var[j]) + common * shared
            return multivariate_normal(np.zeros(len(y)), covariance).logpdf(y)

        louder = logsumexp([np.log(chance) + density(*factors) for factors, chance in NOISIER.items()])
        assert ours == pytest.approx(louder - density(1.0, 1.0), abs=1e-8)


def test_scatter_without_a_common_direction_speaks_for_noise():
    effects, _, sharing = random_case(1, cells=40)
    loud = replace(effects, estimate=5.0 * effects.estimate, shared_sd=0.0 * effects.shared_sd)
    assert (noisier_factor(loud, sharing) > 10.0).all()


def test_the_chances_of_noisier_readings_add_to_one():
    assert sum(NOISIER.values()) == pytest.approx(1.0)


def test_a_cell_that_says_nothing_changes_nothing():
    effects, patterns, sharing = random_case(3)
    own = effects.own_var.copy()
    own[:, 5] = np.inf
    mute = replace(effects, estimate=np.where(np.isinf(own), 0.0, effects.estimate), own_var=own)
    without = effects_of(
        *(np.delete(part, 5, axis=1) for part in (mute.estimate, mute.own_var, mute.shared_sd)),
        effects.of_mode,
    )
    fewer_cells = replace(sharing, signal=np.delete(sharing.signal, 5), group=np.delete(sharing.group, 5))
    fewer = [
        Pattern(
            p.name, p.kind, np.delete(p.basis, 5, axis=0), np.delete(p.spread, 5), np.delete(p.mean, 5),
            p.scales,
        )
        for p in patterns
    ]  # fmt: skip
    np.testing.assert_allclose(
        weighed(mute, patterns, sharing), weighed(without, fewer, fewer_cells), atol=1e-8
    )
    np.testing.assert_allclose(noisier_factor(mute, sharing), noisier_factor(without, fewer_cells), atol=1e-8)


def test_no_effect_speaks_against_a_change_and_a_fitting_one_for_it():
    effects, patterns, sharing = random_case(5)
    nothing = replace(effects, estimate=np.zeros_like(effects.estimate))
    pattern = patterns[0]
    fitting = replace(effects, estimate=np.broadcast_to(8.0 * pattern.basis[:, 0], effects.estimate.shape))
    assert (weighed(nothing, [pattern], sharing) < 0.0).all()
    assert (weighed(fitting, [pattern], sharing) > 5.0).all()


def test_signs_do_not_matter_where_the_pattern_has_no_mean():
    effects, patterns, sharing = random_case(6)
    turned = replace(effects, estimate=-effects.estimate)
    np.testing.assert_allclose(
        weighed(effects, patterns[:1], sharing), weighed(turned, patterns[:1], sharing), atol=1e-10
    )


def test_units_cancel():
    # Hand-solved: scaling every quantity by k shifts both log densities by the same number.
    effects, patterns, sharing = random_case(7)
    k = 6.894757293168361
    scaled = effects_of(k * effects.estimate, k**2 * effects.own_var, k * effects.shared_sd, effects.of_mode)
    larger = [Pattern(p.name, p.kind, k * p.basis, k * p.spread, k * p.mean, p.scales) for p in patterns]
    np.testing.assert_allclose(
        weighed(effects, patterns, sharing), weighed(scaled, larger, sharing), atol=1e-9
    )


def test_patterns_in_one_array_are_weighed_as_each_alone():
    effects, _, sharing = random_case(9)
    rng, none = np.random.default_rng(9), np.zeros(11)
    patterns = [
        Pattern(str(k), "step", rng.normal(size=(11, k + 1)), rng.uniform(0.1, 1.0, 11), none)
        for k in range(4)
    ]
    together = log_factors(effects, [stack(patterns)], sharing)
    np.testing.assert_allclose(together, weighed(effects, patterns, sharing), atol=1e-10)


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
            log_factors(e, [stack([p])], one_signal(len(p.spread)))[0, 0]
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
        [stack([two])],
        one_signal(2),
    )
    single = log_factors(
        effects_of(np.full((1, 1), y), np.full((1, 1), own), shared[:, :1]),
        [stack([one])],
        one_signal(1),
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
