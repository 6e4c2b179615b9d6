"""Which snapshots' odometers cannot be right: the fewest that must be wrong, and what may have happened."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from driftwatch.intake.rules import (
    A_DAY_KM,
    FASTEST_KM_A_DAY,
    ODOMETER_BACKWARDS,
    ODOMETER_TOO_FAST,
    UNITS_SWAPPED,
)
from driftwatch.quantities import conversion

#: In a unit with more snapshots to choose among, only running backwards is looked for.
MOST_CHOSEN_AMONG = 5000
#: Two vehicles can only have been swapped where they were read within this many days of one another.
SWAPPED_WITHIN_DAYS = 1.0
#: This many times as far a day as the unit usually goes is not what a right reading looks like.
UNUSUAL = 3.0
#: An odometer that starts anew shows less than this share of what it showed.
ANEW = 0.2

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]


@dataclass(frozen=True)
class _Line:
    """The snapshots of one unit in order of time: those of the file (fresh) and those that are stored."""

    unit: str
    days: Floats
    odometer: Floats
    fresh: Bools
    snap: NDArray[np.int64]
    keep: Bools

    def neighbours(self, day: float, leaving_out: int) -> tuple[int, int]:
        """Give the last kept snapshot before a day and the first one after it; -1 where there is none."""
        there = self.keep.copy()
        if leaving_out >= 0:
            there[leaving_out] = False
        before = np.flatnonzero(there & (self.days <= day))
        after = np.flatnonzero(there & (self.days > day))
        return (int(before[-1]) if len(before) else -1), (int(after[0]) if len(after) else -1)

    def usual(self, leaving_out: int = -1) -> float:
        """Give the usual distance a day, NaN where nothing is known of it."""
        there = self.keep.copy()
        if leaving_out >= 0:
            there[leaving_out] = False
        days, km = np.diff(self.days[there]), np.diff(self.odometer[there])
        rates = km[days > 0] / days[days > 0]
        return float(np.median(rates)) if len(rates) else float("nan")

    def would_fit(self, day: float, km: float, leaving_out: int = -1) -> bool:
        """Say whether an odometer is where the unit's other snapshots, and its usual way, would have it."""
        before, after = self.neighbours(day, leaving_out)
        if before < 0 and after < 0:
            return False
        if before >= 0 and after >= 0:
            return bool(self.odometer[before] <= km <= self.odometer[after])
        near = before if before >= 0 else after
        usual = self.usual(leaving_out)
        gone, days = abs(km - self.odometer[near]), abs(day - self.days[near])
        right_way = km >= self.odometer[near] if before >= 0 else km <= self.odometer[near]
        return bool(right_way and np.isfinite(usual) and gone <= UNUSUAL * usual * max(days, 1.0))


def misfits(line: pd.DataFrame) -> dict[int, tuple[str, str]]:
    """Find the fresh snapshots that cannot be right beside the others.

    Parameters
    ----------
    line : DataFrame
        Snapshots of any units, sorted by `unit` and `at_time`: `odometer_km`, `fresh` (from the file, as
        against stored), `snap` (number of a fresh one).

    Returns
    -------
    dict
        `snap` -> code, and reason in words.

    Notes
    -----
    Between two snapshots an odometer cannot fall, nor rise faster than any vehicle goes. Stored snapshots
    stand: a fresh one that contradicts one of them is wrong. Of the rest, the longest series without
    contradiction is kept; where two are equally long, the one that keeps the earlier snapshots. Only units
    with a contradiction are looked at.

    """
    suspected = _suspected(line)
    if not suspected:
        return {}
    lines = [
        _judged(one) for unit, one in line.groupby("unit", sort=False, observed=True) if unit in suspected
    ]
    found: dict[int, tuple[str, str]] = {}
    for one in lines:
        for i in np.flatnonzero(one.fresh & ~one.keep):
            found[int(one.snap[i])] = _reason(one, int(i))
    if found:
        found |= _swapped(line, lines)
    return found


