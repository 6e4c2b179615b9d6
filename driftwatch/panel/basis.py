"""What a fleet's noise and rates are learned from: not from the newest readings of a large fleet.

All readings of a small fleet; of a large one its oldest snapshots, up to the last of a row of numbers each a
tenth larger than the one before. A month of new readings then mostly leaves them as they were, and with
them what is said of every unit that has no new readings.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from driftwatch.panel.build import usable_readings
from driftwatch.panel.panel import Panel

#: Up to so many snapshots, all are learned from.
ALL_UP_TO = 2000
#: Beyond, their number grows in steps of this ratio.
STEP = 1.1


def basis(panels: Sequence[Panel]) -> list[Panel]:
    """Give the panels to learn a fleet's quantities from: those given, without what came after some time.

    Which time follows from the readings alone, so that the same records always give the same answer.
    """
    count = sum(len(p.taken_at) for p in panels)
    if count <= ALL_UP_TO:
        return list(panels)
    taken = np.sort(np.concatenate([p.taken_at for p in panels]))
    known = [_until(panel, taken[_step_below(count) - 1]) for panel in panels]
    # A profile or a signal that came later is learned from all there is of it.
    lost = set().union(*map(_kinds, panels)) - set().union(*map(_kinds, known))
    known = [p if _kinds(p) & lost else k for p, k in zip(panels, known, strict=True)]
    return [panel for panel in known if len(panel.taken_at)]


def _kinds(panel: Panel) -> set[tuple[str, str]]:
    """Give the profile with each of the unit's signals, and by itself."""
    signals = {cell.signal for cell in panel.cells} | ({""} if len(panel.taken_at) else set())
    return {(panel.profile.name, signal) for signal in signals}


def _step_below(count: int) -> int:
    """Give the largest number of the row that is not over `count`."""
    step = ALL_UP_TO
    while (following := int(step * STEP)) <= count:
        step = following
    return step


def _until(panel: Panel, last: np.datetime64) -> Panel:
    """Give the panel as it was at a time: snapshots, log, and the cells that had been read."""
    rows = int(np.searchsorted(panel.taken_at, last, side="right"))
    if rows == len(panel.taken_at):
        return panel
    read = np.asarray(np.isfinite(panel.values[:rows]).any(axis=0))
    values, counts = panel.values[:rows, read], panel.learn_counts[:rows, read]
    cells = tuple(cell for cell, was in zip(panel.cells, read, strict=True) if was)
    return replace(
        panel,
        taken_at=panel.taken_at[:rows],
        days=panel.days[:rows],
        odometer_km=panel.odometer_km[:rows],
        fluid_temp_c=panel.fluid_temp_c[:rows],
        cells=cells,
        values=values,
        learn_counts=counts,
        usable=usable_readings(values, counts, cells),
        slips=np.zeros(values.shape, dtype=bool),
        events=tuple(e for e in panel.events if e.happened_at <= last),
    )
