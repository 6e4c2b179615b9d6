"""What gets lost between the controller and the file, and what is mistyped."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from tests.bench.dailyworld.dials import Dial
from tests.bench.dailyworld.layout import SHAPE, STEP, VOLUME_STEP, Bools, Floats, by_cell
from tests.bench.dailyworld.readout import ReadOut
from tests.bench.dailyworld.shared import Shared


@dataclass(frozen=True)
class Sheet:
    """What gets into the file: values and counts (S, WIDTH), which of them, temperature and odometer (S,)."""

    values: Floats
    counts: Floats
    kept: Bools
    temperature: Floats
    odometer: Floats


def written(shared: Shared, dial: Dial, read: ReadOut, odometer: Floats, rng: np.random.Generator) -> Sheet:
    """Write the readings down, as people and tools do."""
    rows = len(read.values)
    kept = _kept(shared, dial, rows, rng)
    counts = np.minimum(read.counts, shared.duty.count_cap).astype(float)
    if rng.random() < dial.no_count:
        counts[:] = np.nan
    elif dial.hard:
        counts[rng.random(rows) < 0.1] = np.nan
    temperature = np.round(read.temperature + rng.normal(0, 0.7, rows))
    temperature[rng.random(rows) < dial.temp_snapshot] = np.nan
    if rng.random() < dial.temp_unit:
        temperature[:] = np.nan
    sheet = Sheet(read.values.copy(), counts, kept, temperature, odometer.copy())
    return _mistyped(sheet, rng) if dial.hard else sheet


def _kept(shared: Shared, dial: Dial, rows: int, rng: np.random.Generator) -> Bools:
    """Say what is read of one unit, and what of it is left out; (S, WIDTH)."""
    shown = np.ones(SHAPE, bool)
    shown[:, ~shared.duty.low_shown, 2] = False
    volumes = np.ones(5, bool)
    no_signal, no_mode = shared.no_signal.copy(), shared.no_mode.copy()
    if dial.hard:
        own = rng.random(5) < np.array([0.03, 0.12, 0.12, 0.12, 0.06])
        if (no_signal[:4] | own[:4]).all():
            own[:] = False
        no_signal |= own
        no_mode[1:] |= rng.random(2) < np.array([0.12, 0.2])
        volumes &= rng.random(5) > 0.02
    shown[no_signal[:4]] = False
    shown[:, :, no_mode] = False
    volumes &= not no_signal[4]
    kept = np.tile(np.r_[shown.reshape(-1), volumes], (rows, 1))
    if dial.hard:
        kept &= rng.random(kept.shape) > 0.015
    return kept


def _mistyped(sheet: Sheet, rng: np.random.Generator) -> Sheet:
    rows = len(sheet.values)
    values, odometer = sheet.values.copy(), sheet.odometer.copy()
    if rng.random() < 0.1:  # yesterday's sheet copied
        i = int(rng.integers(1, rows))
        values[i] = values[i - 1]
    if rng.random() < 0.18:
        i = int(rng.integers(rows))
        odometer[i] = slip(float(odometer[i]), 1.0, rng)
    step = by_cell(STEP, VOLUME_STEP)
    for i, cell in np.argwhere(rng.random(values.shape) < 0.0007):
        values[i, cell] = slip(float(values[i, cell]), float(step[cell]), rng)
    return replace(sheet, values=values, odometer=odometer)


def slip(value: float, step: float, rng: np.random.Generator) -> float:
    """Mistype a value: a place too many, the sign, two digits swapped, or another digit."""
    how = int(rng.integers(4))
    if how == 0:
        wrong = value * 10
    elif how == 1:
        wrong = -value if value else 10 * step
    else:
        digits = list(str(round(abs(value) / step)))
        i = int(rng.integers(max(len(digits) - 1, 1)))
        if how == 2 and len(digits) > 1:
            digits[i], digits[i + 1] = digits[i + 1], digits[i]
        else:
            digits[i] = str((int(digits[i]) + int(rng.integers(1, 10))) % 10)
        wrong = float(np.sign(value or 1)) * int("".join(digits)) * step
    return float(np.round(np.round(wrong / step) * step, 4))
