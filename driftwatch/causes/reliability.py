"""Probabilities as they hold, not as the model alone has them.

The model is surer than it should be of what nobody logged, since the world has more ways than its families;
and less sure than it might be of wear. So the log odds of the model are read off against those that held on
invented fleets whose truth is known, straight between the points below and level beyond them. They were read
off forty units each of four simulators at four levels of difficulty (seeds 41 to 43, 1521 and 1522, by
`tests.bench.held`), smoothed by eye. docs/statistics.md has the table on other seeds.
"""

from __future__ import annotations

import numpy as np
from scipy.special import expit, logit

#: Log odds of the model, and those that held, for findings that an entry of the log is tied to, ...
LOGGED = (
    (-4.0, -3.4, -2.5, -1.1, -0.5, 0.1, 0.65, 1.15, 1.65, 2.2, 2.9, 3.6, 4.5, 6.0, 8.0, 11.3, 20.0),
    (-2.25, -0.9, -0.25, -0.1, 0.15, 0.5, 1.1, 1.6, 2.0, 2.45, 2.6, 3.2, 4.0, 4.2, 4.3, 4.6, 5.0),
)
#: ... for those that nobody logged, ...
UNLOGGED = (
    (-4.0, -2.1, -0.5, 0.35, 1.0, 1.8, 2.4, 3.3, 4.0, 4.8, 5.9, 7.25, 9.0, 11.3, 14.3, 22.0),
    (-4.3, -3.2, -2.5, -1.6, -1.15, -0.5, -0.1, 0.0, 0.15, 0.55, 1.3, 1.95, 2.7, 3.0, 3.4, 4.3),
)
#: ... for a change that no cause explains (never true in an invented fleet, where every cause has a name: so
#: this table was not fitted, it is kept below the one before), ...
UNEXPLAINED = (
    (-4.0, -2.1, 0.3, 1.9, 3.3, 4.8, 5.9, 7.5, 11.0, 14.0, 16.0, 20.0),
    (-4.3, -3.2, -2.4, -0.8, -0.1, 0.4, 1.1, 1.7, 2.0, 2.5, 3.4, 3.8),
)
#: ... for supply pressure of which the beginning was found (else see `driftwatch.causes.drift`), ...
PRESSURE = (
    (-4.3, -3.0, -2.0, -1.1, -0.2, 0.7, 1.6, 2.6, 3.8, 6.0, 16.0),
    (-2.5, -1.6, -0.5, 0.4, 0.95, 1.3, 1.65, 2.0, 2.6, 3.5, 4.0),
)
#: ... and for wear.
WEAR = (
    (-3.7, -2.4, -1.6, -1.0, -0.36, 0.28, 0.95, 1.7, 2.6, 3.9, 5.7),
    (-3.8, -2.9, -2.0, -1.0, -0.25, 0.65, 1.9, 2.5, 3.0, 3.9, 5.0),
)


def calibrated(probability: float, cause: str, logged: bool) -> float:
    """Probability of a finding as it holds. Monotone; `logged` where an entry of the log is tied to it."""
    of_cause = {"pressure": PRESSURE, "wear": WEAR, "unexplained": UNEXPLAINED}
    model, held = of_cause.get(cause, LOGGED if logged else UNLOGGED)
    return float(expit(np.interp(logit(probability), model, held)))
