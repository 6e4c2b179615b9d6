"""The generalised least squares behind every effect, against certified regressions."""

from __future__ import annotations

from importlib import resources

import numpy as np
import pytest
import statsmodels.api as sm

from driftwatch.changes.design import Design, build_design
from driftwatch.changes.estimates import estimate_effects, hold
from tests.reference.plain_series import AS_THE_FLEET, fleet_with, series
from tests.reference.published import VALUES


def norris() -> tuple[np.ndarray, np.ndarray]:
    """NIST StRD Norris: y and x, from the file that scipy ships with its tests."""
    text = (resources.files("scipy.stats.tests") / "data/nist_linregress/Norris.dat").read_text()
    rows = np.array([line.split() for line in text.splitlines()[60:96]], dtype=float)
    return rows[:, 0], rows[:, 1]


def effect_of(design: Design, column: np.ndarray, beside: np.ndarray) -> tuple[float, float]:
    """Estimate and standard error of one column beside others, nothing known of any before."""
    nothing = np.zeros((1, beside.shape[1]))
    held = hold(design, beside[None], nothing, nothing)
    found = estimate_effects(design, design.weigh(column[None, None, :, None]), held)
    return float(found.estimate[0, 0]), float(np.sqrt(found.own_var[0, 0] + found.shared_sd[0, 0] ** 2))


def white_design(y: np.ndarray, sd: float, monkeypatch: pytest.MonkeyPatch) -> Design:
    """The series whitened by independent noise of a known sd, not rescaled by the series itself."""
    monkeypatch.setattr("driftwatch.changes.design.unit_scales", lambda panel, fleet, shifts: AS_THE_FLEET)
    return build_design(series(y), fleet_with(white_sd=sd))


def test_norris_line_has_the_certified_coefficients_and_errors(monkeypatch):
    want = VALUES["norris"]  # published
    y, x = norris()
    ones = np.ones_like(x)
    design = white_design(y, want["residual_sd"], monkeypatch)
    slope, slope_se = effect_of(design, x, ones[:, None])
    intercept, intercept_se = effect_of(design, ones, x[:, None])
    assert slope == pytest.approx(want["slope"], rel=1e-9)
    assert slope_se == pytest.approx(want["slope_sd"], rel=1e-9)
    assert intercept + design.centre[0] == pytest.approx(want["intercept"], rel=1e-9)
    assert intercept_se == pytest.approx(want["intercept_sd"], rel=1e-9)


def test_longley_is_solved_although_its_columns_nearly_repeat_each_other(monkeypatch):
    # Each predictor is centred and scaled first, as least squares through normal equations must be.
    data = sm.datasets.longley.load_pandas()
    y, raw = data.endog.to_numpy(float), data.exog.to_numpy(float)
    centre, size = raw.mean(axis=0), raw.std(axis=0)
    x = (raw - centre) / size
    want = VALUES["longley"]  # published
    design = white_design(y, want["residual_sd"], monkeypatch)
    ones = np.ones((len(y), 1))
    slopes = np.array(
        [
            effect_of(design, x[:, i], np.hstack([ones, np.delete(x, i, axis=1)]))[0] / size[i]
            for i in range(x.shape[1])
        ]
    )
    assert y.mean() - slopes @ centre == pytest.approx(want["intercept"], rel=1e-7)
    left = y - y.mean() - (raw - centre) @ slopes
    assert np.sqrt(left @ left / (len(y) - 7)) == pytest.approx(want["residual_sd"], rel=1e-7)


def test_a_column_that_the_others_explain_is_said_to_tell_nothing(monkeypatch):
    rng = np.random.default_rng(4)
    x = rng.normal(size=20)
    design = white_design(rng.normal(size=20), 1.0, monkeypatch)
    estimate, se = effect_of(design, 2.0 * x + 1.0, np.stack([np.ones(20), x], axis=1))
    assert estimate == 0.0
    assert np.isinf(se)
