"""Slow drifts that were there from the first snapshot on: supply pressure against wear and ageing fluid.

A drift that began before the first snapshot is no change, only a slope. So the slopes of all cells
together are weighed: what the fleet's units usually show (each signal's common slope, and each pack's wear
in its volume and in the apply trims of its shifts), that and a supply pressure that falls, or that and
fluid that ages unusually fast.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from driftwatch.causes.signatures import SlopeFamilies
from driftwatch.changes.evidence import Effects, log_factors, stack

#: Prior odds, for a unit's whole history, of a pressure drift and of unusual ageing (experience, no source).
PRESSURE_ODDS = 0.08
AGEING_ODDS = 0.06


def pressure_from_start(slopes: Effects, families: SlopeFamilies, signal: NDArray[np.int64]) -> float:
    """Probability that the supply pressure has been drifting since the first snapshot."""
    patterns = [families.usual, *families.pressure, *families.ageing]
    factors = log_factors(slopes, stack(patterns), signal)[:, 0]
    relative = np.exp(np.clip(factors - factors[0], -700.0, 700.0))
    count = len(families.pressure)
    pressure = PRESSURE_ODDS * float(relative[1 : 1 + count].mean())
    ageing = AGEING_ODDS * float(relative[1 + count :].mean())
    return pressure / (1.0 + pressure + ageing)
