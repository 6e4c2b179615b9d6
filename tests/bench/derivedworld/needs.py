"""What every shift really needs, less what the controller's tables give: here causes become cells.

No size of an effect is written down. Power is torque that the engine reports in part; a load is friction
lost to heat and a heavier throttle; fluid is friction; wear is fill; lost supply pressure is itself.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from tests.bench.derivedworld.arrangement import (
    APPLIES,
    APPLY,
    AREA,
    CUT,
    LOWER,
    RELEASE,
    RELEASES,
    TIME,
    UPPER,
    V_NEW,
    Floats,
    per_signal,
)
from tests.bench.derivedworld.build import Manner
from tests.bench.derivedworld.design import Design
from tests.bench.derivedworld.wear import Packs


@dataclass(frozen=True)
class Ramp:
    """A slow loss of supply pressure: from day to day, kPa, bend, and the number of its row in the truth."""

    start: float
    end: float
    kpa: float
    bend: float
    row: int

    def lost(self, day: float) -> float:
        """Give what is lost by a day."""
        if day <= self.start:
            return 0.0
        share = min(1.0, (day - self.start) / (self.end - self.start))
        return self.kpa * math.pow(share, self.bend)


@dataclass
class Causes:
    """The present state of what causes change: power and load as shares, supply pressure lost, fluid.

    `product` is what services have brought besides new fluid; `fluid_age` km.
    """

    fluid_age: float = 0.0
    power: float = 0.0
    load: float = 0.0
    supply: float = 0.0
    product: float = 0.0
    ramps: list[Ramp] = field(default_factory=list)

    def supply_loss(self, day: float) -> float:
        """Give the supply pressure lost by a day, kPa."""
        lost = self.supply
        for ramp in self.ramps:
            lost += ramp.lost(day)
        return lost

    def heat(self, design: Design, tow: float) -> float:
        """Give slip energy relative to the duty at the first reading: it scales the wear of all packs."""
        work = math.pow(1 + self.power, design.heat_power)
        return max(0.3, work * (1 + design.heat_load * self.load * tow))


@dataclass
class Wandering:
    """What wanders over weeks, in spreads: the driver, the climate, and each cell (4, 10, 3) by itself.

    `year` is the season's share, fixed by the day.
    """

    driver: float
    climate: float
    cell: Floats
    year: float = 0.0


def needs(
    design: Design,
    manner: Manner,
    gap: Floats,
    packs: Packs,
    causes: Causes,
    wandering: Wandering,
    day: float,
) -> Floats:
    """Give what each cell is asked for, (4, 10, 3): real pressure less what the table gives, s, %."""
    torque, load, fluid = design.torque, design.load, design.fluid
    felt = causes.load * manner.felt
    real = 1 + causes.power
    driver = 1 + design.noise.driver * wandering.driver
    throttle = driver * (1 + load.heavier * felt)
    reported = 1 + causes.power * (1 - manner.blind)
    aged = -np.expm1(-causes.fluid_age / fluid.km) - fluid.product * causes.product
    lost_friction = fluid.loss * aged
    friction = 1 - lost_friction + design.noise.season * (wandering.climate + wandering.year)
    on = packs.mu[APPLIES][:, None] * friction * (1 - load.fade * felt)
    off = packs.mu[RELEASES][:, None] * (1 - fluid.release * lost_friction)
    grown = (packs.volume() - V_NEW)[APPLIES]
    lost = causes.supply_loss(day) * manner.supply
    out = np.empty((4, 10, 3))
    needed = (torque.apply * real * throttle + torque.inertia) / on
    given = torque.apply * reported + torque.inertia
    out[APPLY] = (
        needed - given + _fill(design, grown)[:, None] + lost * design.supply.apply + fluid.drag * aged
    )
    held = torque.release_part * torque.release * (real * throttle / off - reported)
    out[RELEASE] = held + lost * design.supply.release
    longer = load.time * felt + fluid.time * (1 / friction - 1) + fluid.time_power * causes.power
    fill_time = design.fill.time * grown / design.fill.flow
    out[TIME] = design.tables.time * (1 + longer) + fill_time[:, None]
    whole = real * driver
    let_through = (1 - design.tables.cut) * (1 + design.tables.heat_room * (whole - 1)) / whole
    out[CUT] = 100 * (1 - let_through) + 0.6 * felt
    out += gap + per_signal(design.noise.cell) * wandering.cell
    if np.abs(out[APPLY]).max() > UPPER[APPLY]:
        # No authority left: harsh or flaring.
        beyond = out[APPLY] - np.clip(out[APPLY], LOWER[APPLY], UPPER[APPLY])
        out[TIME] += design.supply.time_short * beyond
    return out


def _fill(design: Design, grown: Floats) -> Floats:
    """Give the pressure that grown packs need: stroke against the springs, and flow short in a fixed time."""
    fill, area = design.fill, AREA[APPLIES]
    return np.asarray(
        fill.spring * grown * 100 / area**2 + 2 * fill.pressure * fill.unseen * grown / V_NEW[APPLIES]
    )
