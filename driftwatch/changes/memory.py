"""Noise with memory in one series: neighbours are correlated, and the more so the closer they are.

The noise is a stationary AR(1) process, or, where readings are unevenly spaced, the Ornstein-Uhlenbeck
process that it is part of: two readings at a distance of `gap` have correlation `memory ** gap`, with gaps
counted in the median gap of the series. `memory` is then the correlation of two neighbours at the usual
distance.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import log, pi

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize_scalar

Floats = NDArray[np.float64]

#: Longest memory considered. What wanders more slowly than this is called a change rather than noise.
LONGEST = 0.85


@dataclass(frozen=True)
class Whitener:
    """Turns readings with memory into independent ones of the same variance.

    Attributes
    ----------
    memory : float
        Correlation of two readings one gap apart, 0 <= memory < 1.
    carry : array (n,)
        Correlation with the reading before; 0 for the first.
    scale : array (n,)
        Standard deviation of a reading given the one before, as a share of the noise standard deviation.
    log_scale : float
        Sum of the logarithms of `scale`.
    spread : float
        Mean variance that independent readings of variance 1 have after whitening; at least 1.

    """

    memory: float
    carry: Floats
    scale: Floats
    log_scale: float
    spread: float

    @classmethod
    def of(cls, gaps: Floats, memory: float) -> Whitener:
        """Build for gaps (n - 1,) between readings, in units of the usual gap."""
        carry = np.zeros(len(gaps) + 1)
        if memory > 0:
            carry[1:] = memory**gaps
        scale = np.sqrt(1.0 - carry**2)
        spread = float(np.mean((1.0 + carry**2) / scale**2))
        return cls(memory, carry, scale, float(np.log(scale).sum()), spread)

    def __call__(self, values: Floats) -> Floats:
        """Whiten values (n,) or columns (n, k)."""
        out = values.copy()
        carry, scale = (
            (self.carry, self.scale) if values.ndim == 1 else (self.carry[:, None], self.scale[:, None])
        )
        out[1:] -= carry[1:] * values[:-1]
        out[1:] /= scale[1:]
        return out


def log_likelihood(whitener: Whitener, rss: float, n: int, sd: float | None = None) -> float:
    """Gaussian log-likelihood of n readings with whitened residual sum of squares `rss`.

    The noise standard deviation is the most likely one, unless `sd` is given.
    """
    if sd is None:
        return -n / 2 * (log(2 * pi * rss / n) + 1) - whitener.log_scale
    return -n / 2 * log(2 * pi * sd * sd) - rss / (2 * sd * sd) - whitener.log_scale


def estimate_memory(values: Floats, design: Floats, gaps: Floats, longest: float = LONGEST) -> float:
    """Most likely memory, in 0..longest, of the noise about a linear model.

    Parameters
    ----------
    values : array (n,)
        Readings.
    design : array (n, k)
        Columns of the model of the mean.
    gaps : array (n - 1,)
        Distances between readings in units of the usual gap.
    longest : float
        Upper bound.

    Returns
    -------
    float
        Exact Gaussian maximum likelihood, with level and noise standard deviation profiled out.

    """

    def loss(memory: float) -> float:
        whitener = Whitener.of(gaps, memory)
        columns, target = whitener(design), whitener(values)
        residual = target - columns @ np.linalg.lstsq(columns, target, rcond=None)[0]
        rss = max(float(residual @ residual), 1e-300)
        return -log_likelihood(whitener, rss, len(values))

    grid = np.linspace(0.0, longest, 12)
    losses = [loss(float(m)) for m in grid]
    best = int(np.argmin(losses))
    low, high = grid[max(best - 1, 0)], grid[min(best + 1, len(grid) - 1)]
    found = minimize_scalar(loss, bounds=(low, high), method="bounded", options={"xatol": 1e-7})
    candidates = [(losses[best], float(grid[best])), (float(found.fun), float(found.x))]
    return min(candidates)[1]
