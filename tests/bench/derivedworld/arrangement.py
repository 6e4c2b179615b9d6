"""The transmission: packs, shifts and modes of the profile generic-6, and the order of a snapshot's cells."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
Texts = NDArray[np.object_]

PROFILE = "generic-6"
MODES = ["normal", "tow", "low"]
SIGNALS = ["apply_trim", "release_trim", "shift_time", "torque_cut"]
VOLUME = "clutch_volume"
#: Places of the signals in arrays of shape (4, 10, 3): signal, shift, mode.
APPLY, RELEASE, TIME, CUT = range(4)
#: Range and step of what the controller can learn: kPa, kPa, s, %.
LOWER, UPPER = np.array([-200.0, -150.0, 0.2, 0.0]), np.array([200.0, 150.0, 1.2, 60.0])
STEP = np.array([1.0, 1.0, 0.005, 0.5])

PACKS = ["pack1", "pack2", "pack3", "pack4", "pack5"]
#: Fill volume new and at the limit, cm3, and piston area, cm2.
V_NEW = np.array([35.0, 31.0, 24.0, 27.5, 51.0])
V_LIMIT = np.array([50.0, 43.6, 36.0, 40.5, 73.0])
AREA = np.array([150.0, 140.0, 120.0, 130.0, 200.0])

#: Each shift, and the places of the packs that it applies and releases.
SHIFTS = [
    *(("1-2", 3, 4), ("2-3", 2, 3), ("3-4", 1, 2), ("4-5", 2, 0), ("5-6", 3, 2)),
    *(("6-5", 2, 3), ("5-4", 0, 2), ("4-3", 2, 1), ("3-2", 3, 2), ("2-1", 4, 3)),
]
CHANNELS = [name for name, _, _ in SHIFTS]
APPLIES: Ints = np.array([applied for _, applied, _ in SHIFTS])
RELEASES: Ints = np.array([released for _, _, released in SHIFTS])
GEARS: Ints = np.array([[int(gear) for gear in name.split("-")] for name in CHANNELS])
UPSHIFT: Bools = GEARS[:, 1] > GEARS[:, 0]

#: A snapshot as a flat row: 4 signals x 10 shifts x 3 modes, then 5 volumes.
OF_SHIFTS, CELLS = 120, 125
#: The trims stand first.
TRIMS = 60
CELL_SIGNAL: Texts = np.array([s for s in SIGNALS for _ in range(30)] + [VOLUME] * 5, dtype=object)
CELL_CHANNEL: Texts = np.array([c for _ in SIGNALS for c in CHANNELS for _ in MODES] + PACKS, dtype=object)
CELL_MODE: Texts = np.array(MODES * 40 + [""] * 5, dtype=object)
CELL_LOWER: Floats = np.concatenate([np.repeat(LOWER, 30), np.full(5, 5.0)])
CELL_UPPER: Floats = np.concatenate([np.repeat(UPPER, 30), np.full(5, 140.0)])
CELL_STEP: Floats = np.concatenate([np.repeat(STEP, 30), np.full(5, 0.1)])


def per_signal(values: Floats) -> Floats:
    """Give one value a signal the shape in which it meets all cells of shifts."""
    return values[:, None, None]


def by_turn(up: float, down: float) -> Floats:
    """Give each shift the value of upshifts or of downshifts."""
    return np.where(UPSHIFT, up, down)


def quantised(values: Any) -> Floats:
    """Round a flat row to the controller's steps, within its range."""
    rounded = np.round(values / CELL_STEP) * CELL_STEP
    return np.asarray(np.clip(rounded, CELL_LOWER, CELL_UPPER), dtype=float)
