"""Price of a change, set so that a series without changes shows one at a stated rate."""

from __future__ import annotations

from math import log


def price(n: int, rate: float) -> float:
    """Log-likelihood that each change must add."""
    return max(6.8 + 1.5 * log(0.05 / rate), 1.0) + 0 * n
