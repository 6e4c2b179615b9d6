"""Units of the other world with exactly one deed, read without noise, to see what it leaves behind."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from driftwatch.profile.load import builtin
from tests.bench.otherworld.calendar import Driving
from tests.bench.otherworld.controller import ReadOut, read_out
from tests.bench.otherworld.needs import daily_needs
from tests.bench.otherworld.story import Deed
from tests.bench.otherworld.wearing import Volumes, grow
from tests.bench.otherworld.world import (
    Bools,
    Floats,
    Gearbox,
    Ints,
    Layout,
    draw_gearbox,
    draw_world,
    layout,
)

DAYS = 700
DEED_DAY = 350
KM_PER_DAY = 150.0
#: Monthly readings; the deed's day is a few days after one and three weeks before the next.
AT = np.arange(5, DAYS, 30)
BEFORE, AFTER = AT < DEED_DAY, AT >= DEED_DAY + 150


@dataclass(frozen=True)
class Made:
    """One unit, as it was and as it was read on the days AT."""

    cells: Layout
    box: Gearbox
    volumes: Volumes
    shown: ReadOut
    at: Ints

    def moved(self) -> Floats:
        """Mean of the readings well after the deed, less the mean before; (C,)."""
        return np.asarray(self.shown.values[AFTER].mean(axis=0) - self.shown.values[BEFORE].mean(axis=0))

    def learned(self) -> Bools:
        """Say which cells are driven often enough to have arrived."""
        return np.asarray(self.box.repeats > 0.2)

    def of(self, kind: str, mode: str = "normal") -> Bools:
        """Say which cells are of a kind and mode, and have arrived."""
        number = self.cells.profile.modes.index(mode)
        return self.cells.is_kind(kind) & (self.cells.mode == number) & self.learned()


def made(
    *deeds: Deed, seed: int = 5, noise: float = 0.0, at: Ints = AT, warmth: float | Floats = 80.0
) -> Made:
    """Make one unit to which exactly these deeds happen."""
    profile = builtin("generic-6")
    cells = layout(profile)
    rng = np.random.default_rng(seed)
    world = draw_world(profile, rng)
    box = draw_gearbox(cells, world, 0.4, rng)
    km = np.full(DAYS, KM_PER_DAY)
    driving = Driving(0, km, 60_000.0 + np.cumsum(km))
    volumes = grow(profile, driving, list(deeds), rng)
    needs = daily_needs(cells, world, box, driving, list(deeds), volumes, noise, rng)
    degrees = np.broadcast_to(np.asarray(warmth, dtype=float), at.shape)
    shown = read_out(cells, box, driving, list(deeds), needs, volumes, at, degrees, noise, rng)
    return Made(cells, box, volumes, shown, at)
