"""A unit's readings, the precision of their noise with memory, and the shapes that a change may have.

Each cell follows: level + slope x distance + changes + noise. The noise covariance over the snapshots is
known from the fleet, so least squares is generalised least squares with its inverse, in which the rows of
readings that are missing, or only repeat an old value, are zero. All cells are handled at once as stacked
matrices.

Candidate shapes at snapshot j (the change lies between snapshot j-1 and j):

- step: 0 before, then 1 - exp(-N / shifts_to_learn) with N the shifts the cell has learned from since;
- transient: 0 before, then exp(-N / shifts_to_learn): a jump that is learned away again;
- late: what a step or a transient differs by if the rate of learning is another one than thought: its
  derivative after the logarithm of the rate, N / shifts_to_learn exp(-N / shifts_to_learn);
- bend: 0 before, then the distance driven since snapshot j-1, in 10 000 km, as far as the cell has followed.

A kind of change (`COURSES`) is one of these shapes, with what comes beside it. Nobody knows the rate of
learning exactly, so a step or a renewal brings a late shape in proportion to its size: without it, one
change would be found as two or three.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from driftwatch.changes.evidence import Sharing, sharing
from driftwatch.panel.noise import (
    KM,
    Fleet,
    corrected,
    odd_warmth_sd,
    unread_warmth_variance,
)
from driftwatch.panel.panel import Bools, Floats, Panel
from driftwatch.panel.robust import spread
from driftwatch.panel.scales import unit_scales
from driftwatch.panel.use import driven

Indices = NDArray[np.int64]


@dataclass(frozen=True)
class Course:
    """How a kind of change runs in time.

    `main` is the shape of its effect. `beside` is a shape that comes with it, of its own size in each cell.
    `late` is the shape that takes up a wrong rate or moment of arrival, in proportion to the effect; `rough`
    one for what is left of that where a large change is learned at quite another rate.
    """

    main: str
    beside: str | None = None
    late: str | None = None
    rough: str | None = None

    @property
    def shapes(self) -> tuple[str, ...]:
        """Shapes whose columns are worked out together for this kind."""
        return SLOW if self.main in SLOW else SUDDEN


#: Shapes that are tried at every snapshot, see the top of this module: those of sudden changes, which come
#: beside each other, and that of slow ones.
SUDDEN: tuple[str, ...] = ("step", "transient", "late")
SLOW: tuple[str, ...] = ("bend",)
COURSES = {
    "step": Course("step", late="late", rough="transient"),
    "bend": Course("bend"),
    # A rebuild sets a new base and clears the values: every cell jumps first, to zero or elsewhere.
    "renewal": Course("step", beside="transient", late="late"),
    "renewal elsewhere": Course("step", beside="transient", late="late"),
}
#: Where between two snapshots a change is first taken to lie: the share of the shifts between them that
#: came after it; and the shares that are tried once a change is found.
SHARE_AFTER = 0.5
SHARES = (0.03, 0.2, 0.5, 0.8, 1.0)
#: A cell drifts by itself when its slope is so many spreads from those of the others of its signal and mode;
#: there must be at least so many of them.
LONE_SDS = 6.0
LEAST_ALIKE = 5
#: How far a cell that has learned nothing may be from its need, in noise standard deviations; and a cell of
#: which nothing is known.
START_SDS = 20.0
START_UNTOLD_SDS = 2.0


@dataclass(frozen=True)
class Columns:
    """Candidate columns of S shapes, with what the noise makes of them.

    Attributes
    ----------
    raw : array (S, C, T, J)
    weighed : array (S, C, T, J)
        Precision times `raw`.
    information : array (S, S, C, J)
        raw' precision raw, of every two shapes at one candidate.
    score : array (S, C, J)
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
        Shapes (SUDDEN, SLOW) -> columns for a change half-way before each of the T snapshots.
    common, common_of_mode : array (S, T, T)
        Covariance of the noise that the cells of each signal and mode share, and the part of it that they do
        not share with the signal's other modes.
    sharing : Sharing
        Which cells share noise: those of each signal, and of each signal and mode.
    slope_mean, slope_precision : array (C,)
        Prior mean and precision of the slopes.
    slope_common : array (S,)
        The part of the prior variance of the slopes that the cells of each signal share.
    before : array (C, T)
        What each cell read before each snapshot, the last readings counting most.
    use_spread : array (C,)
        Standard deviation of the logarithm of the shifts that a cell learned from; 0 where they were counted.
    start_sd : array (C,)
        How far each cell may have been from its need at the first snapshot, not having learned it yet.
    in_common : array (C, T)
        The part of a single reading's variance, the season apart, that is of noise which other cells share.
    in_mode : array (S, T)
        The part of that shared variance which each signal's modes do not share.

    """

    distance: Floats
    precision: Floats
    centre: Floats
    readings: Floats
    weighed: Floats
    learned: Floats
    shifts_to_learn: float
    columns: dict[tuple[str, ...], Columns]
    common: Floats
    common_of_mode: Floats
    sharing: Sharing
    slope_mean: Floats
    slope_precision: Floats
    slope_common: Floats
    start_sd: Floats
    before: Floats
    use_spread: Floats
    in_common: Floats
    in_mode: Floats

    @property
    def signal(self) -> Indices:
        """Number of each cell's signal, (C,)."""
        return self.sharing.signal

    @property
    def group(self) -> Indices:
        """Number of each cell's signal and mode together, (C,)."""
        return self.sharing.group

    @cached_property
    def base(self) -> Floats:
        """Level, slope and what was not learned yet at the first snapshot, (C, T, 3)."""
        known = _counted(self.learned)
        total = np.cumsum(np.where(known[:, None], self.learned, 0.0), axis=1)
        unlearned = np.where(known[:, None], np.exp(-total / self.shifts_to_learn), 0.0)
        slope = followed(self.distance[:, None], self.learned, self.shifts_to_learn)[:, :, 0]
        return np.stack([np.ones_like(unlearned), slope, unlearned], axis=2)

    def placed(self, shapes: tuple[str, ...], at: Indices, share: float | Floats) -> Columns:
        """Columns of some shapes for changes just before the snapshots `at`; see `candidates`."""
        return self.weigh(self.raw(shapes, at, share))

    def raw(self, shapes: tuple[str, ...], at: Indices, share: float | Floats) -> Floats:
        """Give the same without what the noise makes of them, (S, C, T, J)."""
        return candidates(shapes, self.learned, self.distance, self.shifts_to_learn, share, at)

    def weigh(self, raw: Floats) -> Columns:
        """Work out what the noise makes of columns (S, C, T, J)."""
        weighed = self.precision @ raw
        return Columns(
            raw=raw,
            weighed=weighed,
            information=products(raw, weighed),
            score=(self.weighed[:, None, :] @ raw)[:, :, 0],
        )


