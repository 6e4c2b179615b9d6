"""Before and after a day: the snapshots on each side, what was logged, how far each cell moved."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date

import numpy as np

from driftwatch.assessment.results import UnitAnalysis
from driftwatch.changes.results import UnitFit
from driftwatch.errors import UnknownName, UsageError
from driftwatch.panel.noise import KM
from driftwatch.panel.panel import Event, Panel
from driftwatch.profile.model import PACK_SIGNALS
from driftwatch.wording import as_date

#: From so many noise units on a move counts as real; and a drift, from so many of its standard errors on.
REAL, SURE_SES = 3.0, 2.0


@dataclass(frozen=True)
class Since:
    """The day or event that before and after are counted from.

    Attributes
    ----------
    on : date
    event : Event or None
        The logged event, if one was named or lies on that day.
    visit : tuple of Event
        All that was logged for that day, the event included: one visit may do several things.
    cut : int
        Number of snapshots before it.
    asked : tuple of Event
        What the question is about: the one event if it was named by its id, else the whole visit.

    """

    on: date
    event: Event | None
    visit: tuple[Event, ...]
    cut: int
    asked: tuple[Event, ...] = ()

    @property
    def kind(self) -> str:
        """Kind of the event; `other` where nothing is logged."""
        return self.event.kind if self.event is not None else "other"

    @property
    def kinds(self) -> tuple[str, ...]:
        """Kinds of all that was logged for that day, each once."""
        return tuple(dict.fromkeys(e.kind for e in self.visit)) or ("other",)


@dataclass(frozen=True)
class Move:
    """How far one cell moved, what came at once and what came slowly told apart.

    Attributes
    ----------
    before_at, after_at : int or None
        Snapshots of the last usable reading before and of the last one since.
    change, noise_units : float or None
        What came at once: fitted course then to fitted course now, less `drift` (readings as they are where
        there is no fit), and the same divided by the spread of one reading (None without a fit).
    drift, drift_units : float or None
        What came slowly between the two, by the slopes in force on the way, and the same divided by the
        spread of one reading; None without a fit.
    drift_se : float
        Standard error of the drift.
    is_drifting : bool
        True if the drift is more than chance: against one reading, and against what is known of the slope.
    first_units : float or None
        As `noise_units`, up to the first reading since: what came with the change itself.
    sd : float or None
        Spread of one reading; None without a fit.

    """

    before_at: int | None
    after_at: int | None
    change: float | None
    noise_units: float | None
    drift: float | None = None
    drift_units: float | None = None
    drift_se: float = 0.0
    is_drifting: bool = False
    first_units: float | None = None
    sd: float | None = None


def find_since(panel: Panel, since: date | str | None) -> Since:
    """Find what before and after are counted from.

    Parameters
    ----------
    panel : Panel
        The unit's readings and log.
    since : date, str or None
        A day, an event's id, a day as ISO text, or None for the latest event that is not `other`.

    Raises
    ------
    UnknownName
        If the text is neither an event of this unit nor a day.
    UsageError
        If None is given and nothing is logged.

    """
    if since is None:
        logged = [e for e in panel.events if e.kind != "other"]
        if not logged:
            raise UsageError(
                "no event is logged to follow up",
                f"unit {panel.unit}",
                "give its day (--since, or --on of `explain`), or log the event",
            )
        return _at_event(panel, max(logged, key=lambda e: e.happened_at))
    if isinstance(since, str):
        named = next((e for e in panel.events if e.id == since), None)
        if named is not None:
            found = _at_event(panel, named)
            return replace(found, asked=(named,))
        try:
            since = date.fromisoformat(since)
        except ValueError:
            raise UnknownName(
                f"{since!r} is neither a logged event nor a day", f"unit {panel.unit}",
                "`driftwatch event list` shows the events; a day is written 2026-03-14",
            ) from None  # fmt: skip
    same_day = next((e for e in panel.events if as_date(e.happened_at) == since), None)
    if same_day is not None:
        return _at_event(panel, same_day)
    return Since(since, None, (), int(np.sum(panel.taken_at < np.datetime64(since, "us"))))


def moves(analysis: UnitAnalysis, cut: int) -> list[Move]:
    """Give how far each cell moved across the cut, at once and slowly."""
    panel, fit = analysis.panel, analysis.fit
    made = []
    for i in range(len(panel.cells)):
        used = np.flatnonzero(panel.usable[:, i] & np.isfinite(panel.values[:, i]))
        earlier, later = used[used < cut], used[used >= cut]
        before = int(earlier[-1]) if len(earlier) else None
        after = int(later[-1]) if len(later) else None
        if before is None or after is None:
            made.append(Move(before, after, None, None))
        elif fit is None:
            made.append(Move(before, after, float(panel.values[after, i] - panel.values[before, i]), None))
        else:
            made.append(_fitted_move(panel, fit, i, before, int(later[0]), after))
    return made


def _fitted_move(panel: Panel, fit: UnitFit, i: int, before: int, first: int, after: int) -> Move:
    """Give the move of cell i by its fitted course; `first` is its first reading since."""
    course = fit.fitted[:, i]
    drift, se = _drift(panel, fit, i, before, after)
    change = float(course[after] - course[before]) - drift
    at_first = float(course[first] - course[before]) - _drift(panel, fit, i, before, first)[0]
    noise = float(fit.noise_sd[i])
    if not np.isfinite(change):
        return Move(before, after, None, None)
    if noise <= 0:
        return Move(before, after, change, None, drift)
    drifting = abs(drift) >= max(REAL * noise, SURE_SES * se)
    return Move(
        before, after, change, change / noise, drift, drift / noise, se, drifting, at_first / noise, noise
    )


def _drift(panel: Panel, fit: UnitFit, i: int, start: int, end: int) -> tuple[float, float]:
    """Give how far the slopes took cell i from one snapshot to another, and the standard error of it.

    A bend sets in at the snapshot before its index. Its error and that of the slope before it are counted as
    if they were independent, which makes the whole rather too large than too small.
    """
    km = panel.odometer_km
    far = float(km[end] - km[start])
    parts = [(float(fit.slope[i]), float(fit.slope_se[i]), far)]
    for bend in (c for c in fit.changes if c.kind == "bend"):
        since = km[max(bend.index - 1, 0)]
        ran = float(max(km[end] - since, 0.0) - max(km[start] - since, 0.0))
        parts.append((float(bend.effect[i]), float(bend.effect_se[i]), ran))
    told = [(slope, se, ran / KM) for slope, se, ran in parts if np.isfinite(slope)]
    moved = sum(slope * ran for slope, _, ran in told)
    return moved, float(np.sqrt(sum((se * ran) ** 2 for _, se, ran in told if np.isfinite(se))))


def shifts_seen(panel: Panel, cut: int) -> dict[tuple[str, str], int | None]:
    """Give, for each mode and shift that was ever learned, the shifts counted since the cut.

    The least over the shift's signals; None where the reading-out does not count them, or was not made since.
    """
    seen: dict[tuple[str, str], int | None] = {}
    for i, cell in enumerate(panel.cells):
        if cell.signal in PACK_SIGNALS or not panel.usable[:, i].any():
            continue
        counts = panel.learn_counts[cut:, i]
        told = counts[np.isfinite(counts)]
        mine = int(told.sum()) if len(told) else None
        key = (cell.mode, cell.channel)
        others = seen.get(key, mine)
        seen[key] = mine if others is None else others if mine is None else min(mine, others)
    return seen


def _at_event(panel: Panel, event: Event) -> Since:
    on = as_date(event.happened_at)
    visit = tuple(e for e in panel.events if as_date(e.happened_at) == on)
    return Since(on, event, visit, int(np.sum(panel.taken_at < event.happened_at)), visit)
