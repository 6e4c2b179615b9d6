"""One signature from many events: cases by hand, weak events together, and SciPy beside it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import multivariate_normal

from driftwatch.causes.signature_fit import (
    CELLS_DIFFER,
    LEAST_SPREAD,
    SIZES_DIFFER,
    Entries,
    Signature,
    _log_factors,
    believed,
    fit_signature,
)
from driftwatch.panel.panel import Floats

WAY = np.array([2.0, 2.0, 1.0]) / np.sqrt(3.0)
#: Each group may point anywhere, independently.
FREE = np.eye(3)


def events(change: Floats, variance: float, general: float = 0.0, otherwise: float = 0.0) -> Entries:
    """Changes (E, G) with independent noise; what the general families say of each is the same."""
    count, groups = change.shape
    return Entries(
        change=change,
        count=np.full(change.shape, 10.0),
        noise=np.broadcast_to(variance * np.eye(groups), (count, groups, groups)).copy(),
        general=np.full(count, general),
        otherwise=np.full(count, otherwise),
    )


def without_group(entries: Entries, event: int, group: int) -> Entries:
    """The same, one group of an event not read."""
    change, told, noise = entries.change.copy(), entries.count.copy(), entries.noise.copy()
    change[event, group] = told[event, group] = 0.0
    noise[event, group, :] = noise[event, :, group] = 0.0
    noise[event, group, group] = 1.0
    return replace(entries, change=change, count=told, noise=noise)


def test_exact_multiples_of_one_direction_give_it_back():
    # Hand-solved: direction (2, 2, 1) / sqrt(3), whose mean square is one; magnitudes 2, 4, 6.
    found, evidence = fit_signature(events(np.outer([2.0, 4.0, 6.0], WAY), 1e-8), FREE, 0.6)
    np.testing.assert_allclose(found.direction, WAY, rtol=1e-6)
    np.testing.assert_allclose(found.error, 0.0, atol=1e-4)
    assert found.magnitude == pytest.approx(4.0, rel=1e-6)
    # Their variance is 8/3; thirty percent of the mean are added.
    assert found.spread == pytest.approx(np.sqrt(8.0 / 3.0 + (SIZES_DIFFER * 4.0) ** 2), rel=1e-6)
    assert (evidence > 100.0).all()


def test_a_group_that_an_event_does_not_show_is_left_out_and_an_event_not_believed_too():
    change = np.vstack([np.outer([2.0, 4.0, 6.0], WAY), [[-9.0, 3.0, 40.0]]])
    entries = without_group(events(change, 1e-8), 1, 2)
    entries = replace(entries, otherwise=np.array([0.0, 0.0, 0.0, 1e12]))
    found, _ = fit_signature(entries, FREE, 0.6)
    np.testing.assert_allclose(found.direction, WAY, rtol=1e-6)
    assert found.magnitude == pytest.approx(4.0, rel=1e-6)


def test_the_direction_may_be_turned_round_with_the_magnitudes():
    # Reversal: the same events the other way give the same direction, up to a sign, and the same evidence.
    rng = np.random.default_rng(1)
    entries = events(np.outer(rng.normal(2.0, 0.5, 8), WAY) + rng.normal(0.0, 0.5, (8, 3)), 0.25)
    there, back = (fit_signature(e, FREE, 0.6) for e in (entries, replace(entries, change=-entries.change)))
    np.testing.assert_allclose(
        there[0].magnitude * there[0].direction, -back[0].magnitude * back[0].direction, rtol=1e-9
    )
    np.testing.assert_allclose(there[1], back[1], rtol=1e-9, atol=1e-9)


def test_order_of_the_events_does_not_matter():
    rng = np.random.default_rng(2)
    entries = events(np.outer(rng.normal(2.0, 0.5, 8), WAY) + rng.normal(0.0, 0.5, (8, 3)), 0.25)
    order = rng.permutation(8)
    mixed = replace(
        entries,
        **{n: getattr(entries, n)[order] for n in ("change", "count", "noise", "general", "otherwise")},
    )
    one, other = fit_signature(entries, FREE, 0.6), fit_signature(mixed, FREE, 0.6)
    np.testing.assert_allclose(one[0].direction, other[0].direction, rtol=1e-9)
    np.testing.assert_allclose(one[1][order], other[1], rtol=1e-9, atol=1e-9)


def test_events_too_small_to_be_believed_alone_are_believed_together():
    # Of twelve events each moves three groups by about one standard error, which says nothing of one alone.
    # The general families, made for larger work, speak against each; what the others show speaks for it.
    rng = np.random.default_rng(3)
    size = rng.normal(1.3, 0.2, 12)
    entries = events(np.outer(size, WAY) + rng.normal(0.0, 1.0, (12, 3)), 1.0, general=-1.5)
    alone = believed(entries.general - entries.otherwise, 0.6)
    found, evidence = fit_signature(entries, FREE, 0.6)
    together = believed(evidence, 0.6)
    assert alone.mean() < 0.3
    assert together.mean() > 0.6
    assert float(found.direction @ WAY) / 3.0 > 0.9
    # The truth lies within three standard errors of what was found.
    assert (np.abs(found.magnitude * (found.direction - WAY)) < 3.0 * found.magnitude * found.error).all()


def test_events_without_effect_are_not_talked_into_one():
    # Twelve events of noise alone, many times: on average they are believed no more than they were before.
    rng = np.random.default_rng(4)
    means = []
    for _ in range(40):
        entries = events(rng.normal(0.0, 1.0, (12, 3)), 1.0, general=-1.5)
        means.append(believed(fit_signature(entries, FREE, 0.6)[1], 0.6).mean())
    assert np.mean(means) < 0.6


def test_what_the_general_family_expects_guides_few_events():
    # Three noisy events: where the family says that the third group hardly moves, it is found to move less.
    rng = np.random.default_rng(5)
    entries = events(np.outer([1.5, 1.5, 1.5], [1.0, 1.0, 0.0]) + rng.normal(0.0, 0.7, (3, 3)), 0.5)
    entries.change[:, 2] += 1.0
    told = np.diag([1.0, 1.0, 0.05])
    free, guided = (fit_signature(entries, expected, 0.6)[0].direction for expected in (FREE, told))
    assert abs(guided[2]) < 0.5 * abs(free[2])


def test_the_factor_of_an_event_is_that_of_two_normal_densities():
    # Second implementation: SciPy's density, the groups that were not read left out.
    rng = np.random.default_rng(6)
    root = rng.normal(0.0, 0.5, (5, 3, 3))
    entries = replace(
        events(rng.normal(0.0, 2.0, (5, 3)), 1.0), noise=root @ np.swapaxes(root, 1, 2) + 0.3 * np.eye(3)
    )
    entries = without_group(entries, 2, 1)
    learned = Signature(WAY, np.array([0.1, 0.2, 0.3]), 1.7, 0.6)
    size = np.hypot(1.7, 0.6)
    for e, factor in enumerate(_log_factors(entries, learned)):
        here = np.flatnonzero(entries.told[e])
        noise, way = entries.noise[e][np.ix_(here, here)], WAY[here]
        own = (size * learned.error[here]) ** 2 + (CELLS_DIFFER * size * way) ** 2 / 10.0 + LEAST_SPREAD**2
        acted = multivariate_normal(1.7 * way, noise + 0.36 * np.outer(way, way) + np.diag(own))
        nothing = multivariate_normal(np.zeros(len(here)), noise)
        change = entries.change[e, here]
        assert factor == pytest.approx(acted.logpdf(change) - nothing.logpdf(change), rel=1e-9)
