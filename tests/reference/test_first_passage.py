"""The distance to the limit under uneven wear is inverse Gaussian: its draws against the closed form."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import binom, invgauss, kstest

from driftwatch.panel.noise import KM
from driftwatch.service.crossing import crossing, inverse_gaussian
from driftwatch.service.growth import Growth
from tests.reference.published import VALUES

WANT = VALUES["first_passage"]  # second implementation, see the file
MEAN = WANT["level"] / WANT["drift"]
SHAPE = WANT["level"] ** 2 / WANT["volatility"] ** 2
DRAWS = 20_000


def sure_growth(rate: float, uneven: float, hastening: float = 0.0, now: float = 0.0) -> Growth:
    """Growth known exactly, but for the unevenness of wear ahead."""
    one, nil = np.ones(1), np.zeros(1)
    return Growth(
        weight=one, now=now * one, now_var=nil, rate=rate * one, rate_var=nil, now_rate_cov=nil,
        start=nil, gain=nil, gain_var=nil, hastening=hastening * one, uneven=uneven,
    )  # fmt: skip


@pytest.fixture
def no_change_ahead(monkeypatch):
    monkeypatch.setattr("driftwatch.service.crossing.RATE_AHEAD", 0.0)


def draws() -> np.ndarray:
    rng = np.random.default_rng(12)
    z = rng.standard_normal(DRAWS)
    return inverse_gaussian(np.full(DRAWS, MEAN), np.full(DRAWS, SHAPE), rng, z)


@pytest.mark.parametrize(("at", "cdf"), list(zip(WANT["at"], WANT["cdf"], strict=True)))
def test_share_of_draws_is_the_closed_form_cdf(at, cdf):
    least, most = binom.ppf([0.0005, 0.9995], DRAWS, cdf)
    assert least <= int((draws() <= at).sum()) <= most


def test_draws_follow_scipys_inverse_gaussian():
    # Second implementation; fixed seed, so the p-value is one number and 0.001 a fixed bar.
    assert kstest(draws(), invgauss(mu=MEAN / SHAPE, scale=SHAPE).cdf).pvalue > 0.001


def test_crossing_with_sure_growth_is_that_first_passage(no_change_ahead):
    # Level 10 cm3, 0.5 cm3 and variance 1.2^2 per 10 000 km.
    crossed = crossing(sure_growth(WANT["drift"], WANT["volatility"] ** 2), WANT["level"])
    for at, cdf in zip(WANT["at"], WANT["cdf"], strict=True):
        least, most = binom.ppf([0.0005, 0.9995], len(crossed.km), cdf)
        assert least <= round(crossed.chance(at * KM) * len(crossed.km)) <= most


def test_even_wear_reaches_the_limit_where_the_line_does(no_change_ahead):
    # Hand-solved: 10 cm3 at 0.5 cm3 per 10 000 km are 200 000 km; hastening by 0.2 per 10 000 km,
    # log(1 + 0.2 x 20) / 0.2 = 8.047 times 10 000 km.
    steady = crossing(sure_growth(0.5, 0.0), 10.0)
    hasty = crossing(sure_growth(0.5, 0.0, hastening=0.2), 10.0)
    assert steady.quantiles()["p50"] == pytest.approx(200_000.0, rel=1e-3)
    assert hasty.quantiles()["p50"] == pytest.approx(np.log(5.0) / 0.2 * KM, rel=1e-3)


def test_a_pack_that_does_not_grow_has_no_date(no_change_ahead):
    crossed = crossing(sure_growth(-0.1, 0.01), 10.0)
    assert crossed.quantiles() == {"p10": None, "p50": None, "p90": None}
    assert crossed.chance(1e6) == 0.0


def test_a_pack_beyond_its_limit_has_no_distance_left(no_change_ahead):
    crossed = crossing(sure_growth(0.5, 0.01, now=10.1), 10.0)
    assert crossed.quantiles() == {"p10": 0.0, "p50": 0.0, "p90": 0.0}


def test_the_same_records_give_the_same_answer():
    growth = sure_growth(0.5, 0.4)
    np.testing.assert_array_equal(crossing(growth, 10.0).km, crossing(growth, 10.0).km)
