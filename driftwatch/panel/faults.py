"""Readings that contradict the ones around them: set aside, named, never dropped silently.

A snapshot that was noted in another unit of measure is left out (`driftwatch.panel.misnoted`). A *slip* is
one cell, in one snapshot, far from what the same cell read before and after. A *disturbance* moves a whole
snapshot for its own time and is gone at the next: cold fluid at the reading, where its temperature was not
noted. It moves the signals in a fixed proportion, known from the fleet, and is taken off.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from driftwatch.panel.misnoted import misnoted, misread
from driftwatch.panel.noise import Fleet, corrected
from driftwatch.panel.panel import Bools, Floats, Panel
from driftwatch.panel.robust import nan_median
from driftwatch.panel.use import driven

#: A reading this many noise standard deviations beyond both its neighbours' medians is a suspected slip.
SLIP_SDS = 5.0
#: In a snapshot, at most this share of cells (and at least two) can be slips; more is something real.
SLIP_SHARE = 0.04
#: A cell stands out by itself where at most this share of the others of its mode do, of so many or more that
#: have learned no more than it.
ODD_SHARE = 0.15
LEAST_OTHERS = 4
#: Readings on each side whose median stands for "before" and "after".
SIDE = 3
#: A snapshot's movement is a disturbance if this share of it lies in the proportion of one.
ALIKE = 0.6
#: One larger than so many of usual size is none: no fluid is as cold.
LARGEST_DISTURBANCE = 15.0
#: Fewest snapshots in a fleet that tell the proportion of disturbances.
LEAST_TOLD = 30


@dataclass(frozen=True)
class Around:
    """What each cell read before and after each snapshot, and how far the snapshot stands out; all (T, C)."""

    before: Floats
    after: Floats
    beyond: Floats
    sd: Floats


def around(panel: Panel, fleet: Fleet) -> Around:
    """Compare every reading with the medians of the readings before and after it."""
    values = corrected(panel, fleet)
    before, after = _median_before(values), _median_before(values[::-1])[::-1]
    with np.errstate(invalid="ignore"):
        above, below = values - np.fmax(before, after), np.fmin(before, after) - values
    beyond = np.where(above > 0, above, np.where(below > 0, -below, 0.0))
    sd = np.array([max(fleet.noise[c.signal].sd, fleet.noise[c.signal].resolution) for c in panel.cells])
    return Around(before, after, np.where(np.isfinite(values), beyond, np.nan), sd)


def disturbance_proportion(panels: list[Panel], fleet: Fleet) -> dict[str, float]:
    """Give how a disturbance of usual size moves each signal, in its unit.

    Where fluid temperatures are recorded, it is what temperature does. Where none is, the snapshots that
    stand out from both their neighbours tell: the leading direction of the means of their signals.
    """
    if fleet.temp_sd_c > 0:
        return {name: noise.temperature * fleet.temp_sd_c for name, noise in fleet.noise.items()}
    names = list(fleet.noise)
    several = [panel for panel in panels if len(panel.days) > 2]
    rows = [
        _by_signal(panel, _beside_slips(panel, fleet, around(panel, fleet)), names)[1:-1] for panel in several
    ]
    moved = np.concatenate([np.zeros((0, len(names))), *rows])
    moved = moved[np.isfinite(moved).all(axis=1)]
    if len(moved) < LEAST_TOLD:
        return dict.fromkeys(names, 0.0)
    size, direction = np.linalg.eigh(moved.T @ moved / len(moved))
    leading = direction[:, -1] * np.sqrt(max(size[-1], 0.0))
    return {name: float(w * fleet.noise[name].sd) for name, w in zip(names, leading, strict=True)}


def without_faults(panel: Panel, fleet: Fleet, proportion: dict[str, float]) -> Panel:
    """Give the panel with suspected slips marked and left out of `usable`, and with its disturbances."""
    if len(panel.days) < 3 or not panel.cells:
        return panel
    near = around(panel, fleet)
    panel = _without_misnoted(panel, near)
    near = around(panel, fleet) if panel.misnoted else near
    if any(proportion.values()):
        moved = _disturbance(panel, fleet, proportion, _beside_slips(panel, fleet, near))
        panel = replace(panel, disturbance=moved)
        near = around(panel, fleet) if np.any(moved) else near
    return _without_slips(panel, fleet, near)


def _beside_slips(panel: Panel, fleet: Fleet, near: Around) -> Around:
    """Compare readings with those around them, as `near` does, but for what looks like a slip as it was read.

    A decimal point in the wrong place would else move the mean of its signal, and all cells with it.
    """
    plain = _without_slips(panel, fleet, near)
    return around(plain, fleet) if (plain.usable != panel.usable).any() else near


def _without_misnoted(panel: Panel, near: Around) -> Panel:
    """Mark what was noted in another unit of measure, and leave it out of `usable`."""
    usual = np.where(np.isfinite(near.before), near.before, near.after)
    usual = np.where(np.isfinite(near.after), 0.5 * (usual + near.after), usual)
    panel = replace(panel, misnoted=misnoted(panel, usual, near.sd))
    wrong = misread(panel)
    return replace(panel, usable=panel.usable & ~wrong, slips=panel.slips | wrong)


def _disturbance(panel: Panel, fleet: Fleet, proportion: dict[str, float], near: Around) -> Floats:
    """What moved whole snapshots whose temperature is not known, (T, C); nil at the first and the last.

    A snapshot's movement beyond its neighbours is projected on the usual proportion of the signals that were
    read, and believed where the proportion explains most of it.
    """
    names = list(fleet.noise)
    read = _by_signal(panel, near, names)
    moved = np.nan_to_num(read)
    usual = np.array([proportion.get(n, 0.0) / fleet.noise[n].sd for n in names]) * np.isfinite(read)
    along = (moved * usual).sum(axis=1)
    mass = np.maximum((usual**2).sum(axis=1), 1e-12)
    size, explained = along / mass, along**2 / mass
    believed = explained > ALIKE * (moved**2).sum(axis=1)
    believed &= np.abs(size) <= LARGEST_DISTURBANCE
    believed[[0, -1]] = False
    size = np.where(believed & ~np.isfinite(panel.fluid_temp_c), size, 0.0)
    return np.asarray(size[:, None] * np.array([proportion.get(c.signal, 0.0) for c in panel.cells]))


def _by_signal(panel: Panel, near: Around, names: list[str]) -> Floats:
    """Mean movement beyond the neighbours of each signal's cells in noise sds, (T, S); NaN where not read."""
    out = np.full((len(panel.days), len(names)), np.nan)
    for i, name in enumerate(names):
        cells = np.array([c.signal == name for c in panel.cells], dtype=bool)
        known = np.isfinite(near.beyond[:, cells])
        total = np.where(known, near.beyond[:, cells] / near.sd[cells], 0.0).sum(axis=1)
        count = known.sum(axis=1)
        out[count > 0, i] = (total / np.maximum(count, 1))[count > 0]
    return out


