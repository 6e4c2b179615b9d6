"""What the controller has learned by the end of each day."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from tests.bench.dailyworld.acts import Act
from tests.bench.dailyworld.layout import (
    BURN_IN,
    CELLS,
    LOWER,
    PACKS,
    UPPER,
    VOLUME_LOWER,
    VOLUME_UPPER,
    Floats,
    Ints,
    by_cell,
    of_signals,
)
from tests.bench.dailyworld.needs import Needs
from tests.bench.dailyworld.shared import Noise

#: Shifts in which a measured volume covers 63 % of its way.
VOLUME_SHIFTS = 6.0


def share_closed(counts: Ints, shifts_to_learn: Floats) -> Floats:
    """Give the share of the gap that so many shifts close; both (.., WIDTH)."""
    return np.asarray(1 - np.exp(-counts / shifts_to_learn))


def learn(
    start: Floats, asked: Floats, closed: Floats, base: Floats, volumes: Floats, cleared: Sequence[int]
) -> Floats:
    """Follow the learned values from day to day.

    Parameters
    ----------
    start : array (WIDTH,)
        What was learned before the first day.
    asked, closed : array (days, WIDTH)
        What the cells ask for, and the share of the gap that is closed.
    base, volumes : array (CELLS,), (days, 5)
        What clearing puts back, and what the packs are then measured to have.
    cleared : sequence of int
        Days that begin with it.

    Returns
    -------
    array (days, WIDTH)
        Learned values at the end of each day, within their ranges.

    """
    lower, upper = by_cell(LOWER, VOLUME_LOWER), by_cell(UPPER, VOLUME_UPPER)
    known, learned = start.copy(), np.empty_like(asked)
    for day in range(len(asked)):
        if day in cleared:
            known = np.concatenate([base, volumes[day]])
        known = np.clip(known + closed[day] * (asked[day] - known), lower, upper)
        learned[day] = known
    return learned


def with_wander(asked: Floats, noise: Noise, rng: np.random.Generator) -> Floats:
    """Give what is asked for with wandering that has a memory, of the unit and of each cell."""
    days = len(asked)
    fresh_unit, fresh_cell = rng.normal(0, 1, (days, 4)), rng.normal(0, 1, (days, CELLS))
    keep_unit, keep_cell = np.exp(-1 / noise.unit_days), np.exp(-1 / noise.cell_days)
    fresh_unit *= np.sqrt(1 - keep_unit**2) * noise.unit
    fresh_cell *= np.sqrt(1 - keep_cell**2) * of_signals(noise.cell)
    unit = rng.normal(0, 1, 4) * noise.unit
    cell = rng.normal(0, 1, CELLS) * of_signals(noise.cell)
    wandering = asked.copy()
    for day in range(days):
        unit = keep_unit * unit + fresh_unit[day]
        cell = keep_cell * cell + fresh_cell[day]
        wandering[day, :CELLS] += cell + of_signals(unit)
    return wandering


def learned_before(needs: Needs, counts: Ints, acts: Sequence[Act]) -> Floats:
    """Say what was learned before the first day: a mode that is hardly driven is not done even then."""
    before = max(BURN_IN, min((a.day for a in acts), default=len(counts)))
    known = 1 - np.exp(-counts[:before].mean(axis=0) * 300 / 4.0)
    start: Floats = needs.asked[0].copy()
    start[:CELLS] = needs.base + known[:CELLS] * (start[:CELLS] - needs.base)
    return start


def shifts_to_learn(cells: Floats) -> Floats:
    """Lay out the shifts that it takes to learn, of cells and packs; (WIDTH,)."""
    return np.concatenate([cells.reshape(-1), np.full(len(PACKS), VOLUME_SHIFTS)])
