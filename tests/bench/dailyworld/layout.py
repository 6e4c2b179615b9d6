"""What is where: packs, shifts, modes and signals of `generic-6`, and the order of the cells."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

PACKS = ("pack1", "pack2", "pack3", "pack4", "pack5")
#: Volumes of new packs and their limits, cm3.
NEW_CM3: Floats = np.array([35.0, 31.0, 24.0, 27.5, 51.0])
LIMIT_CM3: Floats = np.array([50.0, 43.6, 36.0, 40.5, 73.0])
SHIFTS = ("1-2", "2-3", "3-4", "4-5", "5-6", "6-5", "5-4", "4-3", "3-2", "2-1")
#: The pack that each shift applies.
APPLIES: Ints = np.array([3, 2, 1, 2, 3, 2, 0, 2, 3, 4])
UP: Bools = np.array([True] * 5 + [False] * 5)
#: How low the gears of each shift are: the low ones pass most torque.
LOWNESS: Ints = np.array([2, 1, 0, -1, -2, -2, -1, 0, 1, 2])
#: Share of the shifts in each pair of gears that the low range has.
LOW_RANGE: Floats = np.array([1, 1, 0.4, 0.03, 0.01, 0.01, 0.03, 0.4, 1, 1])
MODES = ("normal", "tow", "low")
#: Signals of the shifts, with range and step.
SIGNALS = ("apply_trim", "release_trim", "shift_time", "torque_cut")
LOWER: Floats = np.array([-200.0, -150.0, 0.2, 0.0])
UPPER: Floats = np.array([200.0, 150.0, 1.2, 60.0])
STEP: Floats = np.array([1.0, 1.0, 0.005, 0.5])
VOLUME_LOWER, VOLUME_UPPER, VOLUME_STEP = 5.0, 140.0, 0.1
#: Signals by shifts by modes; laid flat, they are the first CELLS of each row, and the packs follow.
SHAPE = (4, 10, 3)
CELLS = 120
WIDTH = CELLS + len(PACKS)
#: Days that are driven before the first reading.
BURN_IN = 60
#: Warm fluid: a reading at this temperature is not moved by it, degC.
WARM_C = 80.0


def by_cell(signals: Floats, volume: float) -> Floats:
    """Give each cell the value of its signal, and each pack that of the volumes; (WIDTH,)."""
    return np.concatenate([np.repeat(signals, CELLS // len(SIGNALS)), np.full(len(PACKS), volume)])


def of_signals(values: Floats) -> Floats:
    """Give each cell of a shift the value of its signal; (CELLS,)."""
    return np.repeat(values, CELLS // len(SIGNALS))
