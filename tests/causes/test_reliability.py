"""What is left of a probability once it is said: by hand."""

from __future__ import annotations

import numpy as np
import pytest

from driftwatch.causes.reliability import MOST_SAID, calibrated


@pytest.mark.parametrize(
    ("alone", "said"),
    [
        (0.2, 0.2),
        (0.5, 0.5),
        (0.8, 2.0 / 3.0),  # hand-solved: odds 4, their root 2
        (0.9, 0.75),  # odds 9, their root 3
        (0.99, np.sqrt(99.0) / (1.0 + np.sqrt(99.0))),
        (1.0, MOST_SAID),
    ],
)
def test_the_odds_of_what_is_likely_are_halved_on_the_log_scale(alone, said):
    assert calibrated(alone) == pytest.approx(said, abs=1e-9)


def test_the_order_of_findings_stays():
    said = [calibrated(p) for p in np.linspace(0.0, 1.0, 500)]
    assert (np.diff(said) >= 0.0).all()
