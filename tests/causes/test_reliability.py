"""What is left of a probability once it is said: by hand."""

from __future__ import annotations

import numpy as np
import pytest

from driftwatch.causes.reliability import LOGGED, PRESSURE, UNEXPLAINED, UNLOGGED, WEAR, calibrated

#: Cause, whether the log says it too, and the table by which it is said.
WAYS = (
    ("power", True, LOGGED),
    ("power", False, UNLOGGED),
    ("pressure", False, PRESSURE),
    ("pressure", True, PRESSURE),
    ("wear", False, WEAR),
    ("unexplained", False, UNEXPLAINED),
)


def chance(log_odds: float) -> float:
    return float(1.0 / (1.0 + np.exp(-log_odds)))


@pytest.mark.parametrize(("cause", "logged", "table"), WAYS)
def test_a_probability_is_read_off_its_table_straight_between_the_points(cause, logged, table):
    # Hand-solved: at a point, the other column; a quarter of the way to the next, a quarter of the way there.
    model, held = table
    assert calibrated(chance(model[1]), cause, logged) == pytest.approx(chance(held[1]))
    between = chance(0.75 * model[2] + 0.25 * model[3])
    said = chance(0.75 * held[2] + 0.25 * held[3])
    assert calibrated(between, cause, logged) == pytest.approx(said)


@pytest.mark.parametrize(("cause", "logged", "table"), WAYS)
def test_the_order_of_findings_stays_and_nothing_is_certain(cause, logged, table):
    # Level beyond the table: what the model has with 0 or 1 is said as the first or the last point.
    model, held = table
    assert (np.diff(model) > 0.0).all()
    said = [calibrated(p, cause, logged) for p in np.linspace(0.0, 1.0, 500)]
    assert (np.diff(said) >= 0.0).all()
    assert said[0] == pytest.approx(chance(held[0]))
    assert said[-1] == pytest.approx(chance(held[-1]))


def test_what_nobody_logged_is_said_with_less_than_what_the_log_says_too():
    for p in (0.3, 0.6, 0.9, 0.99):
        assert calibrated(p, "fluid", False) < calibrated(p, "fluid", True)


def test_that_nothing_fits_is_not_said_surer_than_that_a_cause_does():
    for p in np.linspace(0.01, 1.0, 100):
        assert calibrated(p, "unexplained", False) <= calibrated(p, "fluid", False)