def products(left: Floats, right: Floats) -> Floats:
    """Sums over the third axis of the products of every two of S arrays (S, C, T, J), alike either way."""
    count = len(left)
    made = np.empty((count, count, left.shape[1], left.shape[3]))
    for a in range(count):
        for b in range(a + 1):
            made[a, b] = made[b, a] = np.einsum("ctj,ctj->cj", left[a], right[b])
    return made


def build_design(panel: Panel, fleet: Fleet) -> Design:
    """Weigh one unit's readings and all candidate columns."""
    values = corrected(panel, fleet).T
    used = np.isfinite(values)
    centre = np.nan_to_num(values).sum(axis=1) / np.maximum(used.sum(axis=1), 1)
    readings = np.where(used, values - centre[:, None], 0.0)
    names = sorted({c.signal for c in panel.cells})
    together = sharing(panel.cells, fleet.across)
    signal = together.signal
    use = driven(panel, fleet)
    scale = unit_scales(panel, fleet, use.so_far)
    learned = _learned(panel, use.shifts)
    shifts = use.so_far.T
    precision = np.empty((len(panel.cells), len(panel.days), len(panel.days)))
    common = np.empty((len(names), len(panel.days), len(panel.days)))
    common_of_mode = np.empty_like(common)
    in_common = np.empty((len(panel.cells), len(panel.days)))
    in_mode = np.empty((len(names), len(panel.days)))
    for i, name in enumerate(names):
        cells = signal == i
        noise = fleet.noise[name]
        shared = noise.common_covariance(panel.days) + np.diag(unread_warmth_variance(panel, fleet, name))
        shared = shared * scale.common[cells][0] ** 2
        own = noise.own_covariance(panel.days, shifts[cells], fleet.shifts_to_learn)
        own *= scale.own[cells, None, None] ** 2
        odd = np.diag(odd_warmth_sd(panel, fleet, name) ** 2)
        shared, own = shared + odd, own + odd
        precision[cells] = _precision(own + shared, used[cells])
        common[i] = shared
        common_of_mode[i] = noise.mode_covariance(panel.days) * scale.common[cells][0] ** 2
        single = np.diag(shared) - (noise.season_sd * scale.common[cells][0]) ** 2
        in_common[cells] = single / (single + np.diagonal(own, axis1=1, axis2=2))
        in_mode[i] = np.minimum(np.diag(common_of_mode[i]) / np.maximum(single, 1e-300), 1.0)
    slope_sd = np.array([_slope_spread(panel, fleet, name) for name in names])
    together_sd = np.array([fleet.noise[name].slope_common_sd for name in names])
    blank = Design(
        distance=(panel.odometer_km - panel.odometer_km[0]) / KM,
        precision=precision,
        centre=centre,
        readings=readings,
        weighed=np.einsum("cij,cj->ci", precision, readings),
        learned=learned,
        shifts_to_learn=fleet.shifts_to_learn,
        columns={},
        common=common,
        common_of_mode=common_of_mode,
        sharing=together,
        slope_mean=np.array([_slope_mean(panel, fleet, name) for name in names])[signal],
        slope_precision=1.0 / (slope_sd[signal] ** 2 + _lone_slopes(panel, values.T, together) ** 2),
        slope_common=np.minimum(together_sd, 0.9 * slope_sd) ** 2,
        start_sd=_start_sd(panel, fleet),
        before=_before(np.where(used, values, np.nan)),
        use_spread=use.spread,
        in_common=in_common,
        in_mode=in_mode,
    )
    every = np.arange(len(panel.days))
    columns = {shapes: blank.placed(shapes, every, SHARE_AFTER) for shapes in (SUDDEN, SLOW)}
    return replace(blank, columns=columns)


