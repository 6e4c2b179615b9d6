"""Two causes in one visit: how much of the step is whose.

Under a pair, a cell's effect is the sum of two normal parts with the covariances of the two families. Given
the estimates, each part's share is its posterior mean (as in kriging with two components).
"""

from __future__ import annotations

import numpy as np

from driftwatch.causes.signatures import SECOND_SHARE, SMALL_SHARE, Family
from driftwatch.changes.evidence import Effects, Sharing
from driftwatch.panel.panel import Floats


def split_effect(
    effects: Effects, index: int, families: tuple[Family, ...], pair: Family, sharing: Sharing
) -> dict[str, tuple[Floats, Floats]]:
    """Posterior mean (C,) and covariance (C, C) of the effect of each of a pair's two causes.

    Cells that say nothing have mean and covariance from the prior and the other cells.
    """
    own = np.minimum(effects.own_var[index], 1e12)
    noise = np.diag(own) + sharing.covariance(effects.shared_sd[index], effects.of_mode[index])
    # The general family of a cause comes before one that was learned, and pairs are made of the general ones.
    alone = [f for f in families if f.pattern.kind == "step" and len(f.causes) == 1]
    single = {f.causes[0]: f.pattern for f in reversed(alone)}
    whole_parts = [_covariance(single[cause].basis, single[cause].spread) for cause in pair.causes]
    estimate = effects.estimate[index]

    def density(share: float, scale: float) -> float:
        both = whole_parts[0] + share**2 * whole_parts[1]
        return _log_density(estimate, noise + scale**2 * both)

    likely = [(s, scale) for s in (SECOND_SHARE, SMALL_SHARE) for scale in pair.pattern.scales]
    share, scale = max(likely, key=lambda pair_of: density(*pair_of))
    parts = [scale**2 * whole_parts[0], (scale * share) ** 2 * whole_parts[1]]
    whole = np.linalg.inv(noise + parts[0] + parts[1])
    split = {}
    for cause, part in zip(pair.causes, parts, strict=True):
        gain = part @ whole
        split[cause] = (gain @ estimate, part - gain @ part)
    return split


def _covariance(basis: Floats, spread: Floats) -> Floats:
    return np.asarray(basis @ basis.T + np.diag(spread**2))


def _log_density(estimate: Floats, covariance: Floats) -> float:
    factor = np.linalg.cholesky(covariance)
    left = np.linalg.solve(factor, estimate)
    return float(-0.5 * (left @ left) - np.log(np.diagonal(factor)).sum())
