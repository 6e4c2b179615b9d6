"""A unit's noise against its fleet's: factors of its own, shrunk to one where it has few readings."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from driftwatch.panel.noise import MONTH, Fleet, corrected, in_season, unread_warmth_variance
from driftwatch.panel.panel import Bools, Floats, Panel
from driftwatch.panel.robust import jumps, steps, trimmed_sd
from driftwatch.panel.variogram import LEAST_CELLS, alike

#: A unit's own noise counts against the fleet's as if the fleet were this many differences.
OWN_PRIOR = 60.0
#: The same for what the cells of a signal do together.
COMMON_PRIOR = 30.0
#: A unit's own noise is never taken to be less than this share of the fleet's.
LEAST_OWN = 0.8


@dataclass(frozen=True)
class Scales:
    """A unit's noise against the fleet's, one factor of the standard deviation a signal, for each cell (C,).

    `own` is that of the cells' own parts, `common` that of what the signal's cells share.
    """

    own: Floats
    common: Floats


def unit_scales(panel: Panel, fleet: Fleet, shifts: Floats) -> Scales:
    """Estimate a unit's own scales from differences to the usable reading before, shrunk to the fleet's.

    What the cells of a signal do together, and what each does beside that, are looked at apart. `shifts` are
    those that each cell has learned from since the first snapshot, (T, C).
    """
    own, common = np.ones(len(panel.cells)), np.ones(len(panel.cells))
    if len(panel.days) < 3:
        return Scales(own, common)
    gap, previous = steps(corrected(panel, fleet), jumps(panel))
    between = shifts - np.take_along_axis(shifts, np.maximum(previous, 0), axis=0)
    days = panel.days[:, None] - panel.days[np.maximum(previous, 0)]
    mode = np.array([c.mode for c in panel.cells])
    for name in sorted({c.signal for c in panel.cells}):
        inside = np.array([c.signal == name for c in panel.cells])
        noise = fleet.noise[name]
        moved, faded = gap[:, inside], 1.0 - np.power(noise.memory, days[:, inside] / MONTH)
        learned = noise.learning_sd**2 * (1.0 - np.exp(-between[:, inside] / fleet.shifts_to_learn))
        apart = 2.0 * (noise.white_sd**2 + learned + noise.wander_sd**2 * faded)
        unread = unread_warmth_variance(panel, fleet, name)[:, None]
        season = noise.season_sd**2 * (1.0 - in_season(days[:, inside]))
        known = np.isfinite(moved)
        member = (mode[inside][:, None] == np.unique(mode[inside])).astype(float)
        of_mode = noise.mode_wander_sd**2 * alike(known @ member)[:, None]
        wander = noise.common_wander_sd**2 + of_mode
        together = 2.0 * (noise.common_white_sd**2 + unread + wander * faded + season)
        count = known.sum(axis=1)
        enough = count >= LEAST_CELLS
        mean = np.where(known, moved, 0.0).sum(axis=1) / np.maximum(count, 1)
        aside = np.where(known & enough[:, None], moved - mean[:, None], np.nan)
        aside = aside / np.sqrt(np.maximum(apart * (1.0 - 1.0 / np.maximum(count, 2))[:, None], 1e-18))
        own[inside] = _shrunk(aside[np.isfinite(aside)], OWN_PRIOR)
        if enough.any():
            expected = _mean(together, known) + _mean(apart, known) / np.maximum(count, 1)
            common[inside] = _shrunk((mean / np.sqrt(np.maximum(expected, 1e-18)))[enough], COMMON_PRIOR)
    return Scales(own, common)


def _mean(values: Floats, known: Bools) -> Floats:
    """Mean of each row's known values, 0 where there are none."""
    whole = np.broadcast_to(values, known.shape)
    return np.asarray(np.where(known, whole, 0.0).sum(axis=1) / np.maximum(known.sum(axis=1), 1))


def _shrunk(relative: Floats, prior: float) -> float:
    """Scale of values that should have scale 1, the fleet counting as `prior` of them."""
    if not len(relative):
        return 1.0
    scale = np.sqrt((len(relative) * trimmed_sd(relative) ** 2 + prior) / (len(relative) + prior))
    return max(float(scale), LEAST_OWN)
