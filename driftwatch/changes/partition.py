"""Exact least-squares partitions of a series into pieces, by dynamic programming.

The pieces are constant; costs are sums of squared residuals. Optimal partitioning: Jackson et al. (2005),
IEEE Signal Processing Letters 12:105-108. Fixed number of pieces: Bai and Perron (2003), Journal of Applied
Econometrics 18:1-22.
"""

from __future__ import annotations

import numpy as np

from driftwatch.changes.memory import Floats


def level_costs(values: Floats) -> Floats:
    """Cost of each piece values[i:j] as one constant: array (n + 1, n + 1), infinite unless i < j."""
    n = len(values)
    centred = values - values.mean()
    total = np.concatenate([[0.0], np.cumsum(centred)])
    square = np.concatenate([[0.0], np.cumsum(centred**2)])
    size = np.arange(n + 1)[None, :] - np.arange(n + 1)[:, None]
    sums = total[None, :] - total[:, None]
    costs = square[None, :] - square[:, None] - sums**2 / np.maximum(size, 1)
    return np.where(size > 0, np.maximum(costs, 0.0), np.inf)


def optimal_partition(values: Floats, penalty: float, min_size: int = 1) -> list[int]:
    """Starts of the pieces after the first that minimise sum of squares + penalty x number of changes.

    Parameters
    ----------
    values : array (n,)
        Values in order.
    penalty : float
        Price of a change, in squared units of the values.
    min_size : int
        Least number of values in a piece.

    """
    n = len(values)
    centred = values - values.mean()
    total = np.concatenate([[0.0], np.cumsum(centred)])
    square = np.concatenate([[0.0], np.cumsum(centred**2)])
    best = np.full(n + 1, np.inf)
    best[0] = -penalty
    origin = np.zeros(n + 1, dtype=int)
    for end in range(min_size, n + 1):
        starts = slice(0, end - min_size + 1)
        size = end - np.arange(starts.stop)
        costs = square[end] - square[starts] - (total[end] - total[starts]) ** 2 / size
        options = best[starts] + costs + penalty
        origin[end] = int(np.argmin(options))
        best[end] = options[origin[end]]
    found: list[int] = []
    end = n
    while origin[end] > 0:
        end = int(origin[end])
        found.append(end)
    return found[::-1]


def best_partitions(values: Floats, most: int, min_size: int = 1) -> list[tuple[list[int], float]]:
    """For 0, 1, ..., `most` changes: the starts with the least sum of squares, and that sum.

    Shorter where the series has no room for so many pieces of `min_size`.
    """
    costs = level_costs(values)
    n = len(values)
    size = np.arange(n + 1)[None, :] - np.arange(n + 1)[:, None]
    costs[size < min_size] = np.inf
    best = costs[0]
    origins: list[np.ndarray] = []
    out: list[tuple[list[int], float]] = [([], float(best[n]))] if n >= min_size else []
    for _ in range(most):
        options = best[:, None] + costs
        origins.append(np.argmin(options, axis=0))
        best = np.min(options, axis=0)
        if not np.isfinite(best[n]):
            break
        starts: list[int] = []
        end = n
        for origin in reversed(origins):
            end = int(origin[end])
            starts.append(end)
        out.append((starts[::-1], float(best[n])))
    return out
