"""The scorecard's own arithmetic, so that its figures can be believed."""

from __future__ import annotations

import math

import numpy as np
import pytest

from tests.bench.scoring import Card, brier_score, calibration_error, f1, reliability
from tests.reference.published import VALUES


def test_calibration_error_of_the_documented_example():
    want = VALUES["calibration"]
    said = [(p, bool(y)) for p, y in zip(want["p"], want["y"], strict=True)]
    # Hand-solved from the published bins: 3/9 x 0.2 + 2/9 x 0.025 + 4/9 x 0.15.
    by_hand = sum(
        n / 9 * abs(a - b) for n, a, b in zip((3, 2, 4), want["true"], want["predicted"], strict=True)
    )
    assert by_hand == pytest.approx(0.1388888888888889)
    assert calibration_error(said, bins=3) == pytest.approx(by_hand, abs=1e-12)


def test_calibration_error_of_honest_and_of_boastful_forecasts():
    # Hand-solved: 0.75 said four times with three hits is no error; always 1.0 with half right is 0.5.
    assert calibration_error([(0.75, True)] * 3 + [(0.75, False)]) == pytest.approx(0.0)
    assert calibration_error([(1.0, True), (1.0, False)]) == pytest.approx(0.5)
    assert math.isnan(calibration_error([]))


def test_brier_score_by_hand():
    # Hand-solved: (0.2^2 + 0.4^2 + 0.9^2) / 3, and 0 and 1 for forecasts that are always right or wrong.
    assert brier_score([(0.8, True), (0.4, False), (0.9, False)]) == pytest.approx(1.01 / 3)
    assert brier_score([(1.0, True)]) == 0.0
    assert brier_score([(1.0, False), (0.0, True)]) == 1.0
    assert math.isnan(brier_score([]))


def test_f1_by_hand():
    # Hand-solved: precision 6/8, recall 6/9, harmonic mean 12/17.
    card = Card()
    card.right["power"], card.wrong["power"], card.missed["power"] = 6, 2, 3
    assert f1(card, "power") == pytest.approx(12 / 17)
    assert np.isnan(f1(card, "load"))


def test_reliability_by_hand():
    # Hand-solved: an edge belongs to the class above it, and 1 to the last one.
    said = [(0.1, False), (0.4, True), (0.5, True), (0.5, False), (0.7, False), (1.0, True)]
    low, high, last = reliability(said, (0.1, 0.5, 0.9, 1.0))
    assert (low.findings, high.findings, last.findings) == (2, 3, 1)
    assert (low.said, low.held) == pytest.approx((0.25, 0.5))
    assert (high.said, high.held) == pytest.approx((1.7 / 3.0, 1.0 / 3.0))
    assert (last.said, last.held) == (1.0, 1.0)
    assert all(c.findings == 0 and math.isnan(c.held) for c in reliability([]))
