"""A unit's readings, the precision of their noise with memory, and the shapes that a change may have.

Each cell follows: level + slope x distance + changes + noise. The noise covariance over the snapshots is
known from the fleet, so least squares is generalised least squares with its inverse, in which the rows of
readings that are missing, or only repeat an old value, are zero. All cells are handled at once as stacked
matrices.

Candidate shapes at snapshot j (the change lies between snapshot j-1 and j):

- step: 0 before, then 1 - exp(-N / shifts_to_learn) with N the shifts the cell has learned from since;
- transient: 0 before, then exp(-N / shifts_to_learn): a jump that is learned away again;
- bend: 0 before, then the distance driven since snapshot j-1, in 10 000 km.

A kind of change (`COURSES`) is one of these shapes, with what comes beside it. Nobody knows the rate of
learning or the moment of the change exactly, so a step in the model brings a transient in proportion to
its size: without it, one change would be found as two or three.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from driftwatch.panel.fleet import own_scales
from driftwatch.panel.noise import (
    KM,
    Fleet,
    corrected,
    counted_shifts,
    shifts_learned,
    unread_warmth_variance,
)
from driftwatch.panel.panel import Bools, Floats, Panel

Indices = NDArray[np.int64]


@dataclass(frozen=True)
class Course:
    """How a kind of change runs in time.

    `main` is the shape of its effect. `beside` is a shape that comes with it, of its own size in each cell.
    `late` is the shape that takes up a wrong rate or moment of arrival, in proportion to the effect.
    """

    main: str
    beside: str | None = None
    late: str | None = None


#: Shapes that are tried at every snapshot; see the top of this module.
SHAPES = ("step", "transient", "bend")
COURSES = {
    "step": Course("step", late="transient"),
    "bend": Course("bend"),
    # A rebuild sets a new base and clears the values: every cell may first jump anywhere.
    "renewal": Course("step", beside="transient"),
    "clearing": Course("transient", late="slow transient"),
}
#: How much slower the slow transient is learned away.
SLOWER = 4.0
#: Where between two snapshots a change is first taken to lie: the share of the shifts between them that
#: came after it; and the shares that are tried once a change is found.
SHARE_AFTER = 0.5
SHARES = (0.03, 0.2, 0.5, 0.8, 1.0)


@dataclass(frozen=True)
class Columns:
    """Candidate columns of one shape, with what the noise makes of them.

    Attributes
    ----------
    raw : array (C, T, J)
    weighed : array (C, T, J)
        Precision times `raw`.
    information : array (C, J)
        raw' precision raw.
    score : array (C, J)
        raw' precision readings.

    """

    raw: Floats
    weighed: Floats
    information: Floats
    score: Floats


@dataclass(frozen=True)
class Design:
    """Readings, noise precision and candidate columns of one unit.

    Attributes
    ----------
    distance : array (T,)
        10 000 km since the first snapshot.
    precision : array (C, T, T)
        Inverse noise covariances; zero rows and columns where a reading is left out.
    centre : array (C,)
        Mean of each cell's readings, taken off `readings`.
    readings, weighed : array (C, T)
        Readings without their centre (0 where left out), and the precision times them.
    learned : array (C, T)
        Shifts learned from before each snapshot since the one before; infinite for packs.
    shifts_to_learn : float
    columns : dict of Columns
        Shape -> columns for a change half-way before each of the T snapshots.
    common : array (S, T, T)
        Covariance of the noise that the cells of each signal share.
    signal : array (C,)
        Index of each cell's signal.
    group : array (C,)
        Index of each cell's signal and mode together.
    slope_precision : array (C,)
        Prior precision of the slopes.

    """

    distance: Floats
    precision: Floats
    centre: Floats
    readings: Floats
    weighed: Floats
    learned: Floats
    shifts_to_learn: float
    columns: dict[str, Columns]
    common: Floats
    signal: Indices
    group: Indices
    slope_precision: Floats

    def placed(self, shape: str, at: Indices, share: float | Floats) -> Columns:
        """Columns of one shape for changes just before the snapshots `at`; see `candidates`."""
        raw = candidates(shape, self.learned, self.distance, self.shifts_to_learn, share, at)
        return self.weigh(raw)

    def weigh(self, raw: Floats) -> Columns:
        """Work out what the noise makes of columns (C, T, J)."""
        weighed = self.precision @ raw
        return Columns(
            raw=raw,
            weighed=weighed,
            information=np.einsum("ctj,ctj->cj", raw, weighed),
            score=(self.weighed[:, None, :] @ raw)[:, 0],
        )


def build_design(panel: Panel, fleet: Fleet) -> Design:
    """Weigh one unit's readings and all candidate columns."""
    values = corrected(panel, fleet).T
    used = np.isfinite(values)
    centre = np.nan_to_num(values).sum(axis=1) / np.maximum(used.sum(axis=1), 1)
    readings = np.where(used, values - centre[:, None], 0.0)
    names = sorted({c.signal for c in panel.cells})
    signal = np.array([names.index(c.signal) for c in panel.cells], dtype=np.int64)
    scale = own_scales(panel, fleet)
    shifts = shifts_learned(panel, fleet).T
    precision = np.empty((len(panel.cells), len(panel.days), len(panel.days)))
    common = np.empty((len(names), len(panel.days), len(panel.days)))
    for i, name in enumerate(names):
        cells = signal == i
        noise = fleet.noise[name]
        together = noise.common_covariance(panel.days) + np.diag(unread_warmth_variance(panel, fleet, name))
        own = noise.own_covariance(panel.days, shifts[cells], fleet.shifts_to_learn)
        precision[cells] = _precision(own + together, used[cells]) / scale[cells, None, None] ** 2
        common[i] = together
    kinds = [(c.signal, c.mode) for c in panel.cells]
    groups = sorted(set(kinds))
    spread = np.array([_slope_spread(fleet, name) for name in names])
    blank = Design(
        distance=(panel.odometer_km - panel.odometer_km[0]) / KM,
        precision=precision,
        centre=centre,
        readings=readings,
        weighed=np.einsum("cij,cj->ci", precision, readings),
        learned=_learned(panel, fleet),
        shifts_to_learn=fleet.shifts_to_learn,
        columns={},
        common=common,
        signal=signal,
        group=np.array([groups.index(kind) for kind in kinds], dtype=np.int64),
        slope_precision=(1.0 / spread**2)[signal],
    )
    every = np.arange(len(panel.days))
    return replace(blank, columns={k: blank.placed(k, every, SHARE_AFTER) for k in SHAPES})


