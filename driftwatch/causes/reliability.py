"""Probabilities as they hold, not as the model alone has them.

The model is surer than it should be of what nobody logged, since the world has more ways than its families;
and less sure than it might be of wear. So the log odds of the model are read off against those that held on
invented fleets whose truth is known, straight between the points below and level beyond them. Fleets of four
simulators (seeds 41 to 43) said it of what was logged or not; of two (seeds 25 to 28, 31, 32, 61, 62, 71 and
72), of pressure and wear. docs/statistics.md has the table on other seeds.
"""

from __future__ import annotations

import numpy as np
from scipy.special import expit, logit

#: Log odds of the model, and those that held, for findings that an entry of the log is tied to, ...
LOGGED = (
    (-4.0, -2.4, -0.65, 0.1, 0.7, 1.25, 1.8, 2.4, 3.1, 4.0, 5.0, 6.5, 9.0),
    (-2.0, -0.7, 0.05, 0.5, 1.1, 1.6, 2.2, 2.7, 2.95, 3.5, 4.1, 4.45, 4.8),
)
#: ... for those that nobody logged, ...
UNLOGGED = (
    (-4.0, -2.1, -0.5, 0.3, 1.0, 1.8, 2.6, 3.4, 4.6, 6.2, 7.8, 9.9, 13.0, 20.0),
    (-4.3, -3.2, -2.6, -2.1, -1.3, -0.5, 0.05, 0.45, 0.9, 1.8, 2.7, 3.3, 3.8, 4.1),
)
#: ... for a change that no cause explains (never true in an invented fleet, where every cause has a name: so
#: this table was not fitted, it is kept below the one before), ...
UNEXPLAINED = (
    (-4.0, -2.1, 0.3, 1.9, 2.9, 4.2, 5.7, 7.5, 11.0, 13.5, 16.0, 20.0),
    (-4.3, -3.2, -2.4, -0.7, 0.0, 0.5, 1.3, 1.8, 2.0, 2.5, 3.4, 3.8),
)
#: ... for supply pressure of which the beginning was found (else see `driftwatch.causes.drift`), ...
PRESSURE = (
    (-4.3, -2.0, -0.5, 0.4, 1.2, 2.4, 4.0, 5.5),
    (-2.2, -0.3, 0.2, 0.9, 1.9, 2.7, 3.1, 4.0),
)
#: ... and for wear.
WEAR = (
    (-3.7, -2.4, -1.3, -0.6, 0.1, 0.9, 1.8, 2.8, 5.0),
    (-3.8, -2.9, -1.6, -0.9, 0.2, 1.45, 2.9, 4.3, 5.0),
)


def calibrated(probability: float, cause: str, logged: bool) -> float:
    """Probability of a finding as it holds. Monotone; `logged` where an entry of the log is tied to it."""
    of_cause = {"pressure": PRESSURE, "wear": WEAR, "unexplained": UNEXPLAINED}
    model, held = of_cause.get(cause, LOGGED if logged else UNLOGGED)
    return float(expit(np.interp(logit(probability), model, held)))
