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
LOGGED = ((-4.0, -1.8, -0.3, 0.3, 1.0, 2.75, 4.0, 5.5, 8.0), (-4.0, -0.8, -0.1, 0.1, 1.2, 1.5, 1.8, 4.5, 6.0))
#: ... for those that nobody logged, ...
UNLOGGED = (
    (-4.0, -2.6, -1.1, -0.45, 0.3, 1.0, 1.75, 2.75, 3.9, 5.4, 8.4, 14.0),
    (-4.0, -3.0, -2.7, -1.9, -1.8, -1.15, -0.65, 0.2, 0.75, 1.6, 2.0, 2.65),
)
#: ... for supply pressure that began to fall at some time (seeds 51, 61, 62, 71, 81 and 91), ...
PRESSURE = (
    (-4.0, -2.5, -1.5, -0.4, 0.3, 1.0, 1.8, 4.0, 8.4),
    (-3.5, -1.8, -1.0, -0.7, 0.3, 0.9, 2.2, 2.6, 3.5),
)
#: ... and for wear.
WEAR = ((-3.4, -1.8, -1.1, -0.4, 0.3, 1.0, 1.8, 2.8, 5.0), (-3.9, -2.3, -1.1, -0.7, 0.6, 1.5, 3.0, 4.2, 5.0))


def calibrated(probability: float, cause: str, logged: bool) -> float:
    """Probability of a finding as it holds; `logged` where an entry of the log is tied to it. Monotone."""
    of_cause = {"pressure": PRESSURE, "wear": WEAR}
    model, held = of_cause.get(cause, LOGGED if logged else UNLOGGED)
    return float(expit(np.interp(logit(probability), model, held)))
