"""How often each cell learns, day by day."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from tests.bench.dailyworld.acts import Act
from tests.bench.dailyworld.calendar import Driving
from tests.bench.dailyworld.draws import factor, factors
from tests.bench.dailyworld.layout import APPLIES, LOW_RANGE, PACKS, Floats, Ints
from tests.bench.dailyworld.shared import Shared


def resets(acts: Sequence[Act]) -> list[int]:
    """Give the days on which what was learned is cleared."""
    return sorted({a.day for a in acts if a.cause in ("relearn", "rebuild")})


def draw_counts(
    shared: Shared, driving: Driving, acts: Sequence[Act], load: Floats, rng: np.random.Generator
) -> Ints:
    """Draw the learned shifts of each cell and pack on each day; (days, WIDTH)."""
    days = driving.days
    in_mode = _share_of_modes(acts, load, rng)
    use = shared.duty.use * (100.0 / driving.usual_km) ** 0.5 * factor(rng, 0.3)
    cell_use = use[:, None] * factors(rng, 0.55, (10, 3))
    cell_use[:, 2] *= LOW_RANGE * 2.0
    shifts = rng.poisson(driving.km[:, None, None] * in_mode[:, None, :] * cell_use[None])
    for act in acts:  # the shop drives it in
        if act.cause in ("relearn", "rebuild", "power") and rng.random() < 0.5:
            shifts[act.day, :, 0] += rng.poisson(5, 10)
            if rng.random() < 0.3:
                shifts[act.day, :, 1] += rng.poisson(3, 10)
    of_pack = np.zeros((days, len(PACKS)), dtype=np.int64)
    for i, pack in enumerate(APPLIES):
        of_pack[:, pack] += shifts[:, i, :].sum(axis=1)
    of_pack[resets(acts)] += 1  # measured afresh
    return np.concatenate([np.tile(shifts.reshape(days, 30), (1, 4)), of_pack], axis=1)


def _share_of_modes(acts: Sequence[Act], load: Floats, rng: np.random.Generator) -> Floats:
    """Draw the share of each day's driving that is done in each mode; (days, 3)."""
    days = len(load)
    tow = 0.0 if rng.random() < 0.15 else float(np.clip(rng.beta(1.3, 14), 0.006, 0.5))
    low = 0.0 if rng.random() < 0.25 else 0.008 * factor(rng, 0.8)
    if any(a.cause == "load" for a in acts) and rng.random() < 0.85:
        tow = max(tow, rng.uniform(0.03, 0.1))
    loaded = max(tow, rng.uniform(0.08, 0.3))

    def by_week(shape: float) -> Floats:
        """Draw how much of a mode there is in each week: the smaller the shape, the more in bursts."""
        return np.asarray(np.repeat(rng.gamma(shape, 1 / shape, days // 7 + 1), 7)[:days])

    towed = np.clip(np.where(load > 0.05, loaded, tow) * by_week(0.8), 0, 0.85)
    lowered = np.clip(low * by_week(0.35), 0, 0.15)
    return np.stack([1 - towed - lowered, towed, lowered], axis=1)
