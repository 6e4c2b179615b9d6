"""A cycle of fixed length in a series: found where it is plain, and then part of the model of the mean."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.stats import f as fisher

from driftwatch.changes.memory import Floats

#: Whole cycles that a series must hold before one is believed.
FEWEST_CYCLES = 4
LONGEST_CYCLE = 53
#: Share of the variance of differences that the cycle must explain, and the greatest p-value of the F test.
SHARE = 0.4
P_VALUE = 1e-4
#: Of several lengths, the shortest that explains nearly as much as the best: 12 rather than 24.
NEARLY = 0.9
#: Least correlation between the profiles of the first and the second half of the series.
LASTING = 0.7
#: A change must stand out against this share of the cycle's own variance, or nobody would see it.
HIDDEN = 0.1


def cycle_length(values: Floats) -> int:
    """Length of the cycle in evenly spaced values; 0 where there is none.

    Each length is judged by how much of the variance of neighbours' differences its mean profile explains,
    adjusted for the number of its values. Differences make level shifts and trends nearly harmless.
    """
    differences = np.diff(values)
    n = len(differences)
    differences = differences - differences.mean()
    # Single jumps must not drown the cycle.
    reach = 4 * 1.4826 * float(np.median(np.abs(differences)))
    if reach > 0:
        differences = np.clip(differences, -reach, reach)
    total = float(differences @ differences)
    if total <= 0:
        return 0
    shares = {}
    for length in range(3, min(n // FEWEST_CYCLES, LONGEST_CYCLE) + 1):
        place = np.arange(n) % length
        count = np.bincount(place, minlength=length)
        sums = np.bincount(place, weights=differences, minlength=length)
        explained = float(np.sum(sums**2 / count)) / total
        adjusted = 1 - (1 - explained) * n / (n - length)
        ratio = (explained / (length - 1)) / max((1 - explained) / (n - length), 1e-12)
        plain = adjusted > SHARE and fisher.sf(ratio, length - 1, n - length) < P_VALUE
        if plain and _lasts(differences, length):
            shares[length] = adjusted
    if not shares:
        return 0
    best = max(shares.values())
    return min(length for length, share in shares.items() if share >= NEARLY * best)


def _lasts(differences: Floats, length: int) -> bool:
    """Whether both halves of the series show the same profile."""
    half = len(differences) // 2
    place = np.arange(len(differences)) % length
    profiles = []
    for part in (slice(0, half), slice(half, None)):
        sums = np.bincount(place[part], weights=differences[part], minlength=length)
        profiles.append(sums / np.bincount(place[part], minlength=length))
    first, second = (p - p.mean() for p in profiles)
    size = float(np.sqrt((first @ first) * (second @ second)))
    return size > 0 and float(first @ second) > LASTING * size


def cycle_columns(place: NDArray[np.intp], x: Floats, length: int) -> Floats:
    """Columns (n, 2 (length - 1)) of a cycle whose size may grow or shrink in proportion to x.

    Parameters
    ----------
    place : array (n,)
        Number of each reading, counted from 0 with the missing ones.
    x : array (n,)
        Position, 0 to 1.
    length : int
        Length of the cycle.

    """
    phase = (place % length)[:, None] == np.arange(length - 1)[None, :]
    last = (place % length == length - 1)[:, None]
    columns = phase.astype(float) - last
    return np.hstack([columns, columns * (x[:, None] - 0.5)])


def cycle_variance(columns: Floats, values: Floats) -> float:
    """Variance of the cycle itself, from its columns and neighbours' differences."""
    differences, changes = np.diff(values), np.diff(columns, axis=0)
    design = np.column_stack([np.ones(len(differences)), changes])
    size = np.linalg.lstsq(design, differences, rcond=None)[0][1:]
    return float(np.var(columns @ size))
