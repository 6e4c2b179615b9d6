"""Before and after a day: the snapshots on each side, what was logged, how far each cell moved."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date

import numpy as np
from numpy.typing import NDArray

from driftwatch.assessment.results import UnitAnalysis
from driftwatch.changes.results import UnitFit
from driftwatch.errors import UnknownName, UsageError
from driftwatch.panel.panel import Event, Panel
from driftwatch.profile.model import PACK_SIGNALS
from driftwatch.wording import as_date


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
    """How far one cell moved.

    Attributes
    ----------
    before_at, after_at : int or None
        Snapshots of the last usable reading before, and of the one since that it is held against: the last
        one for a shift (it has learned most), the first one for a pack (its growth is not a move).
    change, noise_units : float or None
        Fitted course then to fitted course since, less the drift that was under way before (readings as they
        are where there is no fit), and the same divided by the spread of one reading (None without a fit).

    """

    before_at: int | None
    after_at: int | None
    change: float | None
    noise_units: float | None


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
                "give a day with --since, or log the event",
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
    """Give how far each cell moved across the cut, beyond the drift that was already under way."""
    panel, fit = analysis.panel, analysis.fit
    slope = _slope_before(fit, cut) if fit is not None else None
    made = []
    for i, cell in enumerate(panel.cells):
        used = np.flatnonzero(panel.usable[:, i] & np.isfinite(panel.values[:, i]))
        earlier, later = used[used < cut], used[used >= cut]
        before = int(earlier[-1]) if len(earlier) else None
        after = int(later[0 if cell.signal in PACK_SIGNALS else -1]) if len(later) else None
        change = units = None
        if before is not None and after is not None:
            course = panel.values[:, i] if fit is None else fit.fitted[:, i]
            change = float(course[after] - course[before])
            if slope is not None:
                change -= float(slope[i] * (panel.odometer_km[after] - panel.odometer_km[before]) / 10000.0)
            if not np.isfinite(change):
                change = None
            elif fit is not None and fit.noise_sd[i] > 0:
                units = change / float(fit.noise_sd[i])
        made.append(Move(before, after, change, units))
    return made


def _slope_before(fit: UnitFit, cut: int) -> NDArray[np.float64]:
    """Give each cell's slope per 10 000 km just before the cut: the first one and the bends since."""
    bends = [c.effect for c in fit.changes if c.kind == "bend" and c.index < cut]
    return np.nan_to_num(fit.slope) + sum((np.nan_to_num(b) for b in bends), np.zeros(len(fit.slope)))


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
