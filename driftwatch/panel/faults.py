"""Readings that contradict the ones around them: set aside, named, never dropped silently."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from driftwatch.panel.fleet import nan_median
from driftwatch.panel.noise import Fleet, corrected
from driftwatch.panel.panel import Bools, Floats, Panel

#: A reading this many noise standard deviations beyond both its neighbours' medians is a suspected slip.
SLIP_SDS = 6.0
#: In a snapshot, at most this share of cells (and at least two) can be slips; more is something real.
SLIP_SHARE = 0.04
#: Readings on each side whose median stands for "before" and "after".
SIDE = 3


def without_slips(panel: Panel, fleet: Fleet) -> Panel:
    """Give the panel with suspected slips marked (`slips`) and left out of `usable`.

    A slip is one cell, in one snapshot, far from what the same cell read before and after, while the rest
    of the snapshot is in line. At the newest snapshot there is no "after": a lone jump there waits until
    the next snapshot confirms it.
    """
    if len(panel.days) < 3 or not panel.cells:
        return panel
    values = corrected(panel, fleet)
    sd = np.array([max(fleet.noise[c.signal].sd, fleet.noise[c.signal].resolution) for c in panel.cells])
    before, after = _median_before(values), _median_before(values[::-1])[::-1]
    # A value that has been moving all along may go on doing so: at the ends, allow as much again.
    moving = np.abs(before - _median_before(np.where(np.isfinite(values), before, np.nan)))
    allowed = SLIP_SDS * sd + np.where(np.isfinite(after), 0.0, 3.0 * np.nan_to_num(moving))
    before = np.where(np.isfinite(before), before, after)
    # At the newest snapshot the reading before stands for what comes after: two in a row are no slip.
    latest = pd.DataFrame(values).ffill().shift(1).to_numpy()
    after = np.where(np.isfinite(after), after, np.where(np.isfinite(latest), latest, before))
    with np.errstate(invalid="ignore"):
        beyond = np.maximum(values - np.fmax(before, after), np.fmin(before, after) - values)
    far = np.nan_to_num(beyond) > allowed
    read = np.isfinite(values).sum(axis=1)
    few = far.sum(axis=1) <= np.maximum(2, SLIP_SHARE * read)
    slips: Bools = far & few[:, None]
    return replace(panel, usable=panel.usable & ~slips, slips=slips)


def _median_before(values: Floats) -> Floats:
    """Median of the last SIDE finite values before each row, NaN where there is none."""
    rows = np.where(np.isfinite(values), np.arange(len(values))[:, None], -1)
    first = np.full((1, values.shape[1]), -1)
    previous = np.vstack([first, np.maximum.accumulate(rows, axis=0)[:-1]])
    seen, at = [], previous
    for _ in range(SIDE):
        inside = np.maximum(at, 0)
        seen.append(np.where(at >= 0, np.take_along_axis(values, inside, axis=0), np.nan))
        at = np.where(at >= 0, np.take_along_axis(previous, inside, axis=0), -1)
    return nan_median(np.stack(seen), axis=0)