def _without_slips(panel: Panel, fleet: Fleet, near: Around) -> Panel:
    """Mark suspected slips and leave them out of `usable`.

    The rest of the snapshot must be in line. At the newest snapshot there is no "after": a lone jump there
    waits until the next snapshot confirms it.
    """
    values = corrected(panel, fleet)
    before, after = near.before, near.after
    # A value that has been moving all along may go on doing so: at the ends, allow as much again.
    moving = np.abs(before - _median_before(np.where(np.isfinite(values), before, np.nan)))
    allowed = SLIP_SDS * near.sd + np.where(np.isfinite(after), 0.0, 3.0 * np.nan_to_num(moving))
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
    # By itself is what has come back: at the newest snapshot that cannot be told.
    open_yet = far & ~few[:, None] & np.isfinite(near.after)
    if open_yet.any():
        slips = slips | (open_yet & _by_itself(panel, fleet, far))
    return replace(panel, usable=panel.usable & ~slips, slips=panel.slips | slips)


def _by_itself(panel: Panel, fleet: Fleet, far: Bools) -> Bools:
    """Say which cells that stand out do so by themselves, (T, C).

    After a clearing those stand out most that have learned least since. So a cell stands out by itself where
    hardly any of its mode do that have learned no more than it; of packs, which do not learn, where no other
    does.
    """
    modes = np.array([c.mode for c in panel.cells])
    shifts = np.where(modes == "", 0.0, driven(panel, fleet).shifts)
    read, together = np.isfinite(panel.values), modes[:, None] == modes
    alone = np.zeros(far.shape, dtype=bool)
    for t in np.flatnonzero(far.any(axis=1)):
        others = together & (shifts[t][None, :] <= shifts[t][:, None]) & read[t]
        np.fill_diagonal(others, False)
        count = others.sum(axis=1)
        alone[t] = far[t] & (count >= LEAST_OTHERS) & ((others & far[t]).sum(axis=1) <= ODD_SHARE * count)
    return alone


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
