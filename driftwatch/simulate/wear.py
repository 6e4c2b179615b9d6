"""How the packs of one unit wear: volume against distance, past the end of the history.

Worn volume is proportional to the friction work done (Archard's relation; with friction energy in place
of load times distance), and the work of an unchanged duty is proportional to distance. So each pack grows by
its own rate per km; duty varies the rate from month to month, a power or load change raises it for all
packs, and a fast-wearing pack has a rate of its own on top, which may rise with distance.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from driftwatch.profile.model import Clutch
from driftwatch.simulate import magnitudes as m
from driftwatch.simulate.difficulty import Difficulty
from driftwatch.simulate.plan import Floats, UnitPlan

#: The future is followed this far past the last snapshot; a limit beyond it counts as not reached.
HORIZON_KM = 400_000.0


@dataclass(frozen=True, eq=False)
class WearPath:
    """True volumes of all packs of one unit.

    Attributes
    ----------
    days : array (S,)
        Grid: snapshots, times of actions, then months of the future.
    km : array (S,)
        Odometer.
    volume : array (S, P)
        True fill volume in cm3; at the time of a rebuild, the volume just before it.
    since_start : array (S, P)
        Growth in cm3 since the start of the present set of base values (first snapshot or rebuild).
    life : array (S, P) of int
        0, and one more after each renewal of the pack.
    limit : array (P,)
        Service limit in cm3, NaN if the profile gives none.

    """

    days: Floats
    km: Floats
    volume: Floats
    since_start: Floats
    life: np.ndarray
    limit: Floats

    def remaining_km(self, at: np.ndarray) -> Floats:
        """Distance from grid rows `at` (N,) to the limit in the same life, (N, P); NaN if never reached."""
        left = np.full((len(at), self.volume.shape[1]), np.nan)
        for p, limit in enumerate(self.limit):
            for life in np.unique(self.life[:, p]):
                rows = np.flatnonzero(self.life[:, p] == life)
                over = np.flatnonzero(self.volume[rows, p] >= limit)
                here = self.life[at, p] == life
                if not len(over) or not here.any():
                    continue
                j = rows[over[0]]
                cross = self.km[j]
                if over[0] > 0:
                    low, high = self.volume[j - 1, p], self.volume[j, p]
                    cross = self.km[j - 1] + (limit - low) / (high - low) * (self.km[j] - self.km[j - 1])
                left[here, p] = np.maximum(cross - self.km[at[here]], 0.0)
        return left


def allowance_cm3(clutch: Clutch) -> float:
    """Volume from new to the limit; 30 % of the new volume where the profile gives no limit."""
    new = new_volume(clutch)
    return clutch.limit_cm3 - new if clutch.limit_cm3 is not None else 0.3 * new


def new_volume(clutch: Clutch) -> float:
    """Volume of a new pack; 80 cm3 where the profile gives none."""
    return clutch.new_volume_cm3 if clutch.new_volume_cm3 is not None else 80.0


def wear_path(plan: UnitPlan, rng: np.random.Generator, difficulty: Difficulty) -> WearPath:
    """Simulate the packs' volumes over the history and on to the horizon.

    Parameters
    ----------
    plan : UnitPlan
        What happens to the unit.
    rng : Generator
        Stream for the packs.
    difficulty : Difficulty
        `wander` scales how unevenly distance is driven and wear goes on; 0 makes both exactly even.

    Returns
    -------
    WearPath

    """
    clutches = plan.profile.clutches
    count = len(clutches)
    allowance = np.array([allowance_cm3(c) for c in clutches])
    new = np.array([new_volume(c) for c in clutches]) * (1.0 + 0.015 * np.clip(rng.normal(size=count), -2, 2))
    ordinary = m.ORDINARY_WEAR * np.exp(rng.normal(0.0, m.ORDINARY_WEAR_SD, count))
    used = np.minimum(ordinary * plan.first_odometer_km / 1e5 + rng.uniform(0.0, 0.05, count), 0.4)

    days = _grid(plan)
    steps = np.diff(days, prepend=0.0)
    uneven = np.exp(0.15 * min(difficulty.wander, 2.0) * rng.normal(size=len(days)))
    driven = steps * plan.km_per_day * uneven
    km = plan.first_odometer_km + np.cumsum(driven)

    rate = np.tile(ordinary, (len(days), 1))
    for action in plan.actions:
        if action.kind in ("power", "load"):
            rate[days > action.day] *= action.rate_after
    for action in plan.actions:
        if action.kind == "wear":
            p = [c.id for c in clutches].index(action.packs[0])
            stop = _renewed_after(plan, action.packs[0], action.day)
            acting = (days > action.day) & (days <= stop)
            begin = np.interp(action.day, days, km)
            gone = np.maximum(km - driven / 2.0 - begin, 0.0) / 1e5
            rate[acting, p] += action.size * (1.0 + action.haste * gone[acting])

    sd = m.WEAR_UNEVENNESS * min(difficulty.wander, 2.0)
    duty = np.exp(sd * rng.normal(size=rate.shape) - sd**2 / 2.0)
    growth = rate * duty * (driven / 1e5)[:, None] * allowance
    volume = new + used * allowance + np.cumsum(growth, axis=0)
    since = volume - volume[0]
    life = np.zeros(volume.shape, dtype=np.int64)
    for action in plan.actions:
        if action.kind == "rebuild":
            j = int(np.searchsorted(days, action.day))
            renewed = np.array([c.id in action.packs for c in clutches])
            fresh = np.array([new_volume(c) for c in clutches]) * (1.0 + 0.01 * rng.uniform(-1, 1, count))
            volume[j + 1 :, renewed] += (fresh - volume[j])[renewed]
            start = np.where(renewed, fresh, volume[j])
            since[j + 1 :] = volume[j + 1 :] - start
            life[j + 1 :, renewed] += 1
    limit = np.array([np.nan if c.limit_cm3 is None else c.limit_cm3 for c in clutches])
    return WearPath(days, km, volume, since, life, limit)


def _grid(plan: UnitPlan) -> Floats:
    """Snapshots and times of actions, then months to the horizon."""
    span = float(plan.snapshot_days[-1])
    acts = np.array([a.day for a in plan.actions if 0.0 < a.day < span])
    months = np.arange(1, int(np.ceil(HORIZON_KM / plan.km_per_day / 30.0)) + 1) * 30.0
    return np.concatenate([np.unique(np.concatenate([plan.snapshot_days, acts])), span + months])


def _renewed_after(plan: UnitPlan, pack: str, day: float) -> float:
    """Day on which a rebuild ends a pack's wear; infinite if none does."""
    return min(
        (a.day for a in plan.actions if a.kind == "rebuild" and pack in a.packs and a.day > day),
        default=np.inf,
    )