def _slope_spread(panel: Panel, fleet: Fleet, name: str) -> float:
    """Prior spread of a cell's slope per 10 000 km from the first snapshot on.

    Generous for volumes, so that real wear is not shrunk away. Trims that all drift further than the fleet's
    do are rare, and are to be explained by a change.
    """
    noise = fleet.noise[name]
    if panel.profile.signal(name).per_pack:
        return max(4.0 * noise.slope_sd, 4.0 * abs(noise.slope), noise.sd)
    own = max(noise.slope_sd, 0.12 * noise.sd)
    return float(np.hypot(own, noise.slope_common_sd))


def _lone_slopes(panel: Panel, values: Floats, together: Sharing) -> Floats:
    """Slopes of cells that drift by themselves, far from the others of their signal and mode, (C,); else nil.

    One cell on its way to the end of its range is no change of the unit: it is to have a slope of its own.
    """
    x = np.where(np.isfinite(values), panel.odometer_km[:, None] / KM, np.nan)
    lone = np.zeros(values.shape[1])
    count = np.isfinite(values).sum(axis=0)
    x = np.nan_to_num(x - np.nansum(x, axis=0) / np.maximum(count, 1))
    slope = (x * np.nan_to_num(values)).sum(axis=0) / np.maximum((x**2).sum(axis=0), 1e-12)
    for cells in together.cells:
        told = cells[count[cells] > 2]
        if len(told) < LEAST_ALIKE:
            continue
        away = slope[told] - np.median(slope[told])
        usual = max(spread(away), 1e-12)
        lone[told] = np.where(np.abs(away) > LONE_SDS * usual, away, 0.0)
    return lone


def _slope_mean(panel: Panel, fleet: Fleet, name: str) -> float:
    """Prior mean of a cell's slope: a trim drifts as the fleet's do; of a pack nothing is expected."""
    return 0.0 if panel.profile.signal(name).per_pack else fleet.noise[name].slope


