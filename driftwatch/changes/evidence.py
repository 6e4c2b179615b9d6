"""How much more likely the readings are with a change of some pattern than without it.

A `Pattern` says what a change may look like over the cells, as a Gaussian: a mean, a few shared magnitudes
(`basis`) and each cell's own deviation (`spread`). Given effect estimates with their covariance, the
log Bayes factor of the pattern against no change is a difference of two Gaussian log densities, computed
through the low rank of the shared parts (Woodbury identity).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from driftwatch.panel.panel import Cell, Floats

#: Variance that stands for "this cell says nothing".
UNTOLD = 1e30
#: So many variances are multiplied before their logarithm is taken: few enough for numbers up to UNTOLD.
AT_ONCE = 8
#: "No change" allows that readings are noisier at this place than elsewhere: the cells' own part of the
#: variance by one factor, the part that a signal's cells share by another, with these chances. So scatter
#: without a common direction is no evidence, nor are months that move one signal further than usual.
NOISIER = {
    (1.0, 1.0): 0.64,
    (1.4, 1.0): 0.12,
    (2.0, 1.0): 0.08,
    (3.0, 1.0): 0.04,
    (1.0, 4.0): 0.06,
    (1.0, 12.0): 0.01,
    (2.0, 6.0): 0.02,
    (6.0, 6.0): 0.015,
    (15.0, 15.0): 0.015,
}
#: Of values that were cleared a cell says no more than this (log Bayes factor) where so few or fewer say as
#: much, and no more than this share of those in which a usual jump would be so many standard deviations.
ODD_JUMP = 15.0
FEW_ODD = 3
FEW_SHARE = 0.25
TELLING_SDS = 3.0
#: Room above the scale that a change's estimated effects call for.
ROOM = 1.5


@dataclass(frozen=True)
class Jump:
    """What comes beside a change and is learned away again: values that were cleared in the same visit.

    Attributes
    ----------
    spread : array (C,)
        How far a cell may land from where it is expected to; 0 where nothing comes beside the change.
    to_zero : array (C,)
        1 where a cell is expected to jump to zero from what it read before, 0 where from nothing to nothing.
    share : float
        The part of what a cell read before that may be missing from such a jump.

    """

    spread: Floats
    to_zero: Floats
    share: float

    def prior(self, before: Floats) -> tuple[Floats, Floats]:
        """Mean and standard deviation of the jump (C, J) of cells that read `before` (C, J)."""
        mean = -self.to_zero[:, None] * before
        return mean, np.hypot(self.spread[:, None], self.share * mean)


@dataclass(frozen=True)
class Pattern:
    """A family of effects over cells that one change may have.

    Attributes
    ----------
    name : str
        Free for the caller, who alone knows what it stands for.
    kind : {"step", "bend", "renewal", "renewal elsewhere"}
        How it runs in time; see `driftwatch.changes.design`.
    basis : array (C, R)
        Effect = basis @ magnitudes, magnitudes independent standard normal.
    spread : array (C,)
        Standard deviation of each cell's own deviation.
    scales : tuple of float
        The family is a mixture over these multiples of basis and spread, equally likely.
    mean : array (C,)
        Mean effect (not scaled).
    jump : Jump, optional
        What comes beside the change (renewals); one and the same for all patterns of a kind.
    returns : bool
        Nothing stays but what comes beside the change: it is that, a jump and return.

    """

    name: str
    kind: str
    basis: Floats
    spread: Floats
    mean: Floats
    scales: tuple[float, ...] = (1.0, 3.0, 9.0)
    jump: Jump | None = None
    returns: bool = False

    @cached_property
    def sd(self) -> Floats:
        """Standard deviation of the effect in each cell at the scale 1, shape (C,)."""
        return np.asarray(np.sqrt(self.spread**2 + (self.basis**2).sum(axis=1)))

    @cached_property
    def largest(self) -> Floats:
        """Standard deviation of the effect in each cell at the largest scale, the mean added, shape (C,)."""
        return np.asarray(max(self.scales) * self.sd + np.abs(self.mean))

    def fitting(self, effect: Floats, effect_se: Floats) -> Floats:
        """Give the same at the scale that estimated effects (C,) call for, with room, shape (C,)."""
        weight = 1.0 / np.maximum(effect_se, 1e-12) ** 2
        square = (weight * (effect - self.mean) ** 2).sum() - len(effect)
        wanted = ROOM * np.sqrt(max(float(square), 0.0) / max(float((weight * self.sd**2).sum()), 1e-18))
        scale = min(max(wanted, min(self.scales)), max(self.scales))
        return np.asarray(scale * self.sd + np.abs(self.mean))


@dataclass(frozen=True)
class Stack:
    """Patterns of one number of scales as arrays, so that all are weighed at once.

    Attributes
    ----------
    basis : array (K, C, R)
        Zero columns fill up the patterns with fewer magnitudes.
    squared : array (K, C, R x R)
        Products of every two columns of the basis, cell by cell.
    spread, mean : array (K, C)
    scales : array (K, S)

    """

    basis: Floats
    squared: Floats
    spread: Floats
    mean: Floats
    scales: Floats


def stack(patterns: list[Pattern]) -> Stack:
    """Put patterns together that have the same number of scales."""
    widest = max(p.basis.shape[1] for p in patterns)
    basis = np.zeros((len(patterns), len(patterns[0].spread), widest))
    for row, pattern in zip(basis, patterns, strict=True):
        row[:, : pattern.basis.shape[1]] = pattern.basis
    return Stack(
        basis=basis,
        squared=(basis[..., :, None] * basis[..., None, :]).reshape(*basis.shape[:2], -1),
        spread=np.stack([p.spread for p in patterns]),
        mean=np.stack([p.mean for p in patterns]),
        scales=np.array([p.scales for p in patterns]),
    )


@dataclass(frozen=True, eq=False)
class Sharing:
    """Which cells share noise: those of one signal and mode, of one signal, and in part those of several.

    Attributes
    ----------
    signal : array of int (C,)
        Number of each cell's signal.
    group : array of int (C,)
        Number of each cell's signal and mode together.
    across : array (S, S)
        Correlation of what the modes of one signal share with what those of another do.

    """

    signal: NDArray[np.int64]
    group: NDArray[np.int64]
    across: Floats

    @cached_property
    def member(self) -> Floats:
        """1 where a cell is of a group, (C, G)."""
        return np.asarray(self.group[:, None] == np.arange(self.group.max(initial=-1) + 1), dtype=float)

    @cached_property
    def of_signal(self) -> Floats:
        """1 where a group is of a signal, (G, S)."""
        first = np.argmax(self.member, axis=0)
        every = np.arange(self.signal.max(initial=-1) + 1)
        return np.asarray(self.signal[first][:, None] == every, dtype=float)

    @cached_property
    def cells(self) -> list[NDArray[np.int64]]:
        """Numbers of the cells of each group."""
        return [np.flatnonzero(self.group == g) for g in range(self.member.shape[1])]

    @cached_property
    def places(self) -> list[slice | NDArray[np.int64]]:
        """The same as slices where a group's cells stand side by side, which need not be copied."""
        runs = [(here, slice(int(here[0]), int(here[-1]) + 1)) for here in self.cells]
        return [run if run.stop - run.start == len(here) else here for here, run in runs]

    def covariance(self, shared_sd: Floats, of_mode: Floats) -> Floats:
        """Covariance (C, C) of shared noise of standard deviations (C,), a part (G,) of it a mode's own."""
        across = np.sqrt(1.0 - of_mode)[self.group]
        factor = self.across[np.ix_(self.signal, self.signal)] * np.outer(across, across)
        factor = factor + np.where(self.group[:, None] == self.group, of_mode[self.group], 0.0)
        return np.asarray(factor * np.outer(shared_sd, shared_sd))


