"""Snapshots whose values were noted in another unit of measure than the file says: psi where it says kPa.

All values of that unit then stand at one fixed part, or multiple, of what the cells read before and after. No
work on a transmission does that: trims that were cleared come back cell by cell, each as it is driven, and a
new pack swallows little less than a worn one.
"""

from __future__ import annotations

from functools import cache

import numpy as np

from driftwatch.panel.panel import Bools, Floats, Misnoted, Panel
from driftwatch.quantities import UNITS, conversion, convertible

#: A reading fits if it is within so many standard deviations of what is usual.
FITTING_SDS = 3.0
#: A cell tells if what it usually reads stands so many standard deviations of a converted reading away from
#: zero: cleared values, which lie near zero, then match no unit.
TELLING_SDS = 6.0
#: Fewest cells that tell, of trims or times and of packs, and the share of them that must fit when converted.
LEAST_TELLING = 6
LEAST_PACKS = 2
FITTING = 0.9
#: By a larger factor than this, values are out of every bound, or lost in the rounding.
LARGEST_FACTOR = 50.0


def misnoted(panel: Panel, usual: Floats, sd: Floats) -> tuple[Misnoted, ...]:
    """Find the snapshots of which values were noted in another unit of measure.

    Parameters
    ----------
    panel : Panel
        As read.
    usual : array (T, C)
        What each cell reads around each snapshot; NaN where that is not known.
    sd : array (C,)
        Standard deviation of a reading.

    """
    step = {s.name: s.resolution or 0.0 for s in panel.profile.signals}
    rounding = np.array([step[c.signal] for c in panel.cells]) / np.sqrt(12.0)
    units = np.array([c.unit for c in panel.cells])
    packs = np.array([not c.mode for c in panel.cells])
    found = []
    for meant in sorted(set(units)):
        cells = units == meant
        values, around, noise = panel.values[:, cells], usual[:, cells], sd[cells]
        least = LEAST_PACKS if packs[cells].all() else LEAST_TELLING
        for t in np.flatnonzero(_far(values, around, noise).sum(axis=1) >= least):
            for noted, factor in _others(meant):
                converted_sd = np.hypot(noise, factor * rounding[cells])
                if _fits(values[t], around[t], factor, converted_sd, least):
                    found.append(Misnoted(int(t), meant, noted))
                    break
    return tuple(sorted(found, key=lambda m: (m.snapshot, m.meant)))


def misread(panel: Panel) -> Bools:
    """Say which readings were noted in another unit of measure, (T, C)."""
    rows = np.zeros(panel.values.shape, dtype=bool)
    for one in panel.misnoted:
        rows[one.snapshot] |= [c.unit == one.meant for c in panel.cells]
    return rows


def _far(values: Floats, usual: Floats, sd: Floats) -> Bools:
    """Where readings do not fit what is usual."""
    with np.errstate(invalid="ignore"):
        return np.asarray(np.abs(values - usual) > FITTING_SDS * sd)


def _fits(values: Floats, usual: Floats, factor: float, sd: Floats, least: int) -> bool:
    """Whether one snapshot's readings are what is usual when they are converted, and only then."""
    with np.errstate(invalid="ignore"):
        telling = np.isfinite(values) & (np.abs(usual) > TELLING_SDS * sd)
    fitting = telling & ~_far(factor * values, usual, sd)
    odd = telling & _far(values, usual, sd)
    return bool(min(fitting.sum(), odd.sum()) >= max(least, FITTING * telling.sum()))


@cache
def _others(meant: str) -> tuple[tuple[str, float], ...]:
    """Units in which a value may have been noted instead, with the factor that puts it right."""
    factors = [(u, conversion(u, meant)) for u in UNITS if u != meant and convertible(u, meant)]
    return tuple((u, c.factor) for u, c in factors if 1.0 < max(c.factor, 1.0 / c.factor) <= LARGEST_FACTOR)
