"""What the tool shows on each day of reading out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tests.bench.dailyworld.calendar import Driving
from tests.bench.dailyworld.draws import factor
from tests.bench.dailyworld.layout import (
    CELLS,
    LOWER,
    STEP,
    UPPER,
    VOLUME_LOWER,
    VOLUME_STEP,
    VOLUME_UPPER,
    WARM_C,
    WIDTH,
    Bools,
    Floats,
    Ints,
    by_cell,
)
from tests.bench.dailyworld.needs import Needs
from tests.bench.dailyworld.shared import Shared


@dataclass(frozen=True)
class ReadOut:
    """Values and learn counts since the reading before (S, WIDTH), and the fluid's temperature (S,)."""

    values: Floats
    counts: Ints
    temperature: Floats


def read_out(
    shared: Shared,
    driving: Driving,
    needs: Needs,
    learned: Floats,
    counts: Ints,
    at: Ints,
    cleared: Sequence[int],
    rng: np.random.Generator,
) -> ReadOut:
    """Read the unit out on the days `at`: with an error, warm or cold, and in the tool's steps."""
    stored, total = learned[at], np.cumsum(counts, axis=0)
    since = np.diff(np.vstack([np.zeros(WIDTH, dtype=np.int64), total[at]]), axis=0)
    warmth = _warmth(shared.duty.climate, driving.season[at], rng)
    error = by_cell(shared.noise.read, shared.noise.volume) * factor(rng, 0.12)
    shown = stored + (warmth - WARM_C)[:, None] * needs.warmth + error * rng.normal(0, 1, stored.shape)
    values = _in_steps(shown)
    base = _in_steps(np.r_[needs.base, needs.asked[0, CELLS:]])
    first = _in_steps(stored[0])
    for i, day in enumerate(at):
        last = max((c for c in cleared if c <= day), default=-1)
        idle = since[i] == 0
        if last > (at[i - 1] if i else -1):  # cleared since: a cell not driven since then stands at its base
            untouched = total[day] - (total[last - 1] if last else 0) == 0
            untouched[CELLS:] = False
            values[i, untouched] = base[untouched]
            idle[:CELLS] = False
        values[i, idle] = values[i - 1, idle] if i else first[idle]
    return ReadOut(values, since, warmth)


def _warmth(climate: float, season: Floats, rng: np.random.Generator) -> Floats:
    """Draw the temperature at each reading: the unit, the season, the day, and now and then a cold start."""
    warmth = 82 + rng.normal(0, 3) - climate * np.cos(season) + rng.normal(0, 5, len(season))
    cold: Bools = rng.random(len(season)) < 0.07
    return np.asarray(warmth - np.where(cold, rng.uniform(18, 45, len(season)), 0))


def _in_steps(values: Floats) -> Floats:
    """Round to the tool's steps and hold within the range."""
    step = by_cell(STEP, VOLUME_STEP)
    lower, upper = by_cell(LOWER, VOLUME_LOWER), by_cell(UPPER, VOLUME_UPPER)
    return np.asarray(np.round(np.clip(np.round(values / step) * step, lower, upper), 4), dtype=np.float64)
