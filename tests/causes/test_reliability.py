"""What is left of a probability once it is said: by hand."""

from __future__ import annotations

import numpy as np
import pytest

from driftwatch.causes.reliability import LOGGED, PRESSURE, UNLOGGED, WEAR, calibrated

#: Cause, whether the log says it too, and how it is said.
WAYS = (
    ("power", True, LOGGED),
    ("power", False, UNLOGGED),
    ("pressure", False, PRESSURE),
    ("pressure", True, PRESSURE),
    ("wear", False, WEAR),
)


def odds(probability: float) -> float:
    return probability / (1.0 - probability)


@pytest.mark.parametrize(("cause", "logged", "scaling"), WAYS)
@pytest.mark.parametrize("alone", [0.35, 0.6, 0.8])
def test_log_odds_are_scaled_and_shifted(cause, logged, scaling, alone):
    # Hand-solved: odds o become o^kept e^shift; what nobody logged is never said surer than the model has it.
    said = odds(alone) ** scaling.kept * np.exp(scaling.shift)
    said = min(said, odds(alone)) if scaling is UNLOGGED else said
    assert odds(calibrated(alone, cause, logged)) == pytest.approx(said)


def test_what_nobody_logged_is_said_as_it_is_where_scaling_would_make_it_surer():
    # Hand-solved: 1/400 to the power of 0.6 and e^-1.2 is 1/121, more than 1/400.
    assert calibrated(1.0 / 401.0, "fluid", False) == pytest.approx(1.0 / 401.0)
    assert calibrated(0.8, "fluid", False) < 0.8 < calibrated(0.9, "fluid", True)


@pytest.mark.parametrize(("cause", "logged", "scaling"), WAYS)
def test_the_order_of_findings_stays_and_none_is_certain(cause, logged, scaling):
    said = [calibrated(p, cause, logged) for p in np.linspace(0.0, 1.0, 500)]
    assert (np.diff(said) >= 0.0).all()
    assert (said[0], said[-1]) == (0.0, scaling.most)
