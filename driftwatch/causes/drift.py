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


#: Log odds that supply pressure has been drifting since before the first snapshot, and of a drift that began
#: later without being found: a constant, and what the model's log odds count. Fitted to invented fleets whose
#: truth is known, by maximum likelihood (four simulators, four difficulties, seeds 41
#: and 42; of three of them 43 too).
FROM_START = (1.98, 1.64)
LATER = (-0.90, 0.66)
#: Log odds are taken no further than from the one to the other, and nothing is said to be surer.
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

    It may have drifted since before the first snapshot, or begin later and be too weak to be found: the odds
    of the two add up.

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
    parts = np.clip([from_start - left_over, begun - left_over], LEAST_LOG_ODDS, MOST_LOG_ODDS)
    both = [start + weight * part for (start, weight), part in zip((FROM_START, LATER), parts, strict=True)]
    return float(expit(min(float(np.logaddexp(*both)), MOST_LOG_ODDS)))
