"""Probabilities as they hold, not as the model alone has them.

The model is surer than it should be of what nobody logged, since the world has more ways than its families;
and less sure than it might be of wear. So the log odds of the model are read off against those that held on
invented fleets whose truth is known (two simulators, four difficulties, seeds 25 to 28, 31, 32, 61, 62, 71
and 72), straight between the points below and level beyond them. docs/statistics.md has the table on other
seeds.
"""

from __future__ import annotations

import numpy as np
from scipy.special import expit, logit

#: Log odds of the model, and those that held, for findings that an entry of the log is tied to, ...
LOGGED = (
    (-4.0, -2.5, -0.8, 0.0, 0.6, 1.1, 1.9, 2.6, 3.6, 4.4, 5.6, 7.0, 8.2, 10.0),
    (-2.2, -1.0, -0.8, -0.5, 0.1, 0.5, 1.2, 1.55, 2.2, 2.75, 3.1, 3.5, 4.3, 4.6),
)
#: ... for those that nobody logged, ...
UNLOGGED = (
    (-4.0, -3.3, -2.1, -1.5, -0.5, 0.3, 1.0, 1.9, 2.7, 4.3, 6.0, 8.4, 12.5, 16.0, 20.0),
    (-4.3, -3.3, -3.2, -2.7, -2.6, -2.3, -1.7, -0.5, 0.35, 1.3, 2.1, 2.4, 2.6, 3.2, 3.5),
)
#: ... for supply pressure of which it was found when it began to fall, ...
PRESSURE = (
    (-4.3, -2.0, -0.5, 0.4, 1.2, 2.4, 4.0, 5.5),
    (-2.2, -0.3, 0.2, 0.9, 1.9, 2.7, 3.1, 4.0),
)
#: ... or was not, ...
DRIFT = (
    (-4.6, -3.3, -2.9, -2.4, -2.0, -1.6, -1.0, -0.5, 0.3, 1.7, 3.2, 5.0, 7.0),
    (-4.4, -3.3, -2.6, -2.2, -1.5, -1.0, -0.5, 0.0, 0.6, 1.5, 2.5, 3.15, 3.6),
)
#: ... and for wear.
WEAR = (
    (-3.7, -2.4, -1.3, -0.6, 0.1, 0.9, 1.8, 2.8, 5.0),
    (-3.8, -2.9, -1.6, -0.9, 0.2, 1.45, 2.9, 4.3, 5.0),
)


def calibrated(probability: float, cause: str, logged: bool, begun: bool = True) -> float:
    """Probability of a finding as it holds. Monotone.

    `logged` where an entry of the log is tied to it, `begun` where it was found when it began.
    """
    of_cause = {"pressure": PRESSURE if begun else DRIFT, "wear": WEAR}
    model, held = of_cause.get(cause, LOGGED if logged else UNLOGGED)
    return float(expit(np.interp(logit(probability), model, held)))
