"""What leaves the workshop: readings with their gaps and slips, and the log as people keep it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd

from tests.bench.derivedworld.arrangement import (
    CELL_LOWER,
    CELL_MODE,
    CELL_SIGNAL,
    CELL_STEP,
    CELL_UPPER,
    CELLS,
    SIGNALS,
    TRIMS,
    VOLUME,
    Bools,
    Floats,
)
from tests.bench.derivedworld.dials import Dial
from tests.bench.derivedworld.unit import Entry, Unit

#: Temperatures missing where a unit is read with them.
NO_TEMPERATURE = 0.03
KPA_A_PSI, KM_A_MILE = 6.895, 1.609344
#: Entries of which nothing else is known, and which have nothing to do with the transmission.
ASIDE = ["tyres", "brakes", "battery", "propshaft joint", "windscreen"]


@dataclass(frozen=True)
class Told:
    """A unit's readings as they are handed on: times, odometers and temperatures (N,), cells (N, 125)."""

    days: Floats
    odometer: Floats
    temperature: Floats
    values: Floats
    counts: Floats
    there: Bools


def tell(unit: Unit) -> Told:
    """Give the readings with what is missing and mistyped."""
    rng, dial = unit.rng, unit.design.dial
    readings = unit.readings
    values = np.stack([r.values for r in readings])
    counts = np.stack([r.counts for r in readings])
    odometer = np.array([r.odometer for r in readings]).round()
    temperature = np.array([r.temperature for r in readings]).round()
    chance = rng.random(len(readings))
    temperature[chance < (NO_TEMPERATURE if rng.random() < dial.temperatures else 1.0)] = np.nan
    if rng.random() > dial.counts:
        counts[:] = np.nan
    there = rng.random(values.shape) > dial.unread * rng.uniform(0, 2)
    if rng.random() < dial.lacks_signal:
        there &= rng.choice([*SIGNALS, VOLUME], p=[0.08, 0.27, 0.27, 0.28, 0.10]) != CELL_SIGNAL
        if dial.lacks_second and rng.random() < dial.lacks_second:
            there &= rng.choice(["shift_time", "torque_cut"]) != CELL_SIGNAL
    if rng.random() < dial.lacks_mode:
        there &= rng.choice(["low", "tow"], p=[0.65, 0.35]) != CELL_MODE
    told = Told(np.array([r.day for r in readings]), odometer, temperature, values, counts, there)
    if rng.random() < dial.slips:
        _slip(told, rng)
    return told


def _slip(told: Told, rng: np.random.Generator) -> None:
    """Put slips in place: a few single values, an odometer, a reading saved twice."""
    readings = len(told.values)
    for _ in range(int(rng.integers(1, 6))):
        _mistype(told.values, rng)
    if rng.random() < 0.35:
        i = int(rng.integers(1, readings))
        told.odometer[i] = _wrong_odometer(told.odometer[i], rng)
    if rng.random() < 0.15 and readings > 3:
        i = int(rng.integers(1, readings))
        told.values[i], told.there[i], told.counts[i] = told.values[i - 1], told.there[i - 1], np.nan


def _mistype(values: Floats, rng: np.random.Generator) -> None:
    """Spoil one cell: comma, sign, a digit, another unit of measure, or the field beside it."""
    i, cell = int(rng.integers(1, len(values))), int(rng.integers(CELLS))
    value, way = values[i, cell], rng.integers(4)
    if way < 2:
        value = value * (10.0, 0.1)[way]
    elif way == 2:
        largest = max(abs(value), CELL_STEP[cell])
        value = (
            -value if cell < TRIMS else value + 10 ** math.floor(math.log10(largest)) * rng.choice([-1, 1])
        )
    else:
        value = value / KPA_A_PSI if cell < TRIMS else values[i, int(rng.integers(CELLS))]
    step = CELL_STEP[cell]
    values[i, cell] = np.clip(np.round(value / step) * step, CELL_LOWER[cell], CELL_UPPER[cell])


def _wrong_odometer(odometer: float, rng: np.random.Generator) -> float:
    """Give an odometer in miles, or with two digits changed over."""
    digits = list(str(int(odometer)))
    if rng.random() < 0.4:
        return float(round(odometer / KM_A_MILE))
    if len(digits) > 2:
        at = int(rng.integers(1, len(digits) - 1))
        digits[at], digits[at + 1] = digits[at + 1], digits[at]
        return float("".join(digits))
    return odometer


@dataclass(frozen=True)
class Logged:
    """One line of the log as it is handed on."""

    unit: str
    happened_at: pd.Timestamp
    kind: str
    amount: float
    amount_unit: str
    note: str


def keep_log(unit: Unit) -> list[Logged]:
    """Give the log: entries left out, misdated or miswritten, and entries behind which nothing changed."""
    rng, dial = unit.rng, unit.design.dial
    entries = [kept for entry in unit.log if (kept := _kept(entry, dial, rng)) is not None]
    if rng.random() < dial.no_effect:
        entries += [_no_effect(unit.span, rng) for _ in range(1 + (rng.random() < 0.25))]
    if rng.random() < 0.2:
        day = rng.uniform(0.05, 0.95) * unit.span
        entries.append(Entry(day, "other", None, "", str(rng.choice(ASIDE))))
    rows = []
    for entry in sorted(entries, key=lambda e: (e.day, e.kind)):
        at = unit.when(min(max(entry.day, 0.0), unit.span + 20))
        shown = at.normalize() if rng.random() < 0.7 else at.floor("15min")
        amount = float("nan") if entry.amount is None else float(entry.amount)
        rows.append(Logged(unit.name, shown, entry.kind, amount, entry.amount_unit, entry.note))
    return rows


def _kept(entry: Entry, dial: Dial, rng: np.random.Generator) -> Entry | None:
    """Give an entry as it was written down; None if it was not."""
    if rng.random() < dial.unlogged * (0.4 if entry.kind == "rebuild" else 1):
        return None
    day, kind, amount, amount_unit = entry.day, entry.kind, entry.amount, entry.amount_unit
    if rng.random() < dial.misdated:
        # Sooner forgotten and written down later than written down ahead.
        day = day + int(rng.integers(1, dial.misdated_days + 1)) * rng.choice([-1, 1], p=[0.35, 0.65])
    if amount is not None:
        if rng.random() < 0.15:
            amount, amount_unit = None, ""
        elif rng.random() < dial.miswritten:
            amount = amount * rng.choice([0.1, 0.5, 2, 10])
    if rng.random() < dial.miswritten and kind != "rebuild":
        kind, amount, amount_unit = str(rng.choice(["repair", "other", "fluid", "power"])), None, ""
    return Entry(day, kind, amount, amount_unit, entry.note)


def _no_effect(span: float, rng: np.random.Generator) -> Entry:
    """Give an entry behind which nothing changed."""
    torque, mass = float(round(rng.uniform(5, 20))), float(round(rng.uniform(50, 200), -1))
    kinds: list[tuple[str, float | None, str, str]] = [
        ("fluid", None, "", "topped up"),
        ("power", torque, "Nm", "small tune"),
        ("load", mass, "kg", "tool box"),
        ("repair", None, "", "range sensor"),
    ]
    kind = kinds[rng.choice(4, p=[0.5, 0.25, 0.1, 0.15])]
    return Entry(rng.uniform(0.1, 0.95) * span, *kind)
