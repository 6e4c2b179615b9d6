"""Which snapshots make an odometer run backwards: the fewest that must be wrong, not all that follow."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence

import numpy as np
import pandas as pd


def backwards(line: pd.DataFrame) -> dict[int, str]:
    """Find the fresh snapshots that cannot be right beside the others.

    Parameters
    ----------
    line : DataFrame
        Snapshots of any units, sorted by `unit` and `at_time`: `odometer_km`, `fresh` (from the file, as
        against stored), `snap` (number of a fresh one).

    Returns
    -------
    dict
        `snap` -> reason in words.

    Notes
    -----
    Stored snapshots stand. A fresh one that contradicts one of them is wrong. Of the rest, the longest
    series that never falls is kept (patience sorting, O(n log n)); where two are equally long, the one that
    keeps the earlier snapshots.

    """
    found: dict[int, str] = {}
    for _, one in line.groupby("unit", sort=False, observed=True):
        odometer = one["odometer_km"].to_numpy(dtype=float)
        fresh = one["fresh"].to_numpy(dtype=bool)
        stands = ~fresh
        before = np.maximum.accumulate(np.where(stands, odometer, -np.inf))
        after = np.minimum.accumulate(np.where(stands, odometer, np.inf)[::-1])[::-1]
        possible = np.flatnonzero(fresh & (odometer >= before) & (odometer <= after))
        keep = set(possible[longest_rise(odometer[possible])].tolist()) | set(np.flatnonzero(stands).tolist())
        for i in np.flatnonzero(fresh):
            if int(i) not in keep:
                found[int(one["snap"].iloc[i])] = _reason(one, int(i), keep)
    return found


def longest_rise(values: Sequence[float] | np.ndarray) -> list[int]:
    """Give the positions of the longest series that never falls; the earliest one of several.

    Examples
    --------
    >>> longest_rise([100.0, 9000.0, 200.0, 300.0])
    [0, 2, 3]
    >>> longest_rise([100.0, 50.0])
    [0]

    """
    # Length of the longest such series that starts at each position, found from the end.
    tails: list[float] = []
    length = [0] * len(values)
    for i in range(len(values) - 1, -1, -1):
        place = bisect_right(tails, -float(values[i]))
        if place == len(tails):
            tails.append(-float(values[i]))
        else:
            tails[place] = -float(values[i])
        length[i] = place + 1
    kept: list[int] = []
    wanted, last = max(length, default=0), -np.inf
    for i, value in enumerate(values):
        if length[i] == wanted and value >= last:
            kept.append(i)
            wanted, last = wanted - 1, float(value)
    return kept


def _reason(one: pd.DataFrame, i: int, keep: set[int]) -> str:
    """Name the nearest snapshot that contradicts this one."""
    odometer = one["odometer_km"].to_numpy(dtype=float)
    rivals = [
        k for k in keep if (k < i and odometer[k] > odometer[i]) or (k > i and odometer[k] < odometer[i])
    ]
    nearest = min(rivals, key=lambda k: abs(k - i))
    when = pd.Timestamp(one["at_time"].iloc[nearest]).isoformat(sep=" ", timespec="minutes")
    origin = "in the file" if bool(one["fresh"].iloc[nearest]) else "in the store"
    return (
        f"odometer {odometer[i]:.0f} km runs backwards: "
        f"{'already' if nearest < i else 'only'} {odometer[nearest]:.0f} km on {when} ({origin})"
    )