def _suspected(line: pd.DataFrame) -> set[str]:
    """Give the units in which neighbouring snapshots contradict each other."""
    same = line["unit"].eq(line["unit"].shift())
    km = line["odometer_km"].diff()
    days = line["at_time"].diff().dt.total_seconds() / 86400.0
    odd = same & ((km < 0) | (km > A_DAY_KM + FASTEST_KM_A_DAY * days))
    return set(line.loc[odd, "unit"])


def _judged(one: pd.DataFrame) -> _Line:
    days = (one["at_time"] - pd.Timestamp(0)).to_numpy() / np.timedelta64(1, "D")
    odometer = one["odometer_km"].to_numpy(dtype=float)
    fresh = one["fresh"].to_numpy(dtype=bool)
    keep = ~fresh
    chosen = np.flatnonzero(fresh & _beside_stored(days, odometer, keep))
    keep[chosen[_longest(days[chosen], odometer[chosen])]] = True
    return _Line(str(one["unit"].iloc[0]), days, odometer, fresh, one["snap"].to_numpy(dtype=np.int64), keep)


def _beside_stored(days: Floats, odometer: Floats, stored: Bools) -> Bools:
    """Say which snapshots the stored ones before and after them allow."""
    lowest = np.maximum.accumulate(np.where(stored, odometer, -np.inf))
    highest = np.minimum.accumulate(np.where(stored, odometer, np.inf)[::-1])[::-1]
    # The farthest that a vehicle can have got from the last stored one before, and to the next one after.
    place = np.arange(len(days))
    before = np.maximum.accumulate(np.where(stored, place, -1))
    after = np.minimum.accumulate(np.where(stored, place, len(days))[::-1])[::-1]
    gone = np.where(before >= 0, days - days[np.maximum(before, 0)], np.inf)
    to_go = np.where(after < len(days), days[np.minimum(after, len(days) - 1)] - days, np.inf)
    reached = np.where(before >= 0, odometer[np.maximum(before, 0)], 0.0) + A_DAY_KM + FASTEST_KM_A_DAY * gone
    needed = (
        np.where(after < len(days), odometer[np.minimum(after, len(days) - 1)], 0.0)
        - A_DAY_KM
        - FASTEST_KM_A_DAY * to_go
    )
    return (odometer >= lowest) & (odometer <= highest) & (odometer <= reached) & (odometer >= needed)


def _longest(days: Floats, odometer: Floats) -> list[int]:
    """Give the positions of the longest series in which no pair of neighbours contradicts each other."""
    n = len(days)
    if n > MOST_CHOSEN_AMONG:
        return longest_rise(odometer)
    length = np.ones(n, dtype=np.int64)
    for i in range(n - 2, -1, -1):
        after = _agree(days, odometer, i)
        if after.any():
            length[i] = 1 + length[i + 1 :][after].max()
    kept: list[int] = []
    wanted, at = int(length.max(initial=0)), -1
    while wanted:
        candidates = np.arange(at + 1, n) if at < 0 else at + 1 + np.flatnonzero(_agree(days, odometer, at))
        at = int(candidates[length[candidates] == wanted][0])
        kept.append(at)
        wanted -= 1
    return kept


def _agree(days: Floats, odometer: Floats, i: int) -> Bools:
    """Say which later snapshots can follow the i-th."""
    km = odometer[i + 1 :] - odometer[i]
    agree: Bools = (km >= 0) & (km <= A_DAY_KM + FASTEST_KM_A_DAY * (days[i + 1 :] - days[i]))
    return agree