def sharing(cells: Sequence[Cell], across: Mapping[tuple[str, str], float]) -> Sharing:
    """Say which cells of a unit share noise; signals and modes are numbered in the order of their names.

    `across` has the correlation of two signals, nil where left out; see `driftwatch.panel.noise.Fleet`.
    """
    signals = sorted({c.signal for c in cells})
    groups = sorted({(c.signal, c.mode) for c in cells})
    return Sharing(
        np.array([signals.index(c.signal) for c in cells], dtype=np.int64),
        np.array([groups.index((c.signal, c.mode)) for c in cells], dtype=np.int64),
        np.array([[1.0 if a == b else across.get((a, b), 0.0) for b in signals] for a in signals]),
    )


@dataclass(frozen=True)
class Effects:
    """Estimates of one kind of change at every candidate snapshot.

    Attributes
    ----------
    estimate : array (J, C)
    own_var : array (J, C)
        Variance of the part of the error that is the cell's own; infinite where the cell says nothing.
    shared_sd : array (J, C)
        Standard deviation of the part of the error that the signal's cells share.
    of_mode : array (J, G)
        The part of that variance which the cells of each signal and mode share only with each other.
    bonus : array (J,)
        Log Bayes factor of what comes with the change beside its effect (the clearing of a renewal); else 0.

    """

    estimate: Floats
    own_var: Floats
    shared_sd: Floats
    of_mode: Floats
    bonus: Floats

    def at(self, candidates: NDArray[np.int64]) -> Effects:
        """Give the estimates at some of the candidates only."""
        parts = (self.estimate, self.own_var, self.shared_sd, self.of_mode, self.bonus)
        return Effects(*(part[candidates] for part in parts))


