"""One signature from many logged events: a direction over groups of cells, and a magnitude an event.

Of every event the mean change of each group of cells is known, with its noise. The model of an event that
acted is

    change = magnitude x direction + noise,  magnitude ~ N(mean, spread^2),  direction ~ N(0, expected),

and of one that did not, noise alone. Direction, mean and spread are estimated by expectation maximisation,
each event counting as far as it is believed; and it is believed as far as its change looks like what the
others show, or like what the general family of the cause allows, against no effect and all other causes.
So events too small to be believed alone are believed together, where they all point the same way.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.special import expit, logit

from driftwatch.panel.panel import Bools, Floats

#: Rounds of the estimation; it settles after a few.
ROUNDS = 12
#: Share of a cause's prior odds that goes to what was learned; the rest stays with the general family.
LEARNED_SHARE = 0.6
#: Least spread of the magnitudes, as a share of their mean: a few events show less than there is.
SIZES_DIFFER = 0.3
#: How far units of one fleet differ, as a share of the direction, and at least in multiples of noise.
CELLS_DIFFER = 0.3
LEAST_SPREAD = 0.1


@dataclass(frozen=True)
class Entries:
    """What E logged events of one kind changed, over G groups of cells, in multiples of noise.

    Attributes
    ----------
    change : array (E, G)
        Mean change of each group's cells; 0 where the group was not read.
    count : array (E, G)
        How many of its cells were read.
    noise : array (E, G, G)
        Covariance of the changes by noise alone; the identity's rows where a group was not read.
    general : array (E,)
        Log Bayes factor of the general families of what was logged, against no effect.
    otherwise : array (E,)
        The same of all else that the change may be, no effect among it.

    """

    change: Floats
    count: Floats
    noise: Floats
    general: Floats
    otherwise: Floats

    @cached_property
    def told(self) -> Bools:
        """Whether a group was read at an event, (E, G)."""
        return np.asarray(self.count > 0)

    @cached_property
    def precision(self) -> Floats:
        """Inverse of the noise covariances, 0 where a group was not read, (E, G, G)."""
        both = self.told[:, :, None] & self.told[:, None, :]
        return np.asarray(np.where(both, np.linalg.inv(self.noise), 0.0))


@dataclass(frozen=True)
class Signature:
    """Direction (G,) of root mean square one with its standard error (G,), and the magnitudes along it."""

    direction: Floats
    error: Floats
    magnitude: float
    spread: float


def fit_signature(entries: Entries, expected: Floats, right: float) -> tuple[Signature, Floats]:
    """Give the signature of the events, and each one's log evidence of having acted, (E,).

    Parameters
    ----------
    entries : Entries
        What the events changed.
    expected : array (G, G)
        Prior covariance of the direction, up to a factor.
    right : float
        Chance that an entry acted, before its readings are seen.

    """
    expected = expected / np.mean(np.diagonal(expected))
    belief = believed(entries.general - entries.otherwise, right)
    signature = _first(entries, expected, belief)
    evidence = entries.general - entries.otherwise
    for _ in range(ROUNDS):
        signature = _improved(entries, expected, belief, signature)
        learned = np.log(LEARNED_SHARE) + _log_factors(entries, signature)
        evidence = np.logaddexp(np.log(1.0 - LEARNED_SHARE) + entries.general, learned) - entries.otherwise
        belief = believed(evidence, right)
    return signature, evidence


def believed(evidence: Floats, right: float) -> Floats:
    """Probability that each of some entries acted, if a share `right` of all does."""
    return np.asarray(expit(logit(right) + evidence))


def _first(entries: Entries, expected: Floats, belief: Floats) -> Signature:
    """Begin with the direction that the general family has by itself."""
    direction = np.sqrt(np.diagonal(expected))
    pull, mass = _along(entries, direction)
    sizes = pull / np.maximum(mass, 1e-9)
    mean = float(np.average(sizes, weights=belief))
    spread = float(np.sqrt(np.average((sizes - mean) ** 2, weights=belief)))
    return Signature(direction, np.zeros(len(direction)), mean, max(spread, 1e-3))


def _along(entries: Entries, direction: Floats) -> tuple[Floats, Floats]:
    """Score and information of each event's magnitude along a direction, (E,) both."""
    projected = entries.precision @ direction
    return (projected * entries.change).sum(axis=1), projected @ direction


def _improved(entries: Entries, expected: Floats, belief: Floats, now: Signature) -> Signature:
    """One round: the magnitudes given the direction, their distribution, the direction given them."""
    pull, mass = _along(entries, now.direction)
    variance = 1.0 / (1.0 / now.spread**2 + mass)
    size = variance * (now.magnitude / now.spread**2 + pull)
    mean = float(np.average(size, weights=belief))
    spread = float(np.sqrt(np.average((size - mean) ** 2 + variance, weights=belief)))
    precision = entries.precision
    information = np.einsum("e,egh->gh", belief * (size**2 + variance), precision)
    covariance = np.linalg.inv(np.linalg.inv(expected) + information)
    score = np.einsum("e,egh,eh->g", belief * size, precision, entries.change)
    direction = covariance @ score
    scale = max(float(np.sqrt(np.mean(direction**2))), 1e-9)
    return Signature(
        direction=direction / scale,
        error=np.sqrt(np.diagonal(covariance)) / scale,
        magnitude=mean * scale,
        spread=max(float(np.hypot(spread, SIZES_DIFFER * mean)) * scale, 1e-3),
    )


def _log_factors(entries: Entries, signature: Signature) -> Floats:
    """Log Bayes factor of each event being what was learned against no effect, (E,)."""
    direction = np.where(entries.told, signature.direction, 0.0)
    size = float(np.hypot(signature.magnitude, signature.spread))
    apart = (CELLS_DIFFER * size * direction) ** 2 / np.maximum(entries.count, 1.0)
    own = np.where(entries.told, (size * signature.error) ** 2 + apart + LEAST_SPREAD**2, 0.0)
    covariance = entries.noise + signature.spread**2 * direction[:, :, None] * direction[:, None, :]
    groups = np.arange(direction.shape[1])
    covariance[:, groups, groups] += own
    with_it = _log_density(entries.change - signature.magnitude * direction, covariance)
    return np.asarray(with_it - _log_density(entries.change, entries.noise))


def _log_density(deviation: Floats, covariance: Floats) -> Floats:
    """Log density of N(0, covariance) at each deviation (E, G), up to a constant."""
    factor = np.linalg.cholesky(covariance)
    left = np.linalg.solve(factor, deviation[:, :, None])[:, :, 0]
    size = np.log(np.diagonal(factor, axis1=1, axis2=2)).sum(axis=1)
    return np.asarray(-0.5 * (left**2).sum(axis=1) - size)
