"""A unit's readings fitted with everything that was found: level, slope and all changes together."""

from __future__ import annotations

import numpy as np

from driftwatch.changes.design import COURSES, Design
from driftwatch.changes.estimates import Held, Placed, estimate_effects, without_slope
from driftwatch.changes.evidence import Effects, Pattern
from driftwatch.changes.results import Change, UnitFit
from driftwatch.changes.search import SearchResult, strength
from driftwatch.panel.noise import Fleet
from driftwatch.panel.panel import Floats, Panel


def fit_unit(
    panel: Panel, design: Design, patterns: tuple[Pattern, ...], found: SearchResult, fleet: Fleet
) -> UnitFit:
    """Fit level, slope and all changes found together, and give them with their standard errors."""
    held = found.held
    solution, covariance = held.solution, held.inverse
    se = np.sqrt(np.maximum(np.diagonal(covariance, axis1=1, axis2=2), 0.0))
    changes = tuple(
        Change(
            kind=_shape(patterns[place.pattern]),
            index=place.index,
            span=_span(table, place),
            effect=solution[:, column],
            effect_se=se[:, column],
            evidence=strength(table, place),
        )
        for place, table, column in zip(found.placed, found.tables, held.effect, strict=True)
    )
    spread = ((held.raw @ covariance) * held.raw).sum(axis=2)
    return UnitFit(
        fitted=(held.raw @ solution[:, :, None])[:, :, 0].T + design.centre,
        fitted_se=np.sqrt(np.maximum(spread, 0.0)).T,
        slope=solution[:, 1],
        slope_se=se[:, 1],
        noise_sd=np.array([fleet.noise[c.signal].sd for c in panel.cells]),
        changes=changes,
    )


def _shape(pattern: Pattern) -> str:
    """Shape of a change as it shows: where nothing stays, that of what comes beside it."""
    course = COURSES[pattern.kind]
    return course.beside if pattern.returns and course.beside else course.main


def slope_effects(design: Design, held: Held) -> Effects:
    """Slopes from the first snapshot on, per 10 000 km, beside level and all changes found; one row."""
    return estimate_effects(design, design.weigh(held.raw[None, :, :, 1:2]), without_slope(design, held))


def _span(table: Floats, place: Placed, level: float = 0.9) -> tuple[int, int]:
    """Smallest run of snapshots around the change that holds `level` of its pattern's probability."""
    row = np.exp(table[place.pattern] - table[place.pattern].max())
    row /= row.sum()
    low = high = place.index
    while row[low : high + 1].sum() < level:
        left = row[low - 1] if low > 0 else -1.0
        right = row[high + 1] if high + 1 < len(row) else -1.0
        if left >= right:
            low -= 1
        else:
            high += 1
    return low, high
