"""When a line reaches its limit: our draws against Fieller's interval in worked examples.

How it is computed: the pack's readings are the example's y, its distance the example's x. The growth model
is given a nearly flat prior, independent noise of known size, no unevenness of wear and no uncertainty of
the rate ahead; then its `steady` shape is a plain line with known noise. Seen from x = 0, the distribution
of the crossing is that of (limit - level) / rate, and the chance that it lies under x is
Phi((line(x) - limit) / se(x)): its quantiles are Fieller's limits of the mean response, with the normal
quantile in place of Student's t. So the noise is set to the residual sd times t / z, at which both give the
same limits. The draws must then fall below each limit as often as the level says, within binomial bounds.
"""

from __future__ import annotations

from dataclasses import fields, replace

import numpy as np
import pytest
from scipy.stats import binom, norm, t

from driftwatch.panel.noise import KM
from driftwatch.service.crossing import crossing
from driftwatch.service.growth import Growth, RatePrior, fit_growth
from tests.reference.plain_series import fleet_with
from tests.reference.published import VALUES

FLAT = RatePrior(usual=0.0, usual_sd=1e5, wide_sd=1e6)


def least_squares(x: np.ndarray, y: np.ndarray) -> tuple[float, float, float]:
    """Intercept, slope and residual sd."""
    slope, intercept = np.polyfit(x, y, 1)
    left = y - intercept - slope * x
    return float(intercept), float(slope), float(np.sqrt(left @ left / (len(x) - 2)))


def fieller(x: np.ndarray, y: np.ndarray, limit: float, level: float, single: bool) -> tuple[float, ...]:
    """Estimate and limits of inverse prediction; hand-written from the closed form."""
    _, slope, sd = least_squares(x, y)
    quantile = t.ppf((1 + level) / 2, len(x) - 2)
    sxx = float(((x - x.mean()) ** 2).sum())
    g = quantile**2 * sd**2 / (slope**2 * sxx)
    away = (limit - y.mean()) / slope
    half = quantile * sd / slope * np.sqrt((float(single) + 1 / len(x)) * (1 - g) + away**2 / sxx)
    middle = x.mean() + away / (1 - g)
    return x.mean() + away, middle - half / (1 - g), middle + half / (1 - g)


def steady_line(x: np.ndarray, y: np.ndarray, noise_sd: float) -> Growth:
    """Our growth model's `steady` shape under the nearly flat prior, seen from x = 0."""
    order = np.argsort(x)
    days = np.arange(len(x)) * 30.0
    growth = fit_growth(y[order], x[order] * KM, days, [], FLAT, fleet_with(white_sd=noise_sd))
    parts = {f.name: getattr(growth, f.name) for f in fields(growth)}
    first = {name: part[:1] for name, part in parts.items() if isinstance(part, np.ndarray)}
    line = replace(growth, **first, uneven=0.0)
    run = x.max()
    return replace(
        line,
        weight=np.ones(1),
        now=line.now - run * line.rate,
        now_var=line.now_var - 2 * run * line.now_rate_cov + run**2 * line.rate_var,
        now_rate_cov=line.now_rate_cov - run * line.rate_var,
    )


@pytest.mark.parametrize("example", ["thermostat", "reaction_chamber", "crystal"])
def test_closed_form_gives_the_printed_limits(example):
    want = VALUES[example]
    x, y = np.array(want["x"], float), np.array(want["y"], float)
    single = "single" in want
    printed = want["single"] if single else want["mean"]  # published
    for ours, text in zip(fieller(x, y, want["y0"], want["level"], single), printed, strict=True):
        decimals = len(text.partition(".")[2])
        assert ours == pytest.approx(float(text), abs=0.5 * 10**-decimals + 1e-9)


@pytest.mark.parametrize("example", ["thermostat", "reaction_chamber", "crystal"])
def test_crossing_draws_have_fiellers_limits(example, monkeypatch):
    monkeypatch.setattr("driftwatch.service.growth.UNEVEN", 0.0)
    monkeypatch.setattr("driftwatch.service.crossing.RATE_AHEAD", 0.0)
    want = VALUES[example]
    x, y = np.array(want["x"], float), np.array(want["y"], float)
    away = x.min()  # distances start at the first reading
    level = want["level"]
    intercept, slope, sd = least_squares(x, y)
    inflated = sd * t.ppf((1 + level) / 2, len(x) - 2) / norm.ppf((1 + level) / 2)
    line = steady_line(x - away, y, inflated)
    # The posterior is least squares itself: hand-solved.
    assert line.rate[0] == pytest.approx(slope, rel=1e-3)
    assert line.now[0] == pytest.approx(intercept + slope * away, abs=1e-2 * sd)
    assert np.sqrt(line.rate_var[0]) == pytest.approx(
        inflated / np.sqrt(((x - x.mean()) ** 2).sum()), rel=1e-3
    )
    crossed = crossing(line, want["y0"])
    middle, low, high = fieller(x, y, want["y0"], level, single=False)
    count = len(crossed.km)
    for limit, below in ((low, (1 - level) / 2), (middle, 0.5), (high, (1 + level) / 2)):
        hits = round(crossed.chance((limit - away) * KM) * count)
        least, most = binom.ppf([0.0005, 0.9995], count, below)
        assert least <= hits <= most, (limit, hits, least, most)
