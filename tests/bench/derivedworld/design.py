"""What all units of a fleet share: gearing and calibration, fluid, reading, noise and duty.

Arrays of shape (10, 1) or (10, 3) go by shift, or by shift and mode; (4,) by signal.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from tests.bench.derivedworld.arrangement import APPLIES, GEARS, RELEASES, Floats, by_turn
from tests.bench.derivedworld.dials import Dial


@dataclass(frozen=True)
class Torque:
    """Pressures that hold the torque of a learned shift, kPa.

    `apply` and `release` (10, 3) at the torque of the tables; `inertia` (10, 3) what the change of speed
    needs on top. `blind` (10, 1) is the part of a tune that the engine does not report; `release_part` the
    part of the holding torque that is still on the old pack.
    """

    apply: Floats
    release: Floats
    inertia: Floats
    blind: Floats
    release_part: float


@dataclass(frozen=True)
class Load:
    """What a load does: friction lost to hotter, longer slip; heavier throttle; longer shifts. (10, 1)."""

    fade: Floats
    heavier: Floats
    time: Floats


@dataclass(frozen=True)
class Fluid:
    """What age does to the fluid.

    `loss` is friction lost at full age, below zero for fluids that gain; `km` its pace; `release` the share
    of it met by the pack let go; `product` the part of it that a service's filter and product undo; `drag`
    kPa at full age; `time` lengthening of shifts by friction lost, `time_power` by power.
    """

    loss: float
    km: float
    release: float
    product: float
    drag: float
    time: float
    time_power: float


@dataclass(frozen=True)
class Fill:
    """What a grown pack costs: fill pressure, kPa, and the part unseen; spring, N/mm; flow, cm3/s; time."""

    pressure: float
    unseen: float
    spring: float
    flow: float
    time: float


@dataclass(frozen=True)
class Supply:
    """How lost supply pressure comes through, (10, 3); and s per kPa for which trims have no authority."""

    apply: Floats
    release: Floats
    time_short: float


@dataclass(frozen=True)
class Tables:
    """Shift time aimed at, s, and torque cut, as a share (10, 3).

    `heat_room` is the part of extra torque taken as heat rather than cut; `gap` (4, 10, 3) by what the
    tables are off; `base` (4, 10, 3) the values after clearing.
    """

    time: Floats
    cut: Floats
    heat_room: Floats
    gap: Floats
    base: Floats


@dataclass(frozen=True)
class Noise:
    """Random errors by signal (4,): of a learned shift, of a cell over months, of a whole reading out.

    `driver` and `season` wander for all cells together, as shares of torque and of friction, with a memory
    of so many days; `volume` is a share of the volume.
    """

    learn: Floats
    cell: Floats
    visit: Floats
    driver: float
    season: float
    volume: float
    memory: float


@dataclass(frozen=True)
class Design:
    """A fleet's design: all of the above, and how it is read, learned and used.

    `temp_slope` (4,) and `temp_volume` say what a degree does to a reading; `gain` is the share of the gap
    that a learned shift closes, `fast` multiplies it in the first shifts after clearing; `eligible` is the
    share of shifts that is learned; `heat_power` and `heat_load` what power and load do to slip energy.
    """

    dial: Dial
    torque: Torque
    load: Load
    fluid: Fluid
    fill: Fill
    supply: Supply
    tables: Tables
    temp_slope: Floats
    temp_volume: float
    gain: float
    fast: float
    noise: Noise
    eligible: float
    heat_power: float
    heat_load: float
    start: pd.Timestamp


def draw_design(dial: Dial, rng: np.random.Generator) -> Design:
    """Draw what a fleet has in common."""
    u = rng.uniform
    torque = _torque(rng)
    load = Load(
        fade=by_turn(u(0.09, 0.17), u(0.03, 0.07))[:, None],
        heavier=by_turn(u(0.03, 0.06), u(0.01, 0.03))[:, None],
        time=by_turn(u(0.13, 0.24), u(0.04, 0.10))[:, None],
    )
    fluid = _fluid(rng)
    fill = Fill(u(280, 420), u(0.10, 0.2), u(60, 160), u(110, 200), u(0.15, 0.35))
    supply = Supply(
        apply=rng.normal(1.0, 0.04, (10, 3)),
        release=u(0.25, 0.6) * rng.normal(1, 0.1, (10, 3)),
        time_short=u(0.0004, 0.0012),
    )
    tables = _tables(torque.apply, rng)
    temp_slope = np.array(
        [u(0.05, 0.18), u(0.03, 0.12), u(0.0002, 0.0006) * rng.choice([-1, 1]), u(0.008, 0.025)]
    )
    temp_volume = u(0.0002, 0.0006) * rng.choice([-1, 1])
    gain, fast = u(0.15, 0.27), u(1.2, 1.7)
    noise = _noise(dial.noise, rng)
    return Design(
        dial, torque, load, fluid, fill, supply, tables, temp_slope, temp_volume, gain, fast, noise,
        eligible=u(0.025, 0.07), heat_power=u(0.8, 2.0), heat_load=u(1.0, 3.0),
        start=pd.Timestamp("2018-01-01") + pd.Timedelta(days=int(u(0, 1900))),
    )  # fmt: skip


def _torque(rng: np.random.Generator) -> Torque:
    """Size packs so that peak torque needs the design pressure; then what a learned shift needs."""
    u = rng.uniform
    ratio, hold = _gearing(rng)
    # Packs are sized (faces x radius x area x friction): kPa per share of peak torque.
    per_torque = u(650, 900, 5) / hold.max(axis=0)
    # Torque at a learned shift, by mode.
    share = np.array([u(0.30, 0.40), u(0.42, 0.54), u(0.34, 0.48)])
    down = by_turn(1.0, u(0.5, 0.8))
    torque = share[None, :] * (down * rng.normal(1, 0.06, 10))[:, None]
    change = np.abs(np.log(ratio[GEARS[:, 0] - 1] / ratio[GEARS[:, 1] - 1]))
    inertia = (u(110, 210) * change * by_turn(1, 0.6))[:, None] * np.ones((1, 3))
    blind = u(0.45, 0.8) * rng.normal(1, 0.12, 10)
    if rng.random() < 0.5:
        # Some shift may be covered by the controller's tables.
        blind[rng.integers(10)] *= u(0.05, 0.35)
    return Torque(
        apply=torque * (hold[GEARS[:, 1], APPLIES] * per_torque[APPLIES])[:, None],
        release=torque * (hold[GEARS[:, 0], RELEASES] * per_torque[RELEASES])[:, None],
        inertia=inertia,
        blind=blind[:, None],
        release_part=u(0.45, 0.75),
    )


def _gearing(rng: np.random.Generator) -> tuple[Floats, Floats]:
    """Give the ratios, and the torque each pack holds in each gear per unit of input torque (7, 5).

    It follows from the ground reaction and from the share of the input.
    """
    ratio = np.array([3.1, 1.81, 1.41, 1.0, 0.71, 0.61]) * np.append(rng.normal(1, 0.02, 3), [1, 1, 1])
    ratio[4:] *= rng.normal(1, 0.02, 2)
    # The first pack's share of the input in the direct gear.
    split = rng.uniform(0.45, 0.6)
    hold = np.zeros((7, 5))
    for gear, pack in ((1, 4), (2, 3), (3, 2)):
        hold[gear, 0], hold[gear, pack] = 1.0, ratio[gear - 1] - 1
    hold[4, 0], hold[4, 1] = split, 1 - split
    for gear, pack in ((5, 2), (6, 3)):
        hold[gear, 1], hold[gear, pack] = 1.0, 1 - ratio[gear - 1]
    return ratio, hold


def _fluid(rng: np.random.Generator) -> Fluid:
    """Most fluids lose friction with age; the others gain some, as their modifiers are spent."""
    u = rng.uniform
    loss = u(0.045, 0.075) * (1 if rng.random() < 0.72 else -1)
    return Fluid(
        loss=loss,
        km=u(40000, 90000),
        release=u(0.03, 0.15),
        product=u(0.35, 0.7),
        drag=u(0.15, 0.4) * abs(loss) * 100 * np.sign(loss),
        time=u(0.55, 1.0),
        time_power=rng.normal(0.02, 0.03),
    )


def _tables(apply: Floats, rng: np.random.Generator) -> Tables:
    u = rng.uniform
    time = (
        by_turn(u(0.42, 0.58), u(0.48, 0.66))[:, None]
        * rng.normal(1, 0.06, (10, 1))
        * np.array([1.0, u(0.85, 0.98), u(0.92, 1.05)])
    )
    cut = (
        by_turn(u(0.18, 0.32), u(0.07, 0.14))[:, None]
        * rng.normal(1, 0.1, (10, 1))
        * np.array([1.0, u(0.95, 1.15), 1.0])
    )
    # More of extra torque is taken as heat where the pack works lightly.
    lighter = (apply / apply.mean(axis=0)) ** u(0.4, 0.8)
    heat_room = np.clip(1 - (1 - u(0.45, 0.65)) * lighter, 0.25, 0.92)
    gap = np.stack([rng.normal(0, spread, (10, 3)) for spread in (7, 5, 0.012, 0.9)])
    base = np.stack([np.zeros((10, 3)), np.zeros((10, 3)), time, cut * 100])
    return Tables(time, cut, heat_room, gap, base)


def _noise(size: float, rng: np.random.Generator) -> Noise:
    u = rng.uniform
    learn = size * np.array([u(1.4, 2.3), u(1.1, 1.9), u(0.005, 0.0085), u(0.35, 0.7)])
    return Noise(
        learn=learn,
        cell=learn * u(0.4, 0.7),
        visit=learn * u(0.2, 0.35),
        driver=size * u(0.004, 0.008),
        season=size * u(0.003, 0.007),
        volume=size * u(0.004, 0.008),
        memory=u(25, 70),
    )