def log_factors(effects: Effects, patterns: Sequence[Stack], sharing: Sharing) -> Floats:
    """Log Bayes factor of each pattern, stack after stack, against no change at each candidate, (K, J)."""
    own = np.minimum(effects.own_var, UNTOLD)
    null = _null_densities(effects, effects.shared_sd, own, sharing)
    marginal = [_marginal(effects, part, own, sharing) for part in patterns]
    return np.concatenate(marginal) - null + effects.bonus


def _marginal(effects: Effects, patterns: Stack, own: Floats, sharing: Sharing) -> Floats:
    """Log density of the estimates under each pattern, averaged over its scales, (K, J)."""
    scale = patterns.scales[:, :, None, None]
    spread = (scale * patterns.spread[:, None, None, :]) ** 2
    density = _log_densities(
        effects.estimate - patterns.mean[:, None, None, :],
        effects.shared_sd,
        effects.of_mode,
        own + spread,
        sharing,
        patterns.basis,
        patterns.squared,
        np.broadcast_to(scale[..., 0], (*patterns.scales.shape, len(own))),
    )
    return np.asarray(np.logaddexp.reduce(density, axis=1) - np.log(patterns.scales.shape[1]))


def jump_correction(jump: Effects, expected: Floats, spread: Floats, sharing: Sharing) -> Floats:
    """What is to be added to the log Bayes factor of jumps that takes every cell by itself, (J,).

    The jumps are expected at `expected`, give or take `spread` (J, C). What all cells of a signal do together
    may be noise that they share, and a few that say much, where all others say nothing, are odd readings.
    """
    told = jump.own_var < UNTOLD
    own = np.minimum(jump.own_var, UNTOLD)
    there = replace(jump, estimate=jump.estimate - expected)
    free = np.where(told, own + spread**2, UNTOLD)
    together = _null_densities(there, jump.shared_sd, free, sharing)
    together = together - _null_densities(jump, jump.shared_sd, own, sharing)
    own = np.where(told, own + jump.shared_sd**2, UNTOLD)
    free = np.where(told, own + spread**2, UNTOLD)
    apart = 0.5 * (np.log(own / free) + jump.estimate**2 / own - there.estimate**2 / free)
    telling = told & (expected**2 + spread**2 > TELLING_SDS**2 * own)
    few = (apart > ODD_JUMP).sum(axis=-1) <= np.minimum(FEW_ODD, FEW_SHARE * telling.sum(axis=-1))
    odd = np.where(few[:, None], np.maximum(apart - ODD_JUMP, 0.0), 0.0)
    return np.asarray(together - (apart + odd).sum(axis=-1))


def noisier_factor(effects: Effects, sharing: Sharing) -> Floats:
    """Log Bayes factor of "no change, but perhaps noisier here" against plain "no change", shape (J,)."""
    own = np.minimum(effects.own_var, UNTOLD)
    factor, shared = np.array(list(NOISIER)).T[:, :, None, None]
    louder = _null_densities(
        effects,
        np.sqrt(shared) * effects.shared_sd,
        np.where(own < UNTOLD, factor * own, UNTOLD),
        sharing,
    )
    chance = np.log(list(NOISIER.values()))[:, None]
    plain = louder[list(NOISIER).index((1.0, 1.0))]
    return np.asarray(np.logaddexp.reduce(chance + louder) - plain)


@dataclass(frozen=True)
class _Shared:
    """What the shared noise takes off sums over cells that are weighed by the cells' own variance.

    With W the inverse of the own variances, h the standard deviations of what is shared, f the part of it
    that a group has for itself and r the correlation of two signals, the covariance is own + sum over groups
    of f h h' + sum over every two signals of r (1 - f) h h'. By the Woodbury identity, first for the groups
    and then for the signals,

        x' inverse y = x' W y - sum over groups of u(x) u(y) - sum over every two signals of v(x) across v(y).

    Attributes
    ----------
    of_group, into_signal : array (..., G)
        Factors of the projections h' W x of each group: for u, and for what is summed up over a signal to v.
    across : array (..., S, S)
        Inverse of the sum of the inverse of r and the mass of each signal.
    log_size : array (...)
        Log determinant of the covariance without that of the own variances.

    """

    of_group: Floats
    into_signal: Floats
    across: Floats
    log_size: Floats


def _shared(mass: Floats, of_mode: Floats, sharing: Sharing) -> _Shared:
    """Give the factors for h' W h of each group, `mass` (..., G), and the groups' own part (..., G) of it."""
    inner = 1.0 + of_mode * mass
    rest = np.sqrt(1.0 - of_mode)
    of_signal = ((1.0 - of_mode) * mass / inner) @ sharing.of_signal
    # The signals' masses are put in one after the other, by Sherman and Morrison's formula.
    across = np.empty((*sharing.across.shape, *of_signal.shape[:-1]))
    across.T[...] = sharing.across
    grown = np.ones(of_signal.shape[:-1])
    for s, own in enumerate(np.moveaxis(of_signal, -1, 0)):
        by = 1.0 + own * across[s, s]
        row = across[s] / by
        across -= across[:, s, None] * (own * row)
        across[s] = across[:, s] = row
        grown *= by
    return _Shared(
        of_group=np.sqrt(of_mode / inner),
        into_signal=rest / inner,
        across=np.moveaxis(across, (0, 1), (-2, -1)),
        log_size=np.log(inner).sum(axis=-1) + np.log(grown),
    )


