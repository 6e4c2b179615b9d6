"""Driving, weather and the days on which a unit was read out. Whole days, counted from the fleet's first."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from scipy.signal import lfilter

from tests.bench.otherworld.dials import Dial
from tests.bench.otherworld.world import Floats, Ints

#: First day of every fleet.
EPOCH = np.datetime64("2023-02-06", "D")
#: A reading is hardly ever repeated within so many days, a visit to the shop apart.
LEAST_GAP = 6


@dataclass(frozen=True)
class Driving:
    """A unit's days from `first` on: `km` (D,) driven, `odometer` (D,) at the end of the day."""

    first: int
    km: Floats
    odometer: Floats

    @property
    def days(self) -> int:
        """How many days are told."""
        return len(self.km)


def draw_driving(dial: Dial, rng: np.random.Generator) -> Driving:
    """Draw how much is driven: a level of its own, slow swings, a year's round, idle spells."""
    days = int(rng.integers(dial.days[0], dial.days[1] + 1))
    first = int(rng.integers(0, dial.days[1] - days + 1))
    level = float(np.clip(rng.lognormal(np.log(115.0), 0.5), 25.0, 380.0))
    swing = np.exp(wander(days, 90.0, rng) * 0.25)
    year = 1.0 + rng.uniform(0.0, 0.25) * np.sin(2 * np.pi * (np.arange(days) / 365.25 + rng.uniform()))
    km = level * swing * year * rng.gamma(4.0, 0.25, days)
    for start in rng.integers(0, days, rng.poisson(0.6)):
        km[start : start + int(rng.integers(10, 45))] *= 0.05
    odometer = float(rng.uniform(4_000, 140_000)) + np.cumsum(km)
    return Driving(first, km, odometer)


def wander(days: int, memory: float, rng: np.random.Generator, width: int | None = None) -> Floats:
    """Noise with memory and unit variance: (days,), or (days, width) of them side by side."""
    shape = (days,) if width is None else (days, width)
    white = rng.standard_normal(shape)
    keep = float(np.exp(-1.0 / memory))
    fresh = np.sqrt(1.0 - keep**2)
    white[0] /= fresh
    return np.asarray(lfilter([fresh], [1.0, -keep], white, axis=0))


def draw_readings(dial: Dial, days: int, visits: list[int], rng: np.random.Generator) -> Ints:
    """Draw the days of reading out: about even, with gaps, and more often than not right after a visit.

    Parameters
    ----------
    dial, days
        How many, over how many days.
    visits : list of int
        Days on which the unit was in a shop; the day counts as after the work.
    rng : Generator
        Source of every draw.

    Returns
    -------
    array of int
        Days, rising, without repeats; the first and the last week are always read.

    """
    count = int(rng.integers(dial.snapshots[0], dial.snapshots[1] + 1))
    gaps = rng.gamma(3.0, 1.0, count - 1) + rng.choice([0.0, 4.0], count - 1, p=[0.93, 0.07])
    at = np.concatenate([[0.0], np.cumsum(gaps) / gaps.sum()]) * (days - 1 - rng.integers(0, 7))
    chosen = [int(day) for day in at]
    kept = [chosen[0]] + [b for a, b in pairwise(chosen) if b - a >= LEAST_GAP]
    for visit in visits:
        if rng.random() < 0.6:
            kept.append(min(visit + int(rng.integers(0, 4)), days - 1))
        if rng.random() < 0.3:
            kept.append(max(visit - 1, 0))
    return np.unique(np.array(kept, dtype=np.int64))


def draw_warmth(readings: Ints, first: int, rng: np.random.Generator) -> Floats:
    """Fluid temperature at each reading, degC: the season, the day, and now and then a cold start."""
    season = 5.0 * np.sin(2 * np.pi * (first + readings - 105) / 365.25)
    cold = np.where(rng.random(len(readings)) < 0.05, rng.uniform(-30.0, -15.0, len(readings)), 0.0)
    return np.asarray(82.0 + season + cold + rng.normal(0.0, 6.0, len(readings)))
