"""The log as people keep it: forgotten, misdated, miscalled, and with things that had no effect."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tests.bench.dailyworld.acts import Act
from tests.bench.dailyworld.dials import Dial
from tests.bench.dailyworld.draws import factor
from tests.bench.dailyworld.layout import BURN_IN
from tests.bench.dailyworld.shared import Duty

#: What people write beside each kind.
NOTES: dict[str, tuple[str, ...]] = {
    "power": ("remapped", "engine calibration changed", "tune", "new injectors and map", ""),
    "load": ("new trailer", "service body", "heavier trailer from now", "hired trailer", ""),
    "fluid": ("fluid and filter", "ATF change", "pan dropped, filter new", ""),
    "relearn": ("adaptations cleared", "reset learned values", "battery off, relearn done", ""),
    "rebuild": ("overhauled", "clutches renewed", "rebuilt by contractor", ""),
    "repair": ("line pressure low, regulator valve renewed", "pump reseal", "valve body exchanged"),
}
TAKEN_OFF = ("trailer given back", "trailer sold", "body taken off", "")
#: Entries about what had no effect.
IDLE = (
    ("fluid", "topped up half a litre"),
    ("repair", "connector cleaned"),
    ("repair", "cooler line sealed"),
    ("other", "new tyres"),
    ("other", "customer says shifts hard"),
    ("other", "driver changed"),
    ("relearn", "tried, tool lost connection"),
    ("power", "software update, no change of torque"),
    ("load", "trailer borrowed for a weekend"),
    ("fluid", "checked, not changed"),
    ("other", ""),
)
POUND_FEET, POUNDS = 0.7376, 2.2046


@dataclass(frozen=True)
class Entry:
    """An entry in the log."""

    day: int
    kind: str
    note: str
    amount: float = float("nan")
    amount_unit: str = ""


def draw_log(duty: Duty, dial: Dial, acts: Sequence[Act], days: int, rng: np.random.Generator) -> list[Entry]:
    """Draw what is written down of one unit, in order of the days given."""
    entries = [entry for act in acts for entry in _entries(duty, dial, act, rng)]
    for _ in range(rng.poisson(-np.log(1 - dial.idle_entry))):
        kind, note = IDLE[int(rng.integers(len(IDLE)))]
        entries.append(Entry(int(rng.integers(BURN_IN, days)), kind, note))
    within = [Entry(min(max(e.day, 0), days - 1), e.kind, e.note, e.amount, e.amount_unit) for e in entries]
    return sorted(within, key=lambda e: e.day)


def _entries(duty: Duty, dial: Dial, act: Act, rng: np.random.Generator) -> list[Entry]:
    day = act.day
    if rng.random() < dial.misdated:
        day += int(rng.choice([-1, 1])) * int(rng.integers(1, dial.misday + 1))
    if act.cause == "pressure":
        return _of_pressure(dial, act, day, rng)
    if rng.random() < dial.missing:
        return []
    kind = act.cause
    if rng.random() < dial.wrong:
        kind = str(rng.choice(["other", "repair", "fluid", "power", "relearn"]))
    size = act.size if act.cause in ("power", "load") and kind == act.cause else None
    note = str(rng.choice(NOTES[kind])) if kind != "other" else ""
    if kind == "load" and act.size < 0:
        note = str(rng.choice(TAKEN_OFF))
    if size is not None and dial.hard and rng.random() < 0.06:
        size = -size
    entries = [_entry(duty, day, kind, size, note, rng)]
    if act.cause == "load" and dial.hard and rng.random() < 0.05:  # written down twice
        entries.append(_entry(duty, day + 3, kind, size, note, rng))
    return entries


def _of_pressure(dial: Dial, act: Act, day: int, rng: np.random.Generator) -> list[Entry]:
    """Nobody logs that pressure is lost; what is felt, or was put right, may be."""
    if act.size < 0:
        repaired = rng.random() > dial.missing
        return [Entry(day, "repair", str(rng.choice(NOTES["repair"])))] if repaired else []
    if rng.random() < 0.2:
        return [Entry(day + int(rng.integers(5, 90)), "other", "customer says shifts hard")]
    return []


def _entry(duty: Duty, day: int, kind: str, size: float | None, note: str, rng: np.random.Generator) -> Entry:
    if size is None or rng.random() >= 0.75:
        return Entry(day, kind, note)
    return Entry(day, kind, note, *_amount(duty, kind, size, rng))


def _amount(duty: Duty, kind: str, size: float, rng: np.random.Generator) -> tuple[float, str]:
    """Say how much, about, in the unit that the fleet uses."""
    if kind == "power":
        newton_metres = round(size * duty.torque_nm * factor(rng, 0.04) / 5) * 5
        return (
            (newton_metres, "Nm")
            if duty.torque_unit == "Nm"
            else (round(newton_metres * POUND_FEET), "lb-ft")
        )
    kilograms = round(size * 1000 * factor(rng, 0.07) / 50) * 50
    in_unit = {"kg": kilograms, "t": round(kilograms / 1000, 2), "lb": round(kilograms * POUNDS, -1)}
    return in_unit[duty.mass_unit], duty.mass_unit
