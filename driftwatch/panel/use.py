"""How many shifts a cell has learned from since the snapshot before, counted or not.

Where the controller's counts were recorded, they say it. Where not, two things do, and experience where
neither can tell:

- *the unit's own standstills*. A cell that was not driven shows the value that it showed before. Shifts come
  by chance, more in one month and on one shift than in another (a Poisson law with a gamma-distributed mean),
  so that the share of such gaps tells N, the shifts in a gap of usual length: (1 + N / k)^-k. A gap in which
  the cell was driven saw the mean over all but that share. A mode that is driven much hardly ever stands
  still, and its N stays unknown;
- *how the fleet drives*: shifts in 10 000 km, from its units that have counts.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from driftwatch.panel.noise import KM, Fleet, Use
from driftwatch.panel.panel import Bools, Floats, Panel
from driftwatch.panel.robust import median, repeats, spread
from driftwatch.panel.variogram import FEW_UNITS

#: Shifts assumed learned between two snapshots of usual distance where nothing tells: neither the cell stands
#: still now and then, nor has anybody in the fleet counts. And how far that may be off (log-scale).
UNCOUNTED_SHIFTS = 12.0
UNCOUNTED_SPREAD = 1.0
#: A unit that never made a shift in all its distance counts as if it had made half of one.
HALF_A_SHIFT = 0.5
#: Fewest readings of a signal in a mode for the share of them that repeat; a mode stands still where its
#: share lies so many standard errors above chance; and how far its cells are thought to lie apart in how
#: often they are driven (log-scale).
LEAST_READ = 20
STOOD_SES = 3.0
STOOD_SPREAD = 0.5
#: k above: how even shifts come, from month to month and shift to shift.
USE_SHAPE = 2.0


def usual_use(panels: list[Panel]) -> dict[tuple[str, str], Use]:
    """How often the cells of each mode and channel are learned from, over all units that have counts.

    A channel that nobody counted in a mode is driven as the mode's others are.
    """
    rates: dict[tuple[str, str], list[float]] = {}
    for panel in panels:
        run = _run(panel)[1:]
        counts = panel.learn_counts[1:]
        counted = np.isfinite(counts)
        distance, shifts = run @ counted, np.where(counted, counts, 0.0).sum(axis=0)
        of_unit: dict[tuple[str, str], Floats] = {}
        for cell, made, km in zip(panel.cells, shifts, distance, strict=True):
            place = (cell.mode, cell.channel)
            of_unit[place] = of_unit.get(place, np.zeros(2)) + np.array([made, km])
        for place, (made, km) in of_unit.items():
            if km > 0.0:
                rates.setdefault(place, []).append(max(float(made), HALF_A_SHIFT) / float(km))
    of_place = {place: np.log(found) for place, found in rates.items()}
    places = {(c.mode, c.channel) for p in panels for c in p.cells}
    for mode in {mode for mode, _ in of_place}:
        of_mode = np.concatenate([rate for (m, _), rate in of_place.items() if m == mode])
        of_place |= {place: of_mode for place in places if place[0] == mode and place not in of_place}
    return {place: _usual(rate) for place, rate in of_place.items()}


def _usual(log_rate: Floats) -> Use:
    """Median of units, and how far they lie apart: of a few units it is hardly known."""
    centre = median(log_rate)
    lean = FEW_UNITS / (FEW_UNITS + len(log_rate))
    variance = (1.0 - lean) * spread(log_rate - centre) ** 2 + lean * UNCOUNTED_SPREAD**2
    return Use(float(np.exp(centre)), float(np.sqrt(variance)))


def _run(panel: Panel) -> Floats:
    """Distance since the snapshot before, 10 000 km, (T,); 0 at the first."""
    return np.maximum(np.diff(panel.odometer_km / KM, prepend=panel.odometer_km[:1] / KM), 0.0)


@dataclass(frozen=True)
class Driven:
    """How a unit's cells were driven, counted or not.

    Attributes
    ----------
    shifts : array (T, C)
        Shifts learned from since the snapshot before.
    spread : array (C,)
        Standard deviation of their logarithm; nil where they were counted.

    """

    shifts: Floats
    spread: Floats

    @property
    def so_far(self) -> Floats:
        """Shifts learned from since the first snapshot, (T, C)."""
        since = self.shifts.copy()
        since[:1] = 0.0
        return np.asarray(np.cumsum(since, axis=0))


def driven(panel: Panel, fleet: Fleet) -> Driven:
    """Say how many shifts each cell has learned from since the snapshot before."""
    run = _run(panel)
    usual_run = run.sum() / (len(run) - 1) if run.any() else 1.0
    untold = Use(UNCOUNTED_SHIFTS / usual_run, UNCOUNTED_SPREAD)
    usual = [fleet.use.get((c.mode, c.channel), untold) for c in panel.cells]
    shifts = run[:, None] * np.array([u.shifts for u in usual])
    apart = np.array([u.spread for u in usual])
    stood, often = _standstills(panel)
    seldom = np.isfinite(often)
    expected = np.maximum(np.where(seldom, often, 0.0) * run[:, None] / usual_run, 1e-9)
    shifts = np.where(seldom, expected / (1.0 - _chance_of_none(expected)), shifts)
    apart = np.where(seldom, STOOD_SPREAD, apart)
    old = np.isfinite(panel.values) & ~panel.usable & ~panel.slips
    shifts = np.where(old | stood, 0.0, shifts)
    counted = np.isfinite(panel.learn_counts)
    return Driven(
        shifts=np.where(counted, panel.learn_counts, shifts),
        spread=np.where(counted.any(axis=0), 0.0, apart),
    )


def _chance_of_none(shifts: Floats) -> Floats:
    """Chance that a cell makes no shift in a gap in which it makes `shifts` on average."""
    return np.asarray((1.0 + shifts / USE_SHAPE) ** -USE_SHAPE)


def _standstills(panel: Panel) -> tuple[Bools, Floats]:
    """Say which cells stood still, (T, C), and how many shifts the cells of its mode make in a gap, (C,).

    The second is NaN where it cannot be told: in modes that hardly ever stand still, and in a unit of which
    only one mode is read. How often a driven cell happens to read the same again, by rounding, is for each
    signal what the mode that repeats least shows.
    """
    values = panel.values
    stood, often = np.zeros(values.shape, dtype=bool), np.full(values.shape[1], np.nan)
    modes = np.array([c.mode for c in panel.cells])
    signals = np.array([c.signal for c in panel.cells])
    shifts = sorted({mode for mode in modes.tolist() if mode})
    if len(values) < 2 or len(shifts) < 2 or np.isfinite(panel.learn_counts).all():
        return stood, often
    uncounted = ~np.isfinite(panel.learn_counts)
    told, same = (part & uncounted for part in repeats(values))
    names = np.unique(signals[modes != ""])
    here = (modes[:, None] == np.array(shifts))[:, :, None] & (signals[:, None] == names)[:, None, :]
    read = np.einsum("c,cms->ms", told.sum(axis=0).astype(float), here)
    repeat = np.einsum("c,cms->ms", same.sum(axis=0).astype(float), here) / np.maximum(read, 1.0)
    chance = np.min(np.where(read >= LEAST_READ, repeat, 1.0), axis=0)
    beyond = np.where(chance < 1.0, repeat - chance, 0.0) / np.where(chance < 1.0, 1.0 - chance, 1.0)
    total = np.maximum(read.sum(axis=1), 1.0)
    share = (read * beyond).sum(axis=1) / total
    mean = (read * repeat).sum(axis=1) / total
    error = np.sqrt(mean * (1.0 - mean) / total)
    for mode, stands, off, total_of_mode in zip(shifts, share, error, total, strict=True):
        if stands <= STOOD_SES * off:
            continue
        cells = np.flatnonzero(modes == mode)
        none = min(stands, 1.0 - 0.5 / total_of_mode)
        often[cells] = USE_SHAPE * (none ** (-1.0 / USE_SHAPE) - 1.0)
        by_chance = (1.0 - stands) * chance[np.searchsorted(names, signals[cells])]
        stood[:, cells] = same[:, cells] & (stands > by_chance)
    return stood, often
