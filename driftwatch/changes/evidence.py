"""How much more likely the readings are with a change of some pattern than without it.

A `Pattern` says what a change may look like over the cells, as a Gaussian: a mean, a few shared magnitudes
(`basis`) and each cell's own deviation (`spread`). Given effect estimates with their covariance, the
log Bayes factor of the pattern against no change is a difference of two Gaussian log densities, computed
through the low rank of the shared parts (Woodbury identity).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from driftwatch.panel.panel import Floats

#: Variance that stands for "this cell says nothing".
UNTOLD = 1e30
#: "No change" allows that readings are noisier at this place than elsewhere: the cells' own part of the
#: variance by one factor, the part that a signal's cells share by another, with these chances. So scatter
#: without a common direction is no evidence, nor is a season that moves one signal further than usual.
NOISIER = {
    (1.0, 1.0): 0.57,
    (1.4, 1.0): 0.12,
    (2.0, 1.0): 0.08,
    (3.0, 1.0): 0.04,
    (1.0, 4.0): 0.08,
    (1.0, 12.0): 0.04,
    (2.0, 6.0): 0.04,
    (6.0, 6.0): 0.015,
    (15.0, 15.0): 0.015,
}
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
    bonus : array (J,)
        Log Bayes factor of what comes with the change beside its effect (the clearing of a renewal); else 0.

    """

    estimate: Floats
    own_var: Floats
    shared_sd: Floats
    bonus: Floats

    def at(self, candidates: NDArray[np.int64]) -> Effects:
        """Give the estimates at some of the candidates only."""
        parts = (self.estimate, self.own_var, self.shared_sd, self.bonus)
        return Effects(*(part[candidates] for part in parts))


def log_factors(effects: Effects, patterns: Stack, signal: NDArray[np.int64]) -> Floats:
    """Log Bayes factor of each pattern against no change at each candidate, shape (K, J)."""
    own = np.minimum(effects.own_var, UNTOLD)
    scale = patterns.scales[:, :, None, None]
    spread = (scale * patterns.spread[:, None, None, :]) ** 2
    density = _log_densities(
        effects.estimate - patterns.mean[:, None, None, :],
        effects.shared_sd,
        own + spread,
        signal,
        patterns.basis,
        patterns.squared,
        np.broadcast_to(scale[..., 0], (*patterns.scales.shape, len(own))),
    )
    marginal = np.logaddexp.reduce(density, axis=1) - np.log(patterns.scales.shape[1])
    null = _null_densities(effects.estimate, effects.shared_sd, own, signal)
    return np.asarray(marginal - null + effects.bonus)


def noisier_factor(effects: Effects, signal: NDArray[np.int64]) -> Floats:
    """Log Bayes factor of "no change, but perhaps noisier here" against plain "no change", shape (J,)."""
    own = np.minimum(effects.own_var, UNTOLD)
    factor, shared = np.array(list(NOISIER)).T[:, :, None, None]
    louder = _null_densities(
        effects.estimate,
        np.sqrt(shared) * effects.shared_sd,
        np.where(own < UNTOLD, factor * own, UNTOLD),
        signal,
    )
    chance = np.log(list(NOISIER.values()))[:, None]
    plain = _null_densities(effects.estimate, effects.shared_sd, own, signal)
    return np.asarray(np.logaddexp.reduce(chance + louder) - plain)


def _null_densities(estimate: Floats, shared_sd: Floats, own: Floats, signal: NDArray[np.int64]) -> Floats:
    """Log density of the estimates where there is no change: noise, part of it shared, shape (..., J).

    All are (..., J, C). The cells of different signals share nothing, so the inner matrix of the identity is
    diagonal.
    """
    member = (signal[:, None] == np.arange(signal.max(initial=-1) + 1)).astype(float)
    weight = 1.0 / own
    pull = weight * shared_sd
    inner = 1.0 + (pull * shared_sd) @ member
    projected = (pull * estimate) @ member
    quadratic = (weight * estimate**2).sum(axis=-1) - (projected**2 / inner).sum(axis=-1)
    return np.asarray(-0.5 * (quadratic + np.log(own).sum(axis=-1) + np.log(inner).sum(axis=-1)))


def _log_densities(
    deviation: Floats,
    shared: Floats,
    variance: Floats,
    signal: NDArray[np.int64],
    basis: Floats,
    squared: Floats,
    scale: Floats,
) -> Floats:
    """Log N(deviation; 0, diag(variance) + shared shared' + scale^2 basis basis'), up to a constant.

    Shapes: `deviation` (K, 1, J, C), `shared` (J, C), `variance` (K, S, J, C), `scale` (K, S, J); result
    (K, S, J). The shared part has one column a signal, so its own block of the inner matrix is diagonal, and
    every block is a plain matrix product over cells. The matrix is bordered with the projections, so that
    its Cholesky factor holds the solved projections as well.
    """
    kinds, scales, count, cells = variance.shape
    magnitudes, signals = basis.shape[2], int(signal.max(initial=-1)) + 1
    size = signals + magnitudes
    flat = (kinds, scales * count, cells)
    weight = 1.0 / variance
    by_shared, weighted = weight * shared, weight * deviation
    inner = np.zeros((kinds, scales * count, size + 1, size + 1))
    member = (signal[:, None] == np.arange(signals)).astype(float)
    every = np.arange(size)
    inner[..., every[:signals], every[:signals]] = (by_shared * shared).reshape(flat) @ member
    inner[..., size, :signals] = (by_shared * deviation).reshape(flat) @ member
    times = scale.reshape(kinds, -1, 1)
    inner[..., size, signals:size] = times * (weighted.reshape(flat) @ basis)
    by_shared = by_shared.reshape(flat)
    for s in range(signals):
        here = np.flatnonzero(signal == s)
        inner[..., signals:size, s] = times * (by_shared[..., here] @ basis[:, here])
    block = (weight.reshape(flat) @ squared).reshape(kinds, -1, magnitudes, magnitudes)
    inner[..., signals:size, signals:size] = times[..., None] ** 2 * block
    inner[..., every, every] += 1.0
    # The inner matrix is at least the identity, so this corner keeps the bordered one positive definite.
    border = inner[..., size, :size]
    inner[..., size, size] = (border**2).sum(axis=-1) + 1.0
    factor = np.linalg.cholesky(inner)
    quadratic = (weighted * deviation).sum(axis=-1).reshape(kinds, -1)
    quadratic -= (factor[..., size, :size] ** 2).sum(axis=-1)
    log_inner = 2.0 * np.log(factor[..., every, every]).sum(axis=-1)
    log_variance = np.log(variance).sum(axis=-1).reshape(kinds, -1)
    return np.asarray(-0.5 * (quadratic + log_variance + log_inner)).reshape(kinds, scales, count)
