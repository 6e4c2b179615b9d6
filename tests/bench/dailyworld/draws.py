"""Factors about 1."""

from __future__ import annotations

import numpy as np

from tests.bench.dailyworld.layout import Floats


def factor(rng: np.random.Generator, spread: float) -> float:
    """Draw a factor about 1, lognormal."""
    return float(np.exp(rng.normal(0.0, spread)))


def factors(rng: np.random.Generator, spread: float, size: int | tuple[int, ...]) -> Floats:
    """Draw several of them."""
    return np.asarray(np.exp(rng.normal(0.0, spread, size)))
