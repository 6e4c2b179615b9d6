"""Find steps and bends in one plain series of numbers."""

from __future__ import annotations

from typing import Any

import numpy as np

from driftwatch.changes.choose import FEWEST, Price, default_min_size, scaled, select
from driftwatch.changes.describe import describe, describe_silence
from driftwatch.changes.false_alarms import price_of_change
from driftwatch.changes.reading import read
from driftwatch.changes.segmentation import Segmentation
from driftwatch.errors import UsageError

MODELS = ("auto", "level", "line", "bend")


def segment(
    values: Any,
    at: Any = None,
    false_alarm_rate: float = 0.05,
    *,
    model: str = "auto",
    memory: float | None = None,
    noise_sd: float | None = None,
    penalty: float | None = None,
    min_size: int | None = None,
) -> Segmentation:
    """Find the steps and bends of one series.

    Parameters
    ----------
    values : array_like (n,)
        Numbers in order of time; NaN where there is no reading.
    at : array_like (n,), optional
        Their positions: numbers or dates in ascending order. The default is 0, 1, 2, ...
    false_alarm_rate : float
        Chance that a series without any change shows one.
    model : {"auto", "level", "line", "bend"}
        What may change: "level" the level only; "bend" the slope only, without jumps; "line" level and slope
        together; "auto" any of these, whichever explains the series best.
    memory : float, optional
        Correlation of neighbouring readings' noise, where known; 0 stands for independent noise.
    noise_sd : float, optional
        Standard deviation of the noise, where known.
    penalty : float, optional
        Price of one change in units of twice the log-likelihood (squared residuals over the noise variance).
        It replaces `false_alarm_rate`, and no value is then set aside as a spike.
    min_size : int, optional
        Least number of used values in a segment. The default grows with the series from 3 to 8, and is 1
        where a penalty is given.

    Returns
    -------
    Segmentation

    Raises
    ------
    UsageError
        Text, infinite values, positions out of order, or options out of range.

    """
    _check(false_alarm_rate, model, memory, noise_sd, penalty, min_size)
    reading = read(values, at, spikes=penalty is None)
    m = len(reading.kept)
    least = min_size or (default_min_size(m) if penalty is None else 1)
    first = penalty / 2 if penalty is not None else price_of_change(m, false_alarm_rate)
    price = Price(first, m, flat=penalty is not None)
    series = scaled(reading, noise_sd)
    enough = m >= max(FEWEST if penalty is None else 2, 2 * least) and float(np.ptp(reading.values)) > 0
    settings = {
        "false_alarm_rate": None if penalty is not None else float(false_alarm_rate),
        "penalty": 2 * first,
        "min_size": least,
    }
    if not enough:
        return describe_silence(reading, memory, settings)
    best = select(series, model, memory, least, price)
    return describe(reading, series, best, memory, price, settings)


def _check(
    rate: float, model: str, memory: float | None, sd: float | None, penalty: float | None, size: int | None
) -> None:
    """Refuse options out of range."""
    if not _is_number(rate) or not 0.001 <= rate <= 0.5:
        raise UsageError(f"false_alarm_rate is {rate!r}", "segment", "give a number from 0.001 to 0.5")
    if model not in MODELS:
        raise UsageError(f"there is no model {model!r}", "segment", f"choose one of {', '.join(MODELS)}")
    if memory is not None and not (_is_number(memory) and 0 <= memory < 1):
        raise UsageError(f"memory is {memory!r}", "segment", "give a number from 0 to below 1")
    if sd is not None and not (_is_number(sd) and 0 < sd < np.inf):
        raise UsageError(f"noise_sd is {sd!r}", "segment", "give a number above 0")
    if penalty is not None and not (_is_number(penalty) and 0 < penalty < np.inf):
        raise UsageError(f"penalty is {penalty!r}", "segment", "give a number above 0")
    if size is not None and not (
        isinstance(size, int | np.integer) and not isinstance(size, bool) and size >= 1
    ):
        raise UsageError(f"min_size is {size!r}", "segment", "give a whole number from 1 up")


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float | np.integer | np.floating) and not isinstance(value, bool)
