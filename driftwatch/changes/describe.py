"""The answer of `segment` from the changes chosen: sizes, intervals, confidence sets, fitted values."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize_scalar
from scipy.stats import t as student

from driftwatch.changes.choose import CONFIDENCE, Price, pruned, scale, where
from driftwatch.changes.memory import Floats
from driftwatch.changes.mixture import KINDS, Found, Placed, Rules, Series, Whitened
from driftwatch.changes.reading import Reading
from driftwatch.changes.season import cycle_columns
from driftwatch.changes.segmentation import Segmentation, SegmentChange

Indices = NDArray[np.intp]
#: Half width of a 95 % interval in standard errors where the noise is known.
KNOWN_REACH = 1.959963984540054


@dataclass(frozen=True)
class Fit:
    """Least squares at the memory and the places chosen, in scaled units.

    Attributes
    ----------
    knots : list of (float, Placed)
        Each change with the place where its lines meet.
    coefficients, reach : array (k,)
        Of the columns of `_columns`; and half widths of their 95 % intervals.
    noise : float
        Standard deviation of the noise.

    """

    knots: list[tuple[float, Placed]]
    coefficients: Floats
    reach: Floats
    noise: float


def describe(
    reading: Reading,
    series: Series,
    best: tuple[Found, Rules],
    memory: float | None,
    price: Price,
    settings: dict[str, Any],
) -> Segmentation:
    """Describe the changes chosen; `settings` are the fields that echo the call."""
    found, rules = best
    changes, known = pruned(series, found, rules, memory, price)
    view = series.at_memory(known)
    fit = _fit(view, series, changes, rules)
    centre, unit, start, length = scale(reading)
    details = _details(reading, view, fit, rules, price.last(len(changes)))

    n = len(reading.all_positions)
    rank = np.searchsorted(reading.kept, np.arange(n))
    x = (reading.all_positions - start) / length
    cycle = cycle_columns(np.arange(n), x, reading.cycle) if reading.cycle else None
    fitted = centre + unit * (_columns(x, rank, fit.knots, rules.sloped, cycle) @ fit.coefficients)
    slopes = np.zeros(len(details) + 1)
    if rules.sloped:
        slopes = np.cumsum([unit / length * fit.coefficients[1], *(d.bend for d in details)])
    return Segmentation(
        changes=tuple(d.index for d in details),
        details=details,
        fitted=fitted,
        levels=fitted[[0, *(d.index for d in details)]],
        slopes=slopes,
        memory=float(known),
        noise_sd=fit.noise * unit,
        n=n,
        dropped=n - len(reading.kept),
        spikes=reading.spikes,
        base="line" if rules.sloped else "level",
        **settings,
    )


def describe_silence(reading: Reading, memory: float | None, settings: dict[str, Any]) -> Segmentation:
    """Describe a series that is too short, or constant."""
    n, m = len(reading.all_positions), len(reading.kept)
    level = float(np.mean(reading.values)) if m else float("nan")
    return Segmentation(
        changes=(),
        details=(),
        fitted=np.full(n, level),
        levels=np.array([level]),
        slopes=np.zeros(1),
        memory=float(memory or 0.0),
        noise_sd=float(np.std(reading.values, ddof=1)) if m > 1 else float("nan"),
        n=n,
        dropped=n - m,
        spikes=reading.spikes,
        base="level",
        **settings,
    )


def _fit(view: Whitened, series: Series, changes: tuple[Placed, ...], rules: Rules) -> Fit:
    """Fit the changes, bends being moved between the readings."""
    knots = _knots(view, changes, rules.sloped, series.season)
    columns = view.whitener(_columns(series.x, np.arange(view.n), knots, rules.sloped, series.season))
    coefficients = np.linalg.lstsq(columns, view.y, rcond=None)[0]
    residual = view.y - columns @ coefficients
    freedom = max(view.n - columns.shape[1], 1)
    if series.sd is not None:
        noise, reach = float(series.sd), KNOWN_REACH
    else:
        noise = float(np.sqrt(residual @ residual / freedom))
        reach = float(student.ppf((1 + CONFIDENCE) / 2, freedom))
    errors = noise * np.sqrt(np.maximum(np.diag(np.linalg.pinv(columns.T @ columns)), 0.0))
    return Fit(knots, coefficients.astype(float), reach * errors, noise)


def _details(
    reading: Reading, view: Whitened, fit: Fit, rules: Rules, cost: float
) -> tuple[SegmentChange, ...]:
    """Each change in the units of the series."""
    _, unit, start, length = scale(reading)
    changes = tuple(change for _, change in fit.knots)
    details = []
    column = 2 if rules.sloped else 1
    for number, (knot, change) in enumerate(fit.knots):
        step, bend = (0.0, 0.0, 0.0), (0.0, 0.0, 0.0)
        if change.kind != 1:
            step = _interval(fit, column, unit)
            column += 1
        if change.kind != 0:
            bend = _interval(fit, column, unit / length)
            column += 1
        places, gain = where(view, changes, number, rules)
        index = int(np.searchsorted(view.x, knot, side="left")) if change.kind == 1 else change.index
        details.append(
            SegmentChange(
                index=int(reading.kept[index]),
                kind=KINDS[change.kind],
                position=start + length * knot,
                index_set=tuple(int(reading.kept[i]) for i in sorted({*places, index})),
                step=step[0],
                step_interval=step[1:],
                bend=bend[0],
                bend_interval=bend[1:],
                evidence=gain - cost,
            )
        )
    return tuple(details)


def _interval(fit: Fit, column: int, unit: float) -> tuple[float, float, float]:
    """Estimate and ends of the interval of one column, in the units of the series."""
    value, reach = fit.coefficients[column], fit.reach[column]
    return float(value * unit), float((value - reach) * unit), float((value + reach) * unit)


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
            taken = any(c.index == change.index + 1 for c in changes)
            for low, high in _gaps(x, change.index, after=not taken):
                found = minimize_scalar(
                    loss, bounds=(low, high), args=(number,), method="bounded", options={"xatol": 1e-9}
                )
                best = min(best, (float(found.fun), float(found.x)))
            knots[number] = (best[1], change)
    return knots


def _gaps(x: Floats, index: int, after: bool) -> list[tuple[float, float]]:
    """Gaps before, and if asked for after, the position of a reading."""
    place = x[index]
    lower, higher = x[x < place], x[x > place]
    out = []
    if len(lower):
        out.append((float(lower[-1]), float(place)))
    if len(higher) and after:
        out.append((float(place), float(higher[0])))
    return out
