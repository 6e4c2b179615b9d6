"""Probabilities as they hold, not as the model alone has them.

The model is surer than it should be, since the world has more ways than its families. On invented fleets
whose truth is known (two simulators, four difficulties, seeds 31 and 32), findings of one half and more held
about as often as their log odds halved would say, and the surest in about 98 of 100.
"""

from __future__ import annotations

import numpy as np

#: What is left of the log odds of a finding that is likelier than not, and the most that is ever said.
KEPT = 0.5
MOST_SAID = 0.98


def calibrated(probability: float) -> float:
    """Probability of a finding as it holds: monotone, unchanged up to one half.

    Platt's scaling of the log odds (Platt, Probabilistic outputs for support vector machines, 1999; cited
    from memory), through the even chance and with a ceiling.
    """
    if probability <= 0.5:
        return probability
    odds = np.log(probability) - np.log(max(1.0 - probability, 1e-12))
    return min(float(1.0 / (1.0 + np.exp(-KEPT * odds))), MOST_SAID)