def _start_sd(panel: Panel, fleet: Fleet) -> Floats:
    """How far a cell may have been from its need at the first snapshot, (C,): less, the more it had learned.

    A controller starts from its base values, and a seldom-driven cell is on its way from there for months.
    """
    sd = np.array([fleet.noise[c.signal].sd for c in panel.cells])
    learned = panel.learn_counts[0] / fleet.shifts_to_learn
    # Where others have learned by then, none is none; all none says that nobody counted before it.
    known = np.isfinite(learned) & (np.nan_to_num(learned).max(initial=0.0) > 0.0)
    unlearned = np.where(known, START_SDS * np.exp(-np.where(known, learned, 0.0)), START_UNTOLD_SDS)
    return np.where([c.mode == "" for c in panel.cells], 0.0, unlearned * sd)


def _before(values: Floats) -> Floats:
    """What each cell (C, T) read before each snapshot, the last readings counting most."""
    before = np.zeros(values.shape)
    so_far = np.full(len(values), np.nan)
    for t in range(values.shape[1]):
        before[:, t] = so_far
        now = values[:, t]
        latest = np.where(np.isfinite(so_far), 0.5 * (so_far + now), now)
        so_far = np.where(np.isfinite(now), latest, so_far)
    return np.nan_to_num(before)


def _precision(covariance: Floats, used: Bools) -> Floats:
    """Give the inverse of the used readings' covariance for each cell, (C, T, T); zero for the others."""
    both = used[:, :, None] & used[:, None, :]
    masked = np.where(both, covariance, np.eye(covariance.shape[-1]))
    return np.asarray(np.where(both, np.linalg.inv(masked), 0.0))


def _learned(panel: Panel, shifts: Floats) -> Floats:
    """Shifts (T, C) learned from before each snapshot, (C, T); packs are measured afresh each time."""
    learned = shifts.T.copy()
    learned[:, :1] = 0.0
    learned[np.array([c.mode == "" for c in panel.cells])] = np.inf
    return np.asarray(learned)


def _counted(learned: Floats) -> Bools:
    """Cells that learn by repeats, (C,); packs are measured afresh."""
    return np.isfinite(learned[:, -1]) if learned.size else np.zeros(len(learned), dtype=bool)


def followed(need: Floats, learned: Floats, shifts_to_learn: float) -> Floats:
    """What cells show of a need (T, J) that moves all the time, each learning after it, (C, T, J)."""
    gain = 1.0 - np.exp(-learned / shifts_to_learn)
    shown = np.zeros((len(learned), *need.shape))
    for t in range(1, len(need)):
        before = shown[:, t - 1]
        shown[:, t] = before + gain[:, t, None] * (need[t] - before)
    return shown


def candidates(
    shapes: tuple[str, ...],
    learned: Floats,
    distance: Floats,
    shifts_to_learn: float,
    share: float | Floats,
    at: Indices,
) -> Floats:
    """Columns (S, C, T, len(at)) of SUDDEN or SLOW, for changes just before the snapshots `at`.

    `share` (one for all, or one for each) of the shifts between the two snapshots came after the change.
    """
    # Nothing can change before the first snapshot.
    first = np.where(at > 0, at, len(distance))
    after = np.greater_equal(np.arange(len(distance))[:, None], first[None, :])
    if shapes == SLOW:
        driven = np.maximum(distance[:, None] - distance[np.maximum(at - 1, 0)][None, :], 0.0)
        return followed(driven * after, learned, shifts_to_learn)[None]
    known = _counted(learned)
    repeats = np.where(known[:, None], learned, 0.0) / shifts_to_learn
    total: Floats = np.cumsum(repeats, axis=1)
    start = total[:, at] - share * repeats[:, at]
    since = np.maximum(total[:, :, None] - start[:, None, :], 0.0)
    step, left, late = columns = np.empty((len(SUDDEN), *since.shape))
    np.exp(-since, out=left)
    left *= after * known[:, None, None]
    np.subtract(after, left, out=step)
    np.multiply(since, left, out=late)
    return columns
