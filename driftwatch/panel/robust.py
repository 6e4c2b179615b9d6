"""Robust pieces: medians of what was read, trimmed scales, differences that do not reach across jumps."""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from driftwatch.panel.panel import Bools, Floats, Panel

#: Standard deviation of a normal variable, in its median absolute deviations.
MAD_TO_SD = 1.4826
#: Values no further apart are the same: rounding of decimals, no step of a controller.
SAME = 1e-9
#: Share of differences kept by the trimmed standard deviation.
TRIM = 0.9
#: A gap is a jump when its median cell moves this many times as far as usual: over the whole unit, and
#: over one signal and mode with at least so many cells.
UNIT_JUMP = 2.0
GROUP_JUMP = 2.2
LEAST_GROUP = 6


def jumps(panel: Panel) -> Floats:
    """Mark gaps between snapshots in which a whole group of cells moved: no place to learn noise from.

    Gives a cumulative count of such gaps for each cell, shape (T, C): two readings of a cell with equal
    counts have none between. A gap counts for all cells if the unit as a whole moved (a power change, a
    relearn), and for the cells of one signal and mode if those moved together (a load).
    """
    values = np.where(panel.usable, panel.values, np.nan)
    count = np.zeros(values.shape)
    if len(values) < 4:
        return count
    step = np.abs(steps(values, count)[0])[1:]
    scale = nan_median(step, axis=0)
    size = step / np.where(scale > 0, scale, np.nan)
    marked = np.repeat(_large(size, UNIT_JUMP)[:, None], values.shape[1], axis=1)
    kinds = [(c.signal, c.mode) for c in panel.cells]
    for kind in {k for k in kinds if k[1]}:
        inside = np.array([k == kind for k in kinds])
        if inside.sum() >= LEAST_GROUP:
            marked[:, inside] |= _large(size[:, inside], GROUP_JUMP)[:, None]
    count[1:] = np.cumsum(marked, axis=0)
    return count


def _large(size: Floats, times: float) -> NDArray[np.bool_]:
    """Gaps in which the median cell moved by so many times what it usually moves."""
    typical = nan_median(size, axis=1)
    usual = float(np.nan_to_num(median(typical)))
    return np.asarray(np.nan_to_num(typical) > times * usual)


def steps(values: Floats, jump: Floats) -> tuple[Floats, NDArray[np.int64]]:
    """Difference of each reading to the usable one before it in its cell, and that one's row (-1 if none).

    NaN where there is none, or where the cell's count of jumps `jump` (T, C) rose between the two.
    """
    previous = _previous(values)
    at = np.maximum(previous, 0)
    fair = (previous >= 0) & (np.take_along_axis(jump, at, axis=0) == jump)
    return np.where(fair, values - np.take_along_axis(values, at, axis=0), np.nan), previous


def nan_median(values: Floats, axis: int) -> Floats:
    """Median over finite values, NaN where there are none; one sort for all."""
    aside = np.moveaxis(values, axis, 0)
    if not len(aside):
        return np.full(aside.shape[1:], np.nan)
    ordered = np.sort(aside.reshape(len(aside), -1), axis=0)
    known, column = np.isfinite(ordered).sum(axis=0), np.arange(ordered.shape[1])
    low = ordered[np.maximum((known - 1) // 2, 0), column]
    high = ordered[np.minimum(known // 2, len(ordered) - 1), column]
    return np.asarray(np.where(known > 0, 0.5 * (low + high), np.nan).reshape(aside.shape[1:]))


def _previous(values: Floats) -> NDArray[np.int64]:
    """Row of the finite value before each one in its column, -1 if there is none."""
    rows = np.where(np.isfinite(values), np.arange(len(values))[:, None], -1)
    return np.vstack([np.full((1, values.shape[1]), -1), np.maximum.accumulate(rows, axis=0)[:-1]])


def repeats(values: Floats) -> tuple[Bools, Bools]:
    """Say which readings (T, C) have one before them in their cell, and which are the same as that one."""
    previous = _previous(values)
    told = np.isfinite(values) & (previous >= 0)
    before = np.take_along_axis(values, np.maximum(previous, 0), axis=0)
    return told, told & (np.abs(values - before) <= SAME)


def spread(values: Floats) -> float:
    """Median absolute value of the finite ones, as the standard deviation of a normal variable; 0 of none."""
    finite = values[np.isfinite(values)]
    return float(MAD_TO_SD * np.median(np.abs(finite))) if len(finite) else 0.0


def median(values: Floats) -> float:
    """Median over finite values, NaN if there are none."""
    finite = values[np.isfinite(values)]
    return float(np.median(finite)) if len(finite) else np.nan


def trimmed_sd(differences: Floats, kept: float = TRIM) -> float:
    """Root mean square of the smallest share `kept` of the differences, scaled to a normal's sd.

    A median of absolute values would jump by whole steps on readings that are rounded coarsely.
    For a normal variable the mean square within its central share q is 1 - 2 z phi(z) / q.
    """
    count = max(int(np.ceil(kept * len(differences))), 1)
    size = np.partition(np.abs(differences), count - 1)[:count]
    return float(np.sqrt(np.mean(size**2) / _kept_square(kept)))


@cache
def _kept_square(kept: float) -> float:
    """Mean square of a standard normal variable within its central share `kept`."""
    z = float(ndtri(0.5 + kept / 2.0))
    return float(1.0 - 2.0 * z * np.exp(-0.5 * z * z) / np.sqrt(2.0 * np.pi) / kept)
