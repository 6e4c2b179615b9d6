"""The controller: closes a share of the gap at each learned shift, and is read out now and then."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from tests.bench.derivedworld.arrangement import (
    APPLIES,
    LOWER,
    UPPER,
    Bools,
    Floats,
    Ints,
    per_signal,
    quantised,
)
from tests.bench.derivedworld.build import Manner
from tests.bench.derivedworld.design import Design

#: So many shifts after clearing, a cell learns faster; and no faster than this share of the gap a shift.
FAST_SHIFTS, FASTEST = 8, 0.5
#: Share of the gap that a measured fill closes.
FILL_GAIN = 0.25
#: Share of the shifts in which the fill is measured, and fills besides, a km, of the packs of first gear.
FILL_SHARE, FILLS_KM = 0.25, 0.002 * np.array([1, 0, 0, 0, 1])
#: Readings are said to be normal at this temperature, degC; the effect of warmth bends off it.
NORMAL_TEMP_C, TEMP_BEND = 82, 0.002


@dataclass
class Controller:
    """What is stored: values (4, 10, 3) and volumes (5,), and how often each was learned.

    `since_clear` and `count` (10, 3) are learned shifts since clearing and since the last reading out,
    `cleared` marks cells that were not learned since clearing, `shown` is the last reading out.
    """

    values: Floats
    volumes: Floats = field(default_factory=lambda: np.zeros(5))
    volume_count: Ints = field(default_factory=lambda: np.zeros(5, dtype=np.int64))
    since_clear: Floats = field(default_factory=lambda: np.zeros((10, 3)))
    count: Ints = field(default_factory=lambda: np.zeros((10, 3), dtype=np.int64))
    cleared: Bools = field(default_factory=lambda: np.zeros((10, 3), dtype=bool))
    shown: Floats | None = None

    def learn(
        self, shifts: Ints, asked: Floats, fast: float, manner: Manner, rng: np.random.Generator
    ) -> None:
        """Learn so many shifts (10, 3) in every cell against one need.

        It is the exact result of the filter that goes shift by shift with an error of its own in each.
        """
        gain = manner.gain
        quick = np.minimum(shifts, np.maximum(0, FAST_SHIFTS - self.since_clear))
        keep = (1 - min(FASTEST, gain * fast)) ** quick * (1 - gain) ** (shifts - quick)
        error = manner.error * np.sqrt(1 - keep**2) * rng.standard_normal((4, 10, 3)) * (shifts > 0)
        learned = asked + (self.values - asked) * keep + error
        self.values = np.clip(learned, per_signal(LOWER), per_signal(UPPER))
        self.since_clear += shifts
        self.count += shifts
        self.cleared &= shifts == 0

    def measure(self, true: Floats, shifts: Ints, km: float, error: float, rng: np.random.Generator) -> None:
        """Measure the volumes in some of the fills."""
        fills = rng.poisson(np.bincount(APPLIES, shifts.sum(1), 5) * FILL_SHARE + FILLS_KM * km)
        keep = (1 - FILL_GAIN) ** fills
        noise = true * 0.6 * error * np.sqrt(1 - keep**2) * rng.standard_normal(5)
        self.volumes = true + (self.volumes - true) * keep + noise
        self.volume_count += fills

    def clear(self, base: Floats, true: Floats, error: float, rng: np.random.Generator) -> None:
        """Go back to the base values; the volumes are measured anew by a routine."""
        self.values = base.copy()
        self.since_clear[:], self.cleared[:] = 0, True
        self.measure_anew(true, error, rng)
        self.volume_count += rng.integers(1, 4, 5)

    def measure_anew(self, true: Floats, error: float, rng: np.random.Generator) -> None:
        """Measure the volumes from nothing."""
        self.volumes = true * (1 + rng.normal(0, 0.5 * error, 5))

    def read_out(
        self, temperature: float, design: Design, manner: Manner, rng: np.random.Generator
    ) -> tuple[Floats, Floats]:
        """Give the values and learn counts that a tool shows, as flat rows.

        A cell that has learned nothing since the last reading out repeats its value.
        """
        off = temperature - NORMAL_TEMP_C
        noise = design.noise
        warm = manner.warmth * (off - TEMP_BEND * off * off)
        whole = per_signal(noise.visit * rng.standard_normal(4))
        own = 0.25 * per_signal(noise.learn) * rng.standard_normal((4, 10, 3))
        values = np.where(self.cleared[None], self.values, self.values + warm + whole + own)
        slope = design.temp_volume * off
        volumes = self.volumes * (1 + slope + 0.6 * noise.volume * rng.standard_normal(5))
        shown = quantised(np.concatenate([values.ravel(), volumes]))
        counts = np.concatenate([np.tile(self.count.ravel(), 4), self.volume_count]).astype(float)
        if self.shown is not None:
            cleared = np.concatenate([np.tile(self.cleared.ravel(), 4), np.zeros(5, bool)])
            shown = np.where((counts == 0) & ~cleared, self.shown, shown)
        self.shown = shown
        self.count[:], self.volume_count[:] = 0, 0
        return shown, counts
