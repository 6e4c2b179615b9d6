"""Slow drifts without a beginning that was found: supply pressure against wear and ageing fluid.

A drift that began before the first snapshot is no change, only a slope. So the slopes of all cells
together are weighed: what the fleet's units usually show (each signal's common slope, and each pack's wear
in its volume and in the apply trims of its shifts), that and a supply pressure that falls, or that and
fluid that ages unusually fast.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.special import expit, logsumexp

from driftwatch.causes.signatures import Family, SlopeFamilies
from driftwatch.changes.evidence import Effects, Sharing, log_factors, stack
from driftwatch.panel.panel import Floats

#: Prior odds, for a unit's whole history, of a pressure drift and of unusual ageing (experience, no source).
PRESSURE_ODDS = 0.08
AGEING_ODDS = 0.06


#: Log odds that supply pressure has been drifting: a constant, and what counts for it of the log odds of a
#: drift from the first snapshot on, of one that begins later, and of a sudden change, neither of which was
#: found. Logistic regression on invented fleets whose truth is known (two simulators, four difficulties,
#: seeds 25, 26, 27, 28, 31, 32, 61, 62, 71, 72, 81 and 82).
CONSTANT = 3.23
FROM_START = 1.13
LATER = 0.6
SUDDEN = -0.2
#: Log odds are taken no further than from the one to the other.
LEAST_LOG_ODDS = -6.0
MOST_LOG_ODDS = 4.0


def pressure_from_start(slopes: Effects, families: SlopeFamilies, sharing: Sharing) -> float:
    """Log odds that the supply pressure has been drifting since the first snapshot."""
    patterns = [families.usual, *families.pressure, *families.ageing]
    factors = log_factors(slopes, [stack(patterns)], sharing)[:, 0]
    count = len(families.pressure)
    relative = factors[1:] - factors[0]
    pressure = np.log(PRESSURE_ODDS / count) + logsumexp(relative[:count])
    ageing = np.log(AGEING_ODDS / len(families.ageing)) + logsumexp(relative[count:])
    return float(pressure - np.logaddexp(0.0, ageing))


def pressure_drift(from_start: float, families: Sequence[Family], left: Floats) -> float:
    """Probability that the supply pressure has been drifting, where no change was found that says so.

    A drift that began some time after the first snapshot shows in the slopes, and as a beginning too weak to
    be found; so both are weighed together.

    Parameters
    ----------
    from_start : float
        Log odds of a drift since the first snapshot.
    families : sequence of Family
        The K families of changes that were searched for.
    left : array (K, T)
        Log odds of one more change of each family at each snapshot, beside all that were found.

    """
    slow = np.array([f.pattern.kind == "bend" for f in families], dtype=bool)
    pressure = np.array([f.causes == ("pressure",) for f in families], dtype=bool)
    begun, sudden = (np.logaddexp.reduce(left[rows], axis=None) for rows in (slow & pressure, ~slow))
    # Where something sudden and large is left that no change took up, the slopes say what that does.
    left_over = max(float(sudden) - MOST_LOG_ODDS, 0.0)
    parts = np.clip([from_start - left_over, begun - left_over, sudden], LEAST_LOG_ODDS, MOST_LOG_ODDS)
    return float(expit(CONSTANT + np.array([FROM_START, LATER, SUDDEN]) @ parts))
