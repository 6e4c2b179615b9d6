"""The controller: learns a little from each shift, and is read out now and then.

A learned shift closes a share of the gap between what is stored and what that shift asked for; what it asked
for is the need plus an error of its own. Between readings a cell that was not learned keeps what it had.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tests.bench.otherworld.calendar import Driving, wander
from tests.bench.otherworld.story import Deed
from tests.bench.otherworld.wearing import Volumes
from tests.bench.otherworld.world import GRAIN, NORMAL_TEMP_C, Floats, Gearbox, Ints, Layout

#: Error of a single learned shift, in grains.
SHIFT_ERROR = 2.8
#: Random error of a volume reading, and the part of it that lasts, cm3.
VOLUME_ERROR = 0.16
VOLUME_WANDER = 0.08


@dataclass(frozen=True)
class ReadOut:
    """What a tool would show at each reading: values and learn counts, (N, C) and (N, P) for the packs."""

    values: Floats
    counts: Floats
    volumes: Floats
    volume_counts: Floats


def read_out(
    cells: Layout,
    box: Gearbox,
    driving: Driving,
    deeds: list[Deed],
    needs: Floats,
    volumes: Volumes,
    at: Ints,
    warmth: Floats,
    noise: float,
    rng: np.random.Generator,
) -> ReadOut:
    """Let the controller learn day by day, and read it out on the days `at`."""
    learned, counts = _learn(cells, box, driving, deeds, needs, noise, rng)
    passed = np.cumsum(counts, axis=0)
    since = np.diff(passed[at], axis=0, prepend=0.0)
    warm = (warmth - NORMAL_TEMP_C)[:, None]
    values = _quantised(learned[at] + warm * box.warmth, *_grid(cells))
    packs, pack_counts = _volumes(cells, box, driving, deeds, volumes, at, warm, noise, rng)
    return ReadOut(_repeated(values, since), since, _repeated(packs, pack_counts), pack_counts)


def _learn(
    cells: Layout,
    box: Gearbox,
    driving: Driving,
    deeds: list[Deed],
    needs: Floats,
    noise: float,
    rng: np.random.Generator,
) -> tuple[Floats, Floats]:
    """Follow the stored values; both (D, C).

    Clearing counts as one learned shift. Before the first day the cells were learned since new, from the
    base values, as often as the odometer allows: a mode that is hardly driven is not done even then.
    """
    often = box.repeats * (driving.km / 100.0)[:, None]
    tow = np.array([mode == "tow" for mode in cells.profile.modes])[cells.mode]
    loaded = [d.day for d in deeds if d.cause == "load" and d.size > 0]
    if loaded:
        often[min(loaded) :, tow] *= 2.0
    counts = rng.poisson(often).astype(float)
    error = noise * SHIFT_ERROR * cells.by_kind(GRAIN) * rng.standard_normal(counts.shape)
    asked = needs + error / np.sqrt(np.maximum(counts, 1.0))
    closed = 1.0 - (1.0 - box.gain) ** counts
    cleared = {d.day for d in deeds if d.cause in ("relearn", "rebuild")}
    lower, upper, _ = _grid(cells)
    run_in = rng.poisson(box.repeats * driving.odometer[0] / 100.0)
    stored = np.where(run_in > 0, needs[0], box.base)
    stored = stored + (1.0 - box.gain) ** run_in * (box.base - stored)
    counts[0] += np.minimum(run_in, 250)
    learned = np.empty_like(needs)
    for day in range(len(needs)):
        if day in cleared:
            stored = box.base.copy()
            counts[day] += 1.0
        stored = np.clip(stored + closed[day] * (asked[day] - stored), lower, upper)
        learned[day] = stored
    return learned, counts


def _volumes(
    cells: Layout,
    box: Gearbox,
    driving: Driving,
    deeds: list[Deed],
    volumes: Volumes,
    at: Ints,
    warm: Floats,
    noise: float,
    rng: np.random.Generator,
) -> tuple[Floats, Floats]:
    """Measure the packs; after clearing they are measured anew, by a routine that is a little less sure."""
    true = volumes.path[at]
    lasting = wander(driving.days, 40.0, rng, true.shape[1])[at]
    fresh = np.zeros(len(at), dtype=bool)
    for deed in deeds:
        if deed.cause in ("relearn", "rebuild"):
            fresh |= (at >= deed.day) & (at < deed.day + 5)
    error = VOLUME_ERROR * rng.standard_normal(true.shape) * np.where(fresh, 1.5, 1.0)[:, None]
    volume = cells.profile.signal("clutch_volume")
    read = true + noise * (error + VOLUME_WANDER * lasting) + warm * box.warmth_cm3
    counts = rng.poisson(np.diff(driving.odometer[at], prepend=driving.odometer[at[0]] - 2000.0) / 120.0)
    shown = np.where(counts[:, None] > 0, rng.poisson(np.maximum(counts, 1)[:, None], true.shape), 0)
    shown[0] = np.maximum(shown[0], 1)
    renewed = np.diff(volumes.life[at], axis=0, prepend=volumes.life[at[:1]]) > 0
    shown[renewed | fresh[:, None]] += 1
    limits = (np.array([volume.lower]), np.array([volume.upper]), np.array([volume.resolution]))
    return _quantised(read, *(np.asarray(x, dtype=float) for x in limits)), shown.astype(float)


def _grid(cells: Layout) -> tuple[Floats, Floats, Floats]:
    """Range and step of each cell."""
    signals = {s.name: s for s in cells.profile.signals}
    give = [cells.by_kind({k: float(getattr(signals[k], what) or 0.0) for k in GRAIN}) for what in _GRID]
    return give[0], give[1], give[2]


_GRID = ("lower", "upper", "resolution")


def _quantised(values: Floats, lower: Floats, upper: Floats, step: Floats) -> Floats:
    """Round to the controller's steps and hold within its range."""
    return np.clip(np.round(np.round(values / step) * step, 6), lower, upper)


def _repeated(values: Floats, counts: Floats) -> Floats:
    """Where nothing was learned since the reading before, show what was shown then."""
    shown = values.copy()
    for row in range(1, len(shown)):
        shown[row] = np.where(counts[row] == 0, shown[row - 1], shown[row])
    return shown
