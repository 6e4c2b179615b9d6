"""A unit's readings and every candidate change, whitened by the noise with memory.

Each cell follows: level + slope x distance + changes + noise. The noise covariance over the snapshots is
known from the fleet, so every cell is multiplied by the inverse of its Cholesky factor (rows of readings
that are missing or only repeat an old value drop out), after which ordinary least squares is generalised
least squares. All cells are handled at once as stacked matrices.

Candidate shapes at snapshot j (the change lies between snapshot j-1 and j):

- step: 0 before, then 1 - exp(-N / shifts_to_learn) with N the shifts the cell has learned from since;
- transient: 0 before, then exp(-N / shifts_to_learn): a jump that is learned away again;
- bend: 0 before, then the distance driven since snapshot j-1, in 10 000 km.

A kind of change (`COURSES`) is one of these shapes, with what comes beside it. Nobody knows the rate of
learning or the moment of the change exactly, so a step in the model brings a transient in proportion to
its size: without it, one change would be found as two or three.
"""

from __future__ import annotations

from dataclasses import dataclass

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


#: Shapes in time; see the top of this module.
SHAPES = ("step", "transient", "slow transient", "bend")
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
class Design:
    """Whitened readings and candidate columns of one unit.

    Attributes
    ----------
    distance : array (T,)
        10 000 km since the first snapshot.
    whiten : array (C, T, T)
        Inverse Cholesky factors; zero rows and columns where a reading is left out.
    readings : array (C, T)
        Whitened readings.
    base : array (C, T, 2)
        Whitened level and slope columns.
    learned : array (C, T)
        Shifts learned from before each snapshot since the one before; infinite for packs.
    shifts_to_learn : float
    columns : dict of arrays (C, T, T)
        Whitened candidate columns for a change half-way between snapshots; last axis the candidate's index.
    common : array (S, T, T)
        Covariance of the noise that the cells of each signal share.
    signal : array (C,)
        Index of each cell's signal.
    group : array (C,)
        Index of each cell's signal and mode together.

    """

    distance: Floats
    whiten: Floats
    readings: Floats
    base: Floats
    learned: Floats
    shifts_to_learn: float
    columns: dict[str, Floats]
    common: Floats
    signal: Indices
    group: Indices
    slope_precision: Floats


def build_design(panel: Panel, fleet: Fleet) -> Design:
    """Whiten one unit's readings and all candidate columns."""
    values = corrected(panel, fleet).T
    used = np.isfinite(values)
    names = sorted({c.signal for c in panel.cells})
    signal = np.array([names.index(c.signal) for c in panel.cells], dtype=np.int64)
    scale = own_scales(panel, fleet)
    shifts = shifts_learned(panel, fleet).T
    whiten = np.empty((len(panel.cells), len(panel.days), len(panel.days)))
    common = np.empty((len(names), len(panel.days), len(panel.days)))
    for i, name in enumerate(names):
        cells = signal == i
        noise = fleet.noise[name]
        together = noise.common_covariance(panel.days) + np.diag(unread_warmth_variance(panel, fleet, name))
        own = noise.own_covariance(panel.days, shifts[cells], fleet.shifts_to_learn)
        whiten[cells] = _inverse_factors(own + together, used[cells]) / scale[cells, None, None]
        common[i] = together
    kinds = [(c.signal, c.mode) for c in panel.cells]
    groups = sorted(set(kinds))
    distance = (panel.odometer_km - panel.odometer_km[0]) / KM
    learned = _learned(panel, fleet)
    shifts_to_learn = fleet.shifts_to_learn
    every = np.arange(len(distance))
    raw = {k: candidates(k, learned, distance, shifts_to_learn, SHARE_AFTER, every) for k in SHAPES}
    level_and_slope = np.stack([np.ones_like(distance), distance], axis=1)
    spread = np.array([_slope_spread(fleet, name) for name in names])
    return Design(
        distance=distance,
        whiten=whiten,
        readings=np.einsum("cij,cj->ci", whiten, np.nan_to_num(values)),
        base=whiten @ level_and_slope,
        learned=learned,
        shifts_to_learn=shifts_to_learn,
        columns={kind: whiten @ column for kind, column in raw.items()},
        common=common,
        signal=signal,
        group=np.array([groups.index(kind) for kind in kinds], dtype=np.int64),
        slope_precision=(1.0 / spread**2)[signal],
    )


def _slope_spread(fleet: Fleet, name: str) -> float:
    """Prior spread of a cell's slope per 10 000 km: generous, so that real wear is not shrunk away."""
    noise = fleet.noise[name]
    return max(4.0 * noise.slope_sd, 4.0 * abs(noise.slope), noise.sd)


def _inverse_factors(covariance: Floats, used: Bools) -> Floats:
    """Give the inverse Cholesky factor of the used readings' covariance for each cell, (C, T, T)."""
    both = used[:, :, None] & used[:, None, :]
    masked = np.where(both, covariance, np.eye(covariance.shape[-1]))
    inverse = np.linalg.inv(np.linalg.cholesky(masked))
    return np.asarray(np.where(both, inverse, 0.0))


def _learned(panel: Panel, fleet: Fleet) -> Floats:
    """Shifts learned from before each snapshot, (C, T); packs are measured afresh each time."""
    learned = counted_shifts(panel, fleet).T
    learned[:, :1] = 0.0
    learned[np.array([c.mode == "" for c in panel.cells])] = np.inf
    return np.asarray(learned)


def candidates(
    shape: str, learned: Floats, distance: Floats, shifts_to_learn: float, share: float, at: Indices
) -> Floats:
    """Columns (C, T, len(at)) of one shape before whitening, for changes just before the snapshots `at`.

    `share` of the shifts between the two snapshots came after the change.
    """
    after = np.arange(len(distance))[:, None] >= at[None, :]
    after = after & (at > 0)[None, :]
    if shape == "bend":
        driven = np.maximum(distance[:, None] - distance[np.maximum(at - 1, 0)][None, :], 0.0)
        return np.broadcast_to(driven * after, (len(learned), *after.shape))
    finite = np.where(np.isfinite(learned), learned, 0.0)
    total = np.cumsum(finite, axis=1)
    since = total[:, :, None] - total[:, None, at] + share * finite[:, None, at]
    rate = shifts_to_learn * (SLOWER if shape == "slow transient" else 1.0)
    left = np.exp(-np.maximum(since, 0.0) / rate)
    left[~np.isfinite(learned).all(axis=1)] = 0.0
    return np.where(after, 1.0 - left if shape == "step" else left, 0.0)


def whitened(design: Design, shape: str, share: float, at: Indices) -> Floats:
    """Whitened columns (C, T, len(at)); see `candidates`."""
    raw = candidates(shape, design.learned, design.distance, design.shifts_to_learn, share, at)
    return np.asarray(design.whiten @ raw)
