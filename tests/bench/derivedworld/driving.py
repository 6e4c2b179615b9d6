"""Kilometres and roads: how a unit is driven, in stints of some days with pauses between."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from tests.bench.derivedworld.arrangement import APPLIES, Floats

#: Chance to reach gear 2 to 6 from a stop on each road: city, country, motorway.
REACH = np.array([[1.0, 0.95, 0.75, 0.35, 0.10], [1.0, 1.0, 0.95, 0.85, 0.65], [1.0, 1.0, 1.0, 1.0, 0.95]])
#: Stops a km on each road, and hunting between the upper gears.
STOPS, HUNT = np.array([0.9, 0.16, 0.02]), np.array([0.03, 0.08, 0.025])
#: Shares of the roads, and of downshifts that skip a gear, in the duty to which packs are made.
REFERENCE_ROADS, REFERENCE_SKIP = np.array([0.3, 0.4, 0.3]), 0.35


def shifts_per_km(roads: Floats, skip: float) -> Floats:
    """Give the shifts a km, up and then down, on a mix of roads."""
    up = (STOPS[:, None] * REACH * roads[:, None]).sum(0)
    hunt = (HUNT * roads).sum() * np.array([0, 0, 0.15, 0.35, 0.5])
    return np.concatenate([up + hunt, up[::-1] * (1 - skip) + hunt[::-1]])


@dataclass(frozen=True)
class Duty:
    """How a unit is used: km a day, learned shifts a km (10,), and slips a km against the reference (5,)."""

    km_day: float
    per_km: Floats
    use: Floats


def draw_duty(eligible: float, rng: np.random.Generator) -> Duty:
    """Draw a unit's duty; `eligible` is the share of shifts that is learned."""
    km_day = float(np.clip(rng.lognormal(math.log(85), 0.55), 22, 320))
    roads = rng.dirichlet([2.0, 2.5, 2.5 * km_day / 85])
    shifts = shifts_per_km(roads, rng.uniform(0.2, 0.5))
    per_km = shifts * eligible * rng.lognormal(0, 0.35)
    usual = shifts_per_km(REFERENCE_ROADS, REFERENCE_SKIP)
    uses = np.bincount(APPLIES, shifts, 5) / np.bincount(APPLIES, usual, 5)
    return Duty(km_day, per_km, np.clip(uses, 0.1, 3.0) ** 0.7)


@dataclass(frozen=True)
class Stint:
    """Some days of the same driving: from day `start`, km a day, how much of it hitched and off the road."""

    start: float
    pace: float
    hitched: float
    ground: float


@dataclass(frozen=True)
class Calendar:
    """All stints of a unit, and the km driven at their edges."""

    stints: tuple[Stint, ...]
    edges: Floats
    km: Floats

    def km_at(self, day: float) -> float:
        """Give the km driven by a day."""
        return float(np.interp(day, self.edges, self.km))


def draw_calendar(span: float, km_day: float, rng: np.random.Generator) -> Calendar:
    """Draw stints over a span of days."""
    stints: list[Stint] = []
    start = mood = 0.0
    while start < span + 2:
        length = rng.uniform(3, 9.5)
        mood = 0.8 * mood + rng.normal(0, 0.2)
        pace = km_day * math.exp(mood - 0.06)
        if rng.random() < 0.035:
            # Holidays, workshop, no work.
            length, pace = rng.uniform(6, 35), 0.0
        hitched = rng.gamma(1.2, 1 / 1.2) if rng.random() < 0.6 else 0.0
        ground = rng.gamma(0.7, 1 / 0.7) if rng.random() < 0.5 else 0.0
        stints.append(Stint(start, pace, hitched / 0.6, ground / 0.5))
        start += length
    edges = np.array([s.start for s in stints] + [start])
    driven = np.cumsum(np.diff(edges) * np.array([s.pace for s in stints]))
    return Calendar(tuple(stints), edges, np.concatenate([[0], driven]))


@dataclass(frozen=True)
class Modes:
    """Shares of the km driven in tow, in low, and in tow once there is a load."""

    tow: float
    low: float
    tow_loaded: float

    def hitched(self, loaded: bool) -> float:
        """Give the usual share of tow, with or without a load."""
        return self.tow_loaded if loaded else self.tow

    def shares(self, loaded: bool, stint: Stint) -> Floats:
        """Give the shares of normal, tow and low within a stint."""
        tow, low = min(self.hitched(loaded) * stint.hitched, 0.8), min(self.low * stint.ground, 0.5)
        return np.array([max(1 - tow - low, 0.05), tow, low])


def draw_modes(rng: np.random.Generator) -> Modes:
    """Draw how often a unit is driven in each mode; some never in low."""
    tow = float(np.clip(rng.beta(0.5, 4.0), 0.001, 0.6))
    low = float(np.clip(rng.beta(0.5, 14.0), 0.0005, 0.25)) * (rng.random() > 0.08)
    return Modes(tow, low, max(tow, rng.uniform(0.08, 0.3)))