def _slope_spread(fleet: Fleet, name: str) -> float:
    """Prior spread of a cell's slope per 10 000 km: generous, so that real wear is not shrunk away."""
    noise = fleet.noise[name]
    return max(4.0 * noise.slope_sd, 4.0 * abs(noise.slope), noise.sd)


def _precision(covariance: Floats, used: Bools) -> Floats:
    """Give the inverse of the used readings' covariance for each cell, (C, T, T); zero for the others."""
    both = used[:, :, None] & used[:, None, :]
    masked = np.where(both, covariance, np.eye(covariance.shape[-1]))
    return np.asarray(np.where(both, np.linalg.inv(masked), 0.0))


def _learned(panel: Panel, fleet: Fleet) -> Floats:
    """Shifts learned from before each snapshot, (C, T); packs are measured afresh each time."""
    learned = counted_shifts(panel, fleet).T
    learned[:, :1] = 0.0
    learned[np.array([c.mode == "" for c in panel.cells])] = np.inf
    return np.asarray(learned)


def candidates(
    shape: str, learned: Floats, distance: Floats, shifts_to_learn: float, share: float | Floats, at: Indices
) -> Floats:
    """Columns (C, T, len(at)) of one shape, for changes just before the snapshots `at`.

    `share` (one for all, or one for each) of the shifts between the two snapshots came after the change.
    """
    # Nothing can change before the first snapshot.
    first = np.where(at > 0, at, len(distance))
    after: Bools = np.arange(len(distance))[:, None] >= first[None, :]
    if shape == "bend":
        driven = np.maximum(distance[:, None] - distance[np.maximum(at - 1, 0)][None, :], 0.0)
        return np.broadcast_to(driven * after, (len(learned), *after.shape))
    known: Bools = np.isfinite(learned).all(axis=1)
    repeats = np.where(known[:, None], learned, 0.0) / shifts_to_learn
    total: Floats = np.cumsum(repeats, axis=1)
    start = total[:, at] - share * repeats[:, at]
    since = total[:, :, None] - start[:, None, :]
    if shape == "slow transient":
        since /= SLOWER
    left = np.exp(-np.maximum(since, 0.0, out=since), out=since)
    left[~known] = 0.0
    return np.where(after, 1.0 - left if shape == "step" else left, 0.0)
