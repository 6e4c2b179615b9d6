"""How right a range was: scores and shares, with how far a share may be off by chance."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.stats import beta, t

Floats = NDArray[np.float64]

#: Chance that a stated range does not hold what comes: the ranges are those from 10 to 90 %.
MISS = 0.2


def interval_score(low: float, high: float, seen: float, miss: float = MISS) -> float:
    """Score a range against what was seen, in the unit of both; smaller is better.

    The width, plus 2 / miss times the distance by which what was seen lies outside (Gneiting and Raftery,
    Journal of the American Statistical Association 102, 2007, 359-378). A range that is too wide and one that
    misses too often both cost, so nothing is gained by either.

    Parameters
    ----------
    low, high, seen : float
        Ends of the range, and what was seen.
    miss : float
        Chance with which the range is meant to miss.

    """
    outside = max(low - seen, 0.0) + max(seen - high, 0.0)
    return (high - low) + 2.0 / miss * outside


def plausible_share(share: float, witnesses: int) -> tuple[float, float]:
    """Give the 90 % range of a share that rests on so many independent witnesses (Jeffreys' interval).

    Looks at one pack from one month end after another are no independent witnesses: they see the same wear
    and the same limit. So all looks at one pack count as one witness here, which is on the careful side.
    """
    held = share * witnesses
    low, high = beta.ppf([0.05, 0.95], held + 0.5, witnesses - held + 0.5)
    return float(low), float(high)


def straight_line(x: Floats, y: Floats, ahead: Floats, miss: float = MISS) -> tuple[Floats, Floats]:
    """Give the prediction interval of a new reading from a least-squares line through all readings so far.

    What one would do by hand, to hold the forecast against. Normal, independent errors.

    Parameters
    ----------
    x, y : array (N,)
        Odometers and readings, N at least 3.
    ahead : array (M,)
        Odometers to predict at.
    miss : float
        Chance with which the interval is meant to miss.

    Returns
    -------
    low, high : array (M,)
        NaN where all readings were taken at one odometer.

    """
    n, centre = len(x), float(x.mean())
    spread = float(((x - centre) ** 2).sum())
    if spread <= 0.0:
        return np.full(len(ahead), np.nan), np.full(len(ahead), np.nan)
    slope = float(((x - centre) * (y - y.mean())).sum()) / spread
    left = y - y.mean() - slope * (x - centre)
    sd = float(np.sqrt((left**2).sum() / (n - 2)))
    middle = y.mean() + slope * (ahead - centre)
    half = t.ppf(1.0 - miss / 2.0, n - 2) * sd * np.sqrt(1.0 + 1.0 / n + (ahead - centre) ** 2 / spread)
    return np.asarray(middle - half), np.asarray(middle + half)
