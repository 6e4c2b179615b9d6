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
#: "No change" allows that readings are noisier at this place than elsewhere, by these factors of the
#: variance, with these chances; so that scatter alone, without a common direction, is no evidence.
NOISIER = {1.0: 0.7, 1.4: 0.15, 2.0: 0.1, 3.0: 0.05}


@dataclass(frozen=True)
class Pattern:
    """A family of effects over cells that one change may have.

    Attributes
    ----------
    name : str
        Free for the caller, who alone knows what it stands for.
    kind : {"step", "bend", "renewal", "clearing"}
        How it runs in time; see `driftwatch.changes.design`.
    basis : array (C, R)
        Effect = basis @ magnitudes, magnitudes independent standard normal.
    spread : array (C,)
        Standard deviation of each cell's own deviation.
    scales : tuple of float
        The family is a mixture over these multiples of basis and spread, equally likely.
    mean : array (C,)
        Mean effect (not scaled).
    late : array (C,)
        Size in each cell of what comes beside the change (renewal, clearing); 0 where nothing does.

    """

    name: str
    kind: str
    basis: Floats
    spread: Floats
    mean: Floats
    late: Floats
    scales: tuple[float, ...] = (1.0, 3.0, 9.0)

    @cached_property
    def squared(self) -> Floats:
        """Products of every two columns of the basis, cell by cell, shape (C, R x R)."""
        return np.asarray((self.basis[:, :, None] * self.basis[:, None, :]).reshape(len(self.basis), -1))


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


def log_factors(effects: Effects, patterns: list[Pattern], signal: NDArray[np.int64]) -> Floats:
    """Log Bayes factor of each pattern against no change at each candidate, shape (K, J)."""
    own = np.minimum(effects.own_var, UNTOLD)
    null = _null_density(effects, own, signal)
    factors = [_marginal(effects, own, pattern, signal) for pattern in patterns]
    return np.stack(factors) - null + effects.bonus


def noisier_factor(effects: Effects, signal: NDArray[np.int64]) -> Floats:
    """Log Bayes factor of "no change, but perhaps noisier here" against plain "no change", shape (J,).

    The cell's own part of the error may be larger by the factors in `NOISIER`; the shared part is as it is.
    """
    own = np.minimum(effects.own_var, UNTOLD)
    plain = _null_density(effects, own, signal)
    louder = [
        np.log(chance) + _null_density(effects, np.where(own < UNTOLD, factor * own, UNTOLD), signal)
        for factor, chance in NOISIER.items()
    ]
    return np.asarray(np.logaddexp.reduce(louder) - plain)


def _null_density(effects: Effects, own: Floats, signal: NDArray[np.int64]) -> Floats:
    none = np.empty((own.shape[1], 0))
    return _log_density(effects.estimate, effects.shared_sd, own, signal, none, none, np.ones(len(own)))


def _marginal(effects: Effects, own: Floats, pattern: Pattern, signal: NDArray[np.int64]) -> Floats:
    """Log marginal density of the estimates under a pattern, averaged over its scales, shape (J,)."""
    scales = pattern.scales
    deviation = np.tile(effects.estimate - pattern.mean, (len(scales), 1))
    shared = np.tile(effects.shared_sd, (len(scales), 1))
    variance = np.concatenate([own + (scale * pattern.spread) ** 2 for scale in scales])
    scale = np.repeat(scales, len(own))
    density = _log_density(deviation, shared, variance, signal, pattern.basis, pattern.squared, scale)
    return np.asarray(np.logaddexp.reduce(density.reshape(len(scales), -1)) - np.log(len(scales)))


def _log_density(
    deviation: Floats,
    shared: Floats,
    variance: Floats,
    signal: NDArray[np.int64],
    basis: Floats,
    squared: Floats,
    scale: Floats,
) -> Floats:
    """Log N(deviation; 0, diag(variance) + shared shared' + scale^2 basis basis'), up to a constant, (N,).

    `deviation`, `shared` and `variance` are (N, C). The shared part has one column a signal, so its own
    block of the inner matrix is diagonal, and every block is a plain matrix product over cells.
    """
    count, magnitudes, signals = len(deviation), basis.shape[1], int(signal.max(initial=-1)) + 1
    size = signals + magnitudes
    weight = 1.0 / variance
    by_shared, weighted = weight * shared, weight * deviation
    inner = np.zeros((count, size, size))
    projected = np.empty((count, size))
    together, both = by_shared * shared, by_shared * deviation
    for s in range(signals):
        cells = signal == s
        inner[:, s, s] = together[:, cells].sum(axis=1)
        projected[:, s] = both[:, cells].sum(axis=1)
        inner[:, s, signals:] = scale[:, None] * (by_shared[:, cells] @ basis[cells])
    inner[:, signals:, :signals] = np.swapaxes(inner[:, :signals, signals:], 1, 2)
    block = (weight @ squared).reshape(count, magnitudes, magnitudes)
    inner[:, signals:, signals:] = scale[:, None, None] ** 2 * block
    every = np.arange(size)
    inner[:, every, every] += 1.0
    projected[:, signals:] = scale[:, None] * (weighted @ basis)
    factor = np.linalg.cholesky(inner)
    solved = np.linalg.solve(factor, projected[:, :, None])[:, :, 0]
    quadratic = (weighted * deviation).sum(axis=1) - (solved**2).sum(axis=1)
    log_inner = 2.0 * np.log(np.diagonal(factor, axis1=1, axis2=2)).sum(axis=1)
    return np.asarray(-0.5 * (quadratic + np.log(variance).sum(axis=1) + log_inner))