def longest_rise(values: Sequence[float] | NDArray[np.float64]) -> list[int]:
    """Give the positions of the longest series that never falls; the earliest one of several.

    Patience sorting, O(n log n).

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


def _reason(one: _Line, i: int) -> tuple[str, str]:
    """Name the nearest snapshot that contradicts this one, and what may have happened."""
    places = np.flatnonzero(one.keep)
    km = one.odometer[places] - one.odometer[i]
    falls = np.where(places < i, km > 0, km < 0)
    if falls.any():
        nearest = _nearest(places[falls], i)
        told = (
            f"odometer {one.odometer[i]:.0f} km runs backwards: "
            f"{'already' if nearest < i else 'only'} {one.odometer[nearest]:.0f} km on {_when(one, nearest)}"
        )
        return ODOMETER_BACKWARDS, told + _hint(one, i)
    days = np.abs(one.days[places] - one.days[i])
    far = np.abs(km) > A_DAY_KM + FASTEST_KM_A_DAY * days
    nearest = _nearest(places[far] if far.any() else places, i)
    told = (
        f"odometer {one.odometer[i]:.0f} km cannot be reached: "
        f"{one.odometer[nearest]:.0f} km on {_when(one, nearest)}"
    )
    return ODOMETER_TOO_FAST, told + _hint(one, i)


def _nearest(places: NDArray[np.intp], i: int) -> int:
    return int(places[np.argmin(np.abs(places - i))])


def _when(one: _Line, i: int) -> str:
    moment = pd.Timestamp(0) + pd.Timedelta(days=one.days[i])
    origin = "in the file" if one.fresh[i] else "in the store"
    return f"{moment.round('s').isoformat(sep=' ', timespec='minutes')} ({origin})"


def _hint(one: _Line, i: int) -> str:
    """Say what would make the reading fit; "" if nothing is known that would."""
    mile = conversion("mi", "km").factor
    if one.would_fit(one.days[i], one.odometer[i] * mile, i):
        return "; as miles it would fit"
    if one.would_fit(one.days[i], one.odometer[i] / mile, i):
        return "; as km, not miles, it would fit"
    before, _ = one.neighbours(one.days[i], i)
    rest = one.odometer[i:]
    if before < 0 or not (one.fresh[i:] & ~one.keep[i:]).all() or (np.diff(rest) < 0).any():
        return ""
    anew = rest[-1] < one.odometer[before] and rest[0] < ANEW * one.odometer[before]
    return "; if the odometer was replaced, say so with `driftwatch unit odometer`" if anew else ""


def _swapped(line: pd.DataFrame, lines: Sequence[_Line]) -> dict[int, tuple[str, str]]:
    """Find pairs of units read at the same time whose odometers fit each other's series and not their own."""
    fresh = line[line["fresh"]]
    units, numbers = fresh["unit"].astype(str).to_numpy(), fresh["snap"].to_numpy(dtype=np.int64)
    odometers = fresh["odometer_km"].to_numpy(dtype=float)
    every = {str(unit): one for unit, one in line.groupby("unit", sort=False, observed=True)}
    judged = {one.unit: one for one in lines}
    found: dict[int, tuple[str, str]] = {}
    for one in lines:
        for i in np.flatnonzero(one.fresh & ~one.keep):
            moment = pd.Timestamp(0) + pd.Timedelta(days=one.days[i])
            apart = (fresh["at_time"] - moment).abs().dt.total_seconds().to_numpy() / 86400.0
            near = np.flatnonzero((apart <= SWAPPED_WITHIN_DAYS) & (units != one.unit))
            for at in near:
                if not one.would_fit(one.days[i], odometers[at], int(i)):
                    continue
                unit, snap = str(units[at]), int(numbers[at])
                rival = judged.get(unit) or _judged(every[unit])
                k = int(np.flatnonzero(rival.snap == snap)[0])
                own = rival.would_fit(rival.days[k], rival.odometer[k], k) and _is_usual(rival, k)
                if own or not rival.would_fit(one.days[i], one.odometer[i], k):
                    continue
                for number, fits, km in (
                    (int(one.snap[i]), unit, one.odometer[i]),
                    (snap, one.unit, rival.odometer[k]),
                ):
                    told = f"odometer {km:.0f} km fits unit “{fits}”, and that one's fits here: swapped?"
                    found[number] = (UNITS_SWAPPED, told)
    return found


def _is_usual(one: _Line, k: int) -> bool:
    """Say whether the way to this snapshot is no longer than usual."""
    before, _ = one.neighbours(one.days[k] - 1e-9, k)
    if before < 0:
        return True
    usual, days = one.usual(k), max(one.days[k] - one.days[before], 1.0)
    return not (one.odometer[k] - one.odometer[before]) > UNUSUAL * usual * days
