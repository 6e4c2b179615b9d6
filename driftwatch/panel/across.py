"""How far signals move together: driver, duty and season move several of them at once.

What the cells of one signal share in a unit goes in part with what those of another share. Noise of single
cells does not, so the covariance of two signals' means over a unit's cells, of differences between its
snapshots, is that of what they share. Its correlation comes from the trimmed scales of sum and difference
(Gnanadesikan and Kettenring 1972), so that units with real changes do not make it.
"""

from __future__ import annotations

from collections.abc import Mapping
from itertools import combinations

import numpy as np

from driftwatch.panel.noise import MONTH, SignalNoise, in_season
from driftwatch.panel.panel import Floats
from driftwatch.panel.robust import trimmed_sd
from driftwatch.panel.variogram import FEW_UNITS, TRIM_MEANS

#: Differences over fewer months are used: over longer times, more of them hold a change.
LONGEST_MONTHS = 4.5
#: Fewest differences of two signals.
LEAST_BOTH = 50
#: A correlation counts as far as it exceeds so many standard errors; and as no larger than this.
BEYOND_SES = 2.0
LARGEST = 0.8
#: Where less than this share of what means show is common to the cells, they tell no correlation.
LEAST_COMMON = 0.1
#: Least variance that a sum of signals may keep, as a share of that without correlations.
LEAST_LEFT = 0.05


def across_signals(
    means: Mapping[str, Mapping[int, Floats]], noise: Mapping[str, SignalNoise]
) -> dict[tuple[str, str], float]:
    """Correlation of what the cells of one signal share with what those of another do.

    Parameters
    ----------
    means : dict of dict of arrays (4, N)
        Signal -> unit -> rows of months apart, mean of the cells' differences (NaN where they are few),
        number of cells, and another; see `Gaps`. The columns of a unit are those of the same pairs of
        snapshots in all its signals.
    noise : dict
        Signal -> its noise.

    Returns
    -------
    dict
        Two signals, either way round -> correlation; left out where none is told.

    """
    moved = {
        name: {unit: _moved(rows, noise[name]) for unit, rows in of.items()} for name, of in means.items()
    }
    names = sorted(moved)
    every = np.eye(len(names))
    for a, b in combinations(range(len(names)), 2):
        one, other = moved[names[a]], moved[names[b]]
        units = sorted(set(one) & set(other))
        pairs = [np.stack([one[unit], other[unit]], axis=1) for unit in units]
        every[a, b] = every[b, a] = _correlation(pairs)
    every = _possible(every)
    both = [(a, b) for a in range(len(names)) for b in range(len(names)) if a != b and every[a, b] != 0.0]
    return {(names[a], names[b]): float(every[a, b]) for a, b in both}


def _moved(rows: Floats, noise: SignalNoise) -> Floats:
    """Differences of means, in standard deviations of the common part; NaN where they tell nothing, (N,)."""
    months, mean, count = rows[:3]
    wandered = 1.0 - noise.memory**months
    season = noise.season_sd**2 * (1.0 - in_season(MONTH * months))
    common = noise.common_white_sd**2 + noise.common_wander_sd**2 * wandered + season
    own = noise.white_sd**2 + noise.learning_sd**2 + (noise.wander_sd**2 + noise.mode_wander_sd**2) * wandered
    told = (months < LONGEST_MONTHS) & (common > LEAST_COMMON * (common + own / np.maximum(count, 1.0)))
    return np.where(told, mean / np.sqrt(2.0 * np.where(told, common, 1.0)), np.nan)


def _correlation(units: list[Floats]) -> float:
    """Correlation of two signals' common parts, from each unit's differences (N, 2) in their deviations."""
    kept = [pairs[np.isfinite(pairs).all(axis=1)] for pairs in units]
    both = np.concatenate([np.zeros((0, 2)), *kept])
    if len(both) < LEAST_BOTH:
        return 0.0
    sizes = np.array([trimmed_sd(both[:, i], TRIM_MEANS) for i in (0, 1)])
    if not (sizes > 0.0).all():
        return 0.0
    one, other = (both / sizes).T
    together, apart = (trimmed_sd(moved, TRIM_MEANS) ** 2 for moved in (one + other, one - other))
    seen = (together - apart) / (together + apart)
    # A unit with N pairs of snapshots has about sqrt(2 N) snapshots; neighbouring pairs say much the same.
    snapshots = sum(np.sqrt(2.0 * len(pairs)) for pairs in kept)
    beyond = 1.0 - (BEYOND_SES * (1.0 - seen**2) / max(abs(seen), 1e-12)) ** 2 / snapshots
    told = sum(len(pairs) > 0 for pairs in kept)
    lean = FEW_UNITS / (FEW_UNITS + told)
    return float(np.clip((1.0 - lean) * max(beyond, 0.0) * seen * sizes.prod(), -LARGEST, LARGEST))


def _possible(every: Floats) -> Floats:
    """Give the nearest correlations (S, S) that can be: no sum of signals varies less than nil."""
    sizes, ways = np.linalg.eigh(every)
    if sizes.min(initial=1.0) > LEAST_LEFT:
        return every
    mended = (ways * np.maximum(sizes, LEAST_LEFT)) @ ways.T
    sd = np.sqrt(np.diag(mended))
    return np.asarray(mended / np.outer(sd, sd))
