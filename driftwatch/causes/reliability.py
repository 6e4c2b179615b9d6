"""Probabilities as they hold, not as the model alone has them.

The model is surer than it should be of what nobody logged, since the world has more ways than its families;
and less sure than it might be of wear. So the log odds of the model are read off against those that held on
invented fleets whose truth is known (two simulators, four difficulties, seeds 61, 62, 71, 72, 81 and 82),
straight between the points below and level beyond them. docs/statistics.md has the table on other seeds.
"""

from __future__ import annotations

import numpy as np
from scipy.special import expit, logit

#: Log odds of the model, and those that held, for findings that an entry of the log is tied to, ...
LOGGED = (
    (-4.0, -1.5, 0.0, 0.66, 1.5, 2.75, 4.2, 6.0, 8.6, 12.0),
    (-4.0, -0.7, -0.5, 0.07, 0.75, 1.7, 2.2, 4.3, 4.9, 5.3),
)
#: ... for those that nobody logged, ...
UNLOGGED = (
    (-4.0, -2.1, -0.66, 0.0, 0.62, 1.5, 2.7, 4.2, 5.9, 8.6, 13.0, 20.0),
    (-4.0, -3.3, -3.1, -1.95, -1.8, -1.2, 0.1, 1.65, 1.7, 1.8, 2.95, 4.0),
)
#: ... for supply pressure of which it was found when it began to fall, ...
PRESSURE = (
    (-4.0, -2.5, -1.5, -0.8, -0.1, 0.6, 1.5, 2.7),
    (-3.5, -1.8, -0.8, -0.2, 0.8, 1.8, 3.0, 3.4),
)
#: ... or was not, ...
DRIFT = (
    (-4.0, -2.5, -1.84, -1.15, -0.65, -0.2, 0.3, 1.5, 2.7, 5.1, 8.0),
    (-3.6, -2.4, -1.4, -0.65, -0.2, 0.3, 0.9, 1.2, 2.2, 3.3, 3.5),
)
#: ... and for wear.
WEAR = ((-3.4, -1.8, -1.1, -0.4, 0.3, 1.0, 1.8, 2.8, 5.0), (-3.9, -2.3, -1.1, -0.7, 0.6, 1.5, 3.0, 4.2, 5.0))


def calibrated(probability: float, cause: str, logged: bool, begun: bool = True) -> float:
    """Probability of a finding as it holds. Monotone.

    `logged` where an entry of the log is tied to it, `begun` where it was found when it began.
    """
    of_cause = {"pressure": PRESSURE if begun else DRIFT, "wear": WEAR}
    model, held = of_cause.get(cause, LOGGED if logged else UNLOGGED)
    return float(expit(np.interp(logit(probability), model, held)))
