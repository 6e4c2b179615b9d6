"""How much more likely the readings are with a change of some pattern than without it.

A `Pattern` says what a change may look like over the cells, as a Gaussian: a mean, a few shared magnitudes
(`basis`) and each cell's own deviation (`spread`). Given effect estimates with their covariance, the
log Bayes factor of the pattern against no change is a difference of two Gaussian log densities, computed
through the low rank of the shared parts (Woodbury identity).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import logsumexp

from driftwatch.panel.panel import Floats


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


def log_factors(effects: Effects, pattern: Pattern, signal: np.typing.NDArray[np.int64]) -> Floats:
    """Log Bayes factor of the pattern against no change at each candidate, shape (J,)."""
    shared = _shared_columns(effects.shared_sd, signal)
    null = _log_density(effects.estimate, effects.own_var, shared)
    deviation = effects.estimate - pattern.mean
    terms = []
    for scale in pattern.scales:
        basis = np.broadcast_to(scale * pattern.basis, (len(shared), *pattern.basis.shape))
        variance = effects.own_var + (scale * pattern.spread) ** 2
        terms.append(_log_density(deviation, variance, np.concatenate([shared, basis], axis=2)))
    return np.asarray(logsumexp(np.stack(terms), axis=0) - np.log(len(terms)) - null)


def _shared_columns(shared_sd: Floats, signal: np.typing.NDArray[np.int64]) -> Floats:
    """One column a signal, holding the shared error of its cells: (J, C, S)."""
    member = signal[:, None] == np.arange(signal.max(initial=-1) + 1)
    return np.asarray(shared_sd[:, :, None] * member)


def _log_density(deviation: Floats, variance: Floats, columns: Floats) -> Floats:
    """Log N(deviation; 0, diag(variance) + columns columns'), up to the constant, for each of J."""
    weight = np.where(np.isfinite(variance), 1.0 / variance, 0.0)
    log_det = np.where(np.isfinite(variance), np.log(np.where(np.isfinite(variance), variance, 1.0)), 0.0)
    weighted = columns * weight[:, :, None]
    inner = np.swapaxes(columns, 1, 2) @ weighted + np.eye(columns.shape[2])
    projected = np.einsum("jcr,jc->jr", weighted, deviation)
    solved = np.linalg.solve(inner, projected[:, :, None])[:, :, 0]
    quadratic = (weight * deviation**2).sum(axis=1) - (projected * solved).sum(axis=1)
    return np.asarray(-0.5 * (quadratic + log_det.sum(axis=1) + np.linalg.slogdet(inner)[1]))