def _log_product(variance: Floats) -> Floats:
    """Log of the product over the last axis; of AT_ONCE factors at a time, which is quicker than of each."""
    factors = np.multiply.reduceat(variance, np.arange(0, variance.shape[-1], AT_ONCE), axis=-1)
    return np.asarray(np.log(factors).sum(axis=-1))


def _null_densities(effects: Effects, shared_sd: Floats, own: Floats, sharing: Sharing) -> Floats:
    """Log density of the estimates where there is no change: noise, part of it shared, shape (..., J).

    `shared_sd` and `own` are (..., J, C).
    """
    weight = 1.0 / own
    pull = weight * shared_sd
    shared = _shared((pull * shared_sd) @ sharing.member, effects.of_mode, sharing)
    projected = (pull * effects.estimate) @ sharing.member
    over = (shared.into_signal * projected) @ sharing.of_signal
    taken = ((shared.of_group * projected) ** 2).sum(axis=-1)
    taken = taken + np.einsum("...s,...st,...t->...", over, shared.across, over)
    quadratic = (weight * effects.estimate**2).sum(axis=-1) - taken
    return np.asarray(-0.5 * (quadratic + _log_product(own) + shared.log_size))


def _log_densities(
    deviation: Floats,
    shared_sd: Floats,
    of_mode: Floats,
    variance: Floats,
    sharing: Sharing,
    basis: Floats,
    squared: Floats,
    scale: Floats,
) -> Floats:
    """Log N(deviation; 0, diag(variance) + shared noise + scale^2 basis basis'), up to a constant.

    Shapes: `deviation` (K, 1, J, C), `shared_sd` (J, C), `of_mode` (J, G), `variance` (K, S, J, C), `scale`
    (K, S, J); result (K, S, J). The shared noise is taken off in closed form; what is left is a matrix of
    the size of the basis, bordered with the projections, so that its Cholesky factor holds the solved
    projections as well.
    """
    kinds, scales, count, cells = variance.shape
    magnitudes = basis.shape[2]
    flat = (kinds, scales * count, cells)
    weight = 1.0 / variance
    pull, weighted = weight * shared_sd, weight * deviation
    by_group = np.tile(of_mode, (scales, 1))
    shared = _shared((pull * shared_sd).reshape(flat) @ sharing.member, by_group, sharing)
    times = scale.reshape(kinds, -1, 1)
    # Projections of the basis, and of the deviation as its last column, on what each group shares.
    projected = np.empty((kinds, scales * count, len(sharing.cells), magnitudes + 1))
    projected[..., magnitudes] = (pull * deviation).reshape(flat) @ sharing.member
    pull = pull.reshape(flat)
    for g, here in enumerate(sharing.places):
        projected[:, :, g, :magnitudes] = times * (pull[..., here] @ basis[:, here])
    over = sharing.of_signal.T @ (shared.into_signal[..., None] * projected)
    own = shared.of_group[..., None] * projected
    inner = -np.swapaxes(np.concatenate([own, over], axis=2), 2, 3)
    inner = inner @ np.concatenate([own, shared.across @ over], axis=2)
    block = (weight.reshape(flat) @ squared).reshape(kinds, -1, magnitudes, magnitudes)
    inner[..., :magnitudes, :magnitudes] += times[..., None] ** 2 * block
    every = np.arange(magnitudes)
    inner[..., every, every] += 1.0
    inner[..., magnitudes, :magnitudes] += times * (weighted.reshape(flat) @ basis)
    quadratic = (weighted * deviation).sum(axis=-1).reshape(kinds, -1) + inner[..., magnitudes, magnitudes]
    # The inner matrix is at least the identity, so this corner keeps the bordered one positive definite.
    inner[..., magnitudes, magnitudes] = (inner[..., magnitudes, :magnitudes] ** 2).sum(axis=-1) + 1.0
    factor = np.linalg.cholesky(inner)
    quadratic -= (factor[..., magnitudes, :magnitudes] ** 2).sum(axis=-1)
    log_inner = 2.0 * np.log(factor[..., every, every]).sum(axis=-1)
    log_variance = _log_product(variance).reshape(kinds, -1)
    log_size = log_variance + log_inner + shared.log_size
    return np.asarray(-0.5 * (quadratic + log_size)).reshape(kinds, scales, count)
