"""Find steps and bends in one plain series of numbers."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize_scalar
from scipy.stats import t as student

from driftwatch.changes.choose import (
    CONFIDENCE,
    FEWEST,
    Price,
    default_min_size,
    pruned,
    scale,
    scaled,
    select,
    where,
)
from driftwatch.changes.false_alarms import price_of_change
from driftwatch.changes.memory import Floats
from driftwatch.changes.mixture import KINDS, Found, Placed, Rules, Series, Whitened
from driftwatch.changes.reading import Reading, read
from driftwatch.changes.season import cycle_columns
from driftwatch.changes.segmentation import Segmentation, SegmentChange
from driftwatch.errors import UsageError

MODELS = ("auto", "level", "line", "bend")
Indices = NDArray[np.intp]


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
    best = select(series, model, memory, least, price) if enough else None
    answer = _describe(reading, series, best, memory, price)
    return replace(
        answer,
        false_alarm_rate=None if penalty is not None else float(false_alarm_rate),
        penalty=2 * price.first,
        min_size=least,
    )


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


# --- describing them ----------------------------------------------------------------------------------------


def _describe(
    reading: Reading,
    series: Series,
    best: tuple[Found, Rules] | None,
    memory: float | None,
    price: Price,
) -> Segmentation:
    """Effects, intervals and confidence sets of the changes chosen."""
    n_all, m = len(reading.all_positions), len(reading.kept)
    centre, unit, start, length = scale(reading)
    if best is None:
        level = centre if m else np.nan
        sd = float(np.std(reading.values, ddof=1)) if m > 1 else float("nan")
        return Segmentation(
            changes=(),
            details=(),
            fitted=np.full(n_all, level),
            levels=np.array([level]),
            slopes=np.zeros(1),
            memory=float(memory or 0.0),
            noise_sd=sd,
            n=n_all,
            dropped=n_all - m,
            spikes=reading.spikes,
            false_alarm_rate=None,
            penalty=0.0,
            min_size=1,
            base="level",
        )
    found, rules = best
    changes, known = pruned(series, found, rules, memory, price)
    view = series.at_memory(known)
    knots = _knots(view, changes, rules.sloped, series.season)
    columns = _columns(series.x, np.arange(m), knots, rules.sloped, series.season)
    whitened = view.whitener(columns)
    coefficients = np.linalg.lstsq(whitened, view.y, rcond=None)[0]
    residual = view.y - whitened @ coefficients
    rss, freedom = float(residual @ residual), m - whitened.shape[1]
    noise = series.sd if series.sd is not None else float(np.sqrt(rss / max(freedom, 1)))
    covariance = np.linalg.pinv(whitened.T @ whitened) * noise**2
    reach = (
        1.959963984540054
        if series.sd is not None
        else float(student.ppf((1 + CONFIDENCE) / 2, max(freedom, 1)))
    )
    errors = reach * np.sqrt(np.maximum(np.diag(covariance), 0.0))

    details = []
    column = 2 if rules.sloped else 1
    for number, (change, knot) in enumerate(zip(changes, knots, strict=True)):
        step, bend = (0.0, 0.0, 0.0), (0.0, 0.0, 0.0)
        if change.kind != 1:
            step = _interval(coefficients[column], errors[column], unit)
            column += 1
        if change.kind != 0:
            bend = _interval(coefficients[column], errors[column], unit / length)
            column += 1
        places, gain = where(view, changes, number, rules)
        place = knot[0] if change.kind == 1 else float(series.x[change.index])
        index = int(np.searchsorted(series.x, place, side="left")) if change.kind == 1 else change.index
        details.append(
            SegmentChange(
                index=int(reading.kept[index]),
                kind=KINDS[change.kind],
                position=start + length * place,
                index_set=tuple(int(reading.kept[i]) for i in sorted({*places, index})),
                step=step[0],
                step_interval=step[1:],
                bend=bend[0],
                bend_interval=bend[1:],
                evidence=gain - price.last(len(changes)),
            )
        )
    rank = np.searchsorted(reading.kept, np.arange(n_all))
    x_all = (reading.all_positions - start) / length
    cycle_all = cycle_columns(np.arange(n_all), x_all, reading.cycle) if reading.cycle else None
    everywhere = _columns(x_all, rank, knots, rules.sloped, cycle_all)
    fitted = centre + unit * (everywhere @ coefficients)
    firsts = [0, *(d.index for d in details)]
    slopes = np.zeros(len(firsts))
    if rules.sloped:
        slopes = np.cumsum([unit / length * coefficients[1], *(d.bend for d in details)])
    return Segmentation(
        changes=tuple(d.index for d in details),
        details=tuple(details),
        fitted=fitted,
        levels=fitted[firsts],
        slopes=slopes,
        memory=float(known),
        noise_sd=noise * unit,
        n=n_all,
        dropped=n_all - m,
        spikes=reading.spikes,
        false_alarm_rate=None,
        penalty=2 * price.first,
        min_size=rules.min_size,
        base="line" if rules.sloped else "level",
    )


def _interval(value: float, error: float, unit: float) -> tuple[float, float, float]:
    """Estimate and interval in the series' own units."""
    return float(value * unit), float((value - error) * unit), float((value + error) * unit)


def _columns(
    x: Floats, rank: Indices, knots: list[tuple[float, Placed]], sloped: bool, season: Floats | None
) -> Floats:
    """Unwhitened design at positions x whose place among the used readings is `rank`."""
    columns = [np.ones(len(x))]
    if sloped:
        columns.append(x)
    for knot, change in knots:
        if change.kind != 1:
            columns.append((rank >= change.index).astype(float))
        if change.kind != 0:
            columns.append(
                np.maximum(x - knot, 0.0) if change.kind == 1 else (rank >= change.index) * (x - knot)
            )
    if season is not None:
        columns.extend(season.T)
    return np.column_stack(columns)


def _knots(
    view: Whitened, changes: tuple[Placed, ...], sloped: bool, season: Floats | None
) -> list[tuple[float, Placed]]:
    """Where the lines of each bend meet, between readings too; the others standing."""
    x = view.x
    knots = [(float(x[c.index]), c) for c in changes]
    rank = np.arange(len(x))

    def loss(place: float, number: int) -> float:
        trial = [*knots[:number], (place, knots[number][1]), *knots[number + 1 :]]
        columns = view.whitener(_columns(x, rank, trial, sloped, season))
        residual = view.y - columns @ np.linalg.lstsq(columns, view.y, rcond=None)[0]
        return float(residual @ residual)

    for _ in range(2):
        for number, (knot, change) in enumerate(knots):
            if change.kind != 1:
                continue
            best = (loss(knot, number), knot)
            for low, high in _intervals(x, change.index):
                found = minimize_scalar(
                    loss, bounds=(low, high), args=(number,), method="bounded", options={"xatol": 1e-9}
                )
                best = min(best, (float(found.fun), float(found.x)))
            knots[number] = (best[1], change)
    return knots


def _intervals(x: Floats, index: int) -> list[tuple[float, float]]:
    """Gaps before and after the position of a reading."""
    place = x[index]
    before, after = x[x < place], x[x > place]
    out = []
    if len(before):
        out.append((float(before[-1]), float(place)))
    if len(after):
        out.append((float(place), float(after[0])))
    return out
