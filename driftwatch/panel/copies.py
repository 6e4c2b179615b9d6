"""Cells that read alike throughout: one value that a controller keeps, or a file gives, for several of them.

Whatever makes noise of one makes the same noise of all. Taken for readings of their own, thirty of them would
make a change of every month in which that one value moved.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from driftwatch.panel.panel import Panel
from driftwatch.panel.robust import SAME

#: Cells that read alike are one value if they moved so often together; fewer times may be chance.
LEAST_MOVES = 4


def first_alike(panel: Panel) -> NDArray[np.int64]:
    """Number of the first cell of the signal that reads as this one at every snapshot, its own if none, (C,).

    Packs are each their own: there are few of them, and each has a forecast.
    """
    first = np.arange(len(panel.cells))
    known: dict[tuple[str, bytes], int] = {}
    for i, cell in enumerate(panel.cells):
        told = panel.values[np.isfinite(panel.values[:, i]), i]
        if cell.mode and (np.abs(np.diff(told)) > SAME).sum() >= LEAST_MOVES:
            first[i] = known.setdefault((cell.signal, panel.values[:, i].tobytes()), i)
    return first


def told_once(panel: Panel, first: NDArray[np.int64]) -> Panel:
    """Give the panel in which, of cells that read alike throughout, the first alone is used; see above."""
    own = first == np.arange(len(panel.cells))
    return panel if own.all() else replace(panel, usable=panel.usable & own)
