"""Values as they were read: with the decimals that the controller's own steps have, no more."""

from __future__ import annotations

import math
from decimal import Decimal

from driftwatch.wording import grouped, number


def as_read(value: float | None, step: float | None) -> str:
    """Give a value that was read; a dash for none.

    Parameters
    ----------
    value : float or None
        As it is stored.
    step : float or None
        Resolution of its signal, as the profile says. Without one, and for a value that is on none of its
        decimals, about three figures are shown.

    """
    if value is None or not math.isfinite(value) or not step:
        return number(value)
    exponent = Decimal(f"{step:.6g}").normalize().as_tuple().exponent
    digits = max(-exponent, 0) if isinstance(exponent, int) else 0
    on_a_step = math.isclose(value, round(value, digits), rel_tol=0.0, abs_tol=1e-6)
    return grouped(round(value, digits) + 0.0, digits) if on_a_step else number(value)


def change_as_read(value: float | None, step: float | None) -> str:
    """Give a difference of two readings, with its sign."""
    text = as_read(value, step)
    return f"+{text}" if value is not None and value > 0 and text.strip("0.") else text
