"""Driving, and the days on which a unit was read out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from tests.bench.dailyworld.acts import Act
from tests.bench.dailyworld.dials import Dial
from tests.bench.dailyworld.draws import factor
from tests.bench.dailyworld.layout import BURN_IN, Floats, Ints
from tests.bench.dailyworld.shared import Shared


@dataclass(frozen=True)
class Driving:
    """A unit's days.

    Attributes
    ----------
    first : Timestamp
        The first day driven; the readings begin `BURN_IN` days later.
    km, driven : array (days,)
        Distance of each day, and all of it by the end of the day.
    usual_km : float
        Usual distance a day.
    season : array (days,)
        Where in the year each day lies, as an angle.
    odometer : float
        What it showed on the first day.

    """

    first: pd.Timestamp
    km: Floats
    driven: Floats
    usual_km: float
    season: Floats
    odometer: float

    @property
    def days(self) -> int:
        """How many days are told."""
        return len(self.km)

    def day(self, day: int) -> pd.Timestamp:
        """Give the date of a day."""
        return self.first + pd.Timedelta(days=int(day))

    def before(self, day: int) -> float:
        """Give the distance driven by the morning of a day."""
        return float(self.driven[day - 1]) if day > 0 else 0.0


def draw_driving(shared: Shared, rng: np.random.Generator) -> Driving:
    """Draw how much is driven: a season, days off, and standing still."""
    days = BURN_IN + int(rng.uniform(730, 1096))
    first = shared.duty.start + pd.Timedelta(days=int(rng.integers(0, 120)) - BURN_IN)
    usual = float(np.clip(shared.duty.km_a_day * factor(rng, 0.5), 25, 380))
    day = np.arange(days)
    of_year = np.asarray(((first.day_of_year + day) % 365.25) / 365.25, dtype=np.float64)
    km = usual * (1 + rng.uniform(0.0, 0.25) * np.sin(2 * np.pi * (of_year + rng.random())))
    work = int(5 + rng.integers(0, 3))
    km = km * 7 / work * rng.gamma(4.0, 0.25, days) * (((first.day_of_week + day) % 7) < work)
    for _ in range(rng.poisson(0.5)):
        start, still = int(rng.uniform(BURN_IN, days)), int(rng.uniform(14, 90))
        km[start : start + still] *= 0.0 if rng.random() < 0.7 else 0.2
    km = np.asarray(np.round(km, 1), dtype=np.float64)
    odometer = float(np.round(min(usual * 365 * rng.uniform(0.1, 4.0), 260_000)))
    return Driving(first, km, np.cumsum(km), usual, 2 * np.pi * of_year, odometer)


def draw_readings(dial: Dial, days: int, acts: Sequence[Act], rng: np.random.Generator) -> Ints:
    """Draw the days of reading out, rising: about even, and often near a visit to the shop."""
    count = int(rng.integers(dial.snapshots[0], dial.snapshots[1] + 1))
    gaps = rng.gamma(dial.even, 1.0, count - 1)
    at = np.round(BURN_IN + np.r_[0, np.cumsum(gaps)] / gaps.sum() * (days - 1 - BURN_IN))
    read = [int(day) for day in at]
    for visit in sorted({a.day for a in acts if a.span_km == 0.0}):
        after, before = visit + int(rng.integers(0, 9)), visit - int(rng.integers(1, 7))
        for target, share in ((after, 0.4), (before, 0.2)):
            if rng.random() < share and BURN_IN < target < days - 1 and len(read) > 3:
                nearest = 1 + int(np.argmin(np.abs(np.array(read[1:-1]) - target)))
                read[nearest] = target
    chosen = set(read)
    while len(chosen) < count:
        chosen.add(int(rng.integers(BURN_IN, days)))
    return np.array(sorted(chosen), dtype=np.int64)
