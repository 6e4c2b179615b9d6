"""Clutch volumes: how each pack grows with distance, day by day, and how far it still had to go."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from driftwatch.profile.model import Profile
from tests.bench.otherworld.calendar import Driving, wander
from tests.bench.otherworld.story import Deed
from tests.bench.otherworld.world import Bools, Floats, Ints

#: Step of the path ahead, km, and how far it is followed.
AHEAD_STEP_KM = 1000.0
AHEAD_KM = 300_000.0
#: Wear is uneven along the way: log standard deviation of the rate, and over how many km it lasts.
UNEVEN = 0.2
UNEVEN_KM = 15_000.0


@dataclass(frozen=True)
class Volumes:
    """True volumes of one unit's packs.

    Attributes
    ----------
    path : array (D, P)
        Volume at the end of each day, cm3.
    life : array of int (D, P)
        Number of the life each pack is in, from 0.
    limit : array (P,)
        Service limits, cm3.
    rate, hastens : array (D, P)
        Law of wear in force: cm3 a km at the start of the life, and how much of that is added by the time
        the allowance is used up.
    born : array (D, P)
        Volume at the start of the life.
    uneven : array (K, P)
        Factor on the rate by distance, one row each AHEAD_STEP_KM from the first day on.

    """

    path: Floats
    life: Ints
    limit: Floats
    rate: Floats
    hastens: Floats
    born: Floats
    uneven: Floats
    driven: Floats


def grow(profile: Profile, driving: Driving, deeds: list[Deed], rng: np.random.Generator) -> Volumes:
    """Follow each pack through its life or lives."""
    new = np.array([c.new_volume_cm3 for c in profile.clutches], dtype=float)
    limit = np.array([c.limit_cm3 for c in profile.clutches], dtype=float)
    packs, days = len(new), driving.days
    driven = np.cumsum(driving.km)
    steps = int((driven[-1] + AHEAD_KM) / AHEAD_STEP_KM) + 2
    memory = UNEVEN_KM / AHEAD_STEP_KM
    uneven = np.exp(UNEVEN * wander(steps, memory, rng, packs) - UNEVEN**2 / 2)
    spare = limit - new
    used_before = rng.beta(1.2, 6.0, packs)
    start = new * rng.normal(1.0, 0.008, packs) + spare * used_before
    rate, hastens, life, renewals = _laws(driving, deeds, limit - start, spare, rng)
    path, born = np.empty((days, packs)), np.empty((days, packs))
    now, birth = start.copy(), start.copy()
    for day in range(days):
        if day in renewals:
            fresh = new * rng.normal(1.0, 0.008, packs)
            now = np.where(renewals[day], fresh, now)
            birth = np.where(renewals[day], fresh, birth)
        share = np.clip((now - birth) / (limit - birth), 0.0, 2.0)
        bump = uneven[int(driven[day] / AHEAD_STEP_KM)]
        now = now + driving.km[day] * rate[day] * (1.0 + hastens[day] * share) * bump
        path[day], born[day] = now, birth
    return Volumes(path, life, limit, rate, hastens, born, uneven, driven)


def _laws(
    driving: Driving, deeds: list[Deed], left: Floats, spare: Floats, rng: np.random.Generator
) -> tuple[Floats, Floats, Ints, dict[int, Bools]]:
    """Rates in force on each day, lives, and the packs renewed by day.

    `left` is what each pack has to its limit on the first day, `spare` what a new one has.
    """
    packs, days = len(spare), driving.days
    hurry = np.ones((days, packs))
    for deed in deeds:
        if deed.hurry is not None:
            hurry[deed.day :] *= deed.hurry
    rate, hastens = np.tile(_slowly(left, driving.km.sum(), rng), (days, 1)), np.zeros((days, packs))
    life = np.zeros((days, packs), dtype=np.int64)
    renewals = {}
    rebuilt = next((d.day for d in deeds if d.cause == "rebuild"), days)
    for deed in deeds:
        if deed.cause == "wear":
            term = slice(deed.day, rebuilt if rebuilt > deed.day else days)
            way = float((driving.km[term] * hurry[term, deed.pack]).sum())
            rate[term, deed.pack] = left[deed.pack] * _pace(deed.size, deed.curve, way)
            hastens[term, deed.pack] = deed.curve
        elif deed.cause == "rebuild" and deed.renewed is not None:
            renewals[deed.day] = deed.renewed
            life[deed.day :, deed.renewed] += 1
            rate[deed.day :, deed.renewed] = _slowly(spare, driving.km.sum(), rng)[deed.renewed]
            hastens[deed.day :, deed.renewed] = 0.0
    return rate * hurry, hastens, life, renewals


def _slowly(left: Floats, way: float, rng: np.random.Generator) -> Floats:
    """Usual wear, cm3 a km: a few hundredths of the allowance each 100 000 km, and a fifth of it at most."""
    return left * np.minimum(rng.uniform(0.02, 0.13, len(left)) / 100_000.0, 0.2 / way)


def _pace(share: float, hastens: float, way: float) -> float:
    """Rate, as a share of the allowance a km, that uses up `share` on the way: solves u' = r (1 + h u)."""
    return (np.log1p(hastens * share) / hastens if hastens > 0 else share) / way


def remaining_km(volumes: Volumes, at: Ints) -> Floats:
    """Distance from each of some days to each pack's limit, km; (N, P).

    The pack goes on under the law that is in force on that day, with the unevenness that its own path has:
    what a later tune or rebuild will do to it is not in it. 0 if the limit is reached, infinite if it is
    not within AHEAD_KM.
    """
    now = volumes.path[at].copy()
    birth, rate, hastens = volumes.born[at], volumes.rate[at], volumes.hastens[at]
    left = np.where(now >= volumes.limit, 0.0, np.inf)
    begun = volumes.driven[at]
    for step in range(int(AHEAD_KM / AHEAD_STEP_KM)):
        share = np.clip((now - birth) / (volumes.limit - birth), 0.0, 2.0)
        row = ((begun + step * AHEAD_STEP_KM) / AHEAD_STEP_KM).astype(int)
        gain = AHEAD_STEP_KM * rate * (1.0 + hastens * share) * volumes.uneven[row]
        crosses = np.isinf(left) & (now + gain >= volumes.limit)
        part = np.divide(volumes.limit - now, gain, out=np.zeros_like(now), where=gain > 0)
        left = np.where(crosses, (step + part) * AHEAD_STEP_KM, left)
        now = now + gain
    return left
