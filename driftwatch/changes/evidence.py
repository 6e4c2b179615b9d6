"""How much more likely the readings are with a change of some pattern than without it.

A `Pattern` says what a change may look like over the cells, as a Gaussian: a mean, a few shared magnitudes
(`basis`) and each cell's own deviation (`spread`). Given effect estimates with their covariance, the
log Bayes factor of the pattern against no change is a difference of two Gaussian log densities, computed
through the low rank of the shared parts (Woodbury identity).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import logsumexp

from driftwatch.panel.panel import Floats

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
    kind : {"step", "transient", "bend"}
        Shape in time.
    basis : array (C, R)
        Effect = basis @ magnitudes, magnitudes independent standard normal.
    spread : array (C,)
        Standard deviation of each cell's own deviation.
    scales : tuple of float
        The family is a mixture over these multiples of basis and spread, equally likely.
    mean : array (C,)
        Mean effect (not scaled).
    late : array (C,)
        How far, beyond a share of its size, the change's course of arrival is free in each cell.

    """

    name: str
    kind: str
    basis: Floats
    spread: Floats
    mean: Floats
    late: Floats
    scales: tuple[float, ...] = (1.0, 3.0, 9.0)


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

    """

    estimate: Floats
    own_var: Floats
    shared_sd: Floats

    def at(self, candidates: NDArray[np.int64]) -> Effects:
        """Give the estimates at some of the candidates only."""
        return Effects(self.estimate[candidates], self.own_var[candidates], self.shared_sd[candidates])

    def shared_columns(self, signal: NDArray[np.int64]) -> Floats:
        """One column a signal, holding the shared error of its cells: (J, C, S)."""
        member = signal[:, None] == np.arange(signal.max(initial=-1) + 1)
        return np.asarray(self.shared_sd[:, :, None] * member)


def log_factors(effects: Effects, patterns: list[Pattern], signal: NDArray[np.int64]) -> Floats:
    """Log Bayes factor of each pattern against no change at each candidate, shape (K, J).

    The shared part of the error is in both; the cell's own part may be larger under no change (`NOISIER`).
    """
    shared = effects.shared_columns(signal)
    null = logsumexp(
        np.stack(
            [
                np.log(chance) + _log_density(effects.estimate, noisier * effects.own_var, shared)
                for noisier, chance in NOISIER.items()
            ]
        ),
        axis=0,
    )
    return np.stack([_marginal(effects, pattern, shared) for pattern in patterns]) - null


def _marginal(effects: Effects, pattern: Pattern, shared: Floats) -> Floats:
    """Log marginal density of the estimates under a pattern, averaged over its scales, shape (J,)."""
    deviation = effects.estimate - pattern.mean
    terms = []
    for scale in pattern.scales:
        basis = np.broadcast_to(scale * pattern.basis, (len(shared), *pattern.basis.shape))
        variance = effects.own_var + (scale * pattern.spread) ** 2
        terms.append(_log_density(deviation, variance, np.concatenate([shared, basis], axis=2)))
    return np.asarray(logsumexp(np.stack(terms), axis=0) - np.log(len(terms)))


def _log_density(deviation: Floats, variance: Floats, columns: Floats) -> Floats:
    """Log N(deviation; 0, diag(variance) + columns columns'), up to the constant, for each of J."""
    weight = np.where(np.isfinite(variance), 1.0 / variance, 0.0)
    log_det = np.where(np.isfinite(variance), np.log(np.where(np.isfinite(variance), variance, 1.0)), 0.0)
    weighted = columns * weight[:, :, None]
    inner = np.swapaxes(columns, 1, 2) @ weighted + np.eye(columns.shape[2])
    projected = np.swapaxes(weighted, 1, 2) @ deviation[:, :, None]
    factor = np.linalg.cholesky(inner)
    solved = np.linalg.solve(factor, projected)[:, :, 0]
    quadratic = (weight * deviation**2).sum(axis=1) - (solved**2).sum(axis=1)
    log_inner = 2.0 * np.log(np.diagonal(factor, axis1=1, axis2=2)).sum(axis=1)
    return np.asarray(-0.5 * (quadratic + log_det.sum(axis=1) + log_inner))
