"""What all units of one fleet have in common: calibration, physics of the type, duty, climate, tool.

Pressures in kPa, times in s, torque cuts in % of engine torque, volumes in cm3. The keywords of a call stand
in the order of their draws.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from tests.bench.dailyworld.dials import Dial
from tests.bench.dailyworld.draws import factor, factors
from tests.bench.dailyworld.layout import APPLIES, LOW_RANGE, LOWNESS, NEW_CM3, SHAPE, UP, Bools, Floats


@dataclass(frozen=True)
class Noise:
    """Random errors; arrays are by signal (4,).

    `read` is that of one reading, `volume` that of a volume; what is asked for wanders by `unit` with a
    memory of `unit_days` in all cells of a signal, by `cell` with one of `cell_days` in each; `season` is
    half the swing of a year.
    """

    read: Floats
    volume: float
    unit: Floats
    cell: Floats
    unit_days: float
    cell_days: float
    season: Floats


@dataclass(frozen=True)
class Levels:
    """Where cells stand: `base` (4, 10, 3) is what clearing puts back; the need lies away from it.

    By how much: `of_type` (4, 10, 3) in every unit, and by a unit's own draws of spread `unit`, `shift` and
    `cell` (4,).
    """

    base: Floats
    unit: Floats
    shift: Floats
    cell: Floats
    of_type: Floats


@dataclass(frozen=True)
class Answers:
    """How strongly each cell (4, 10, 3) answers to what acts on it, and the volumes with it.

    To a tenth more of peak torque, a tonne, fluid that goes from fresh to fully aged (over some `fluid_km`),
    a kPa of lost supply pressure, a cm3 by which the applied pack has grown, and a kelvin.
    """

    power: Floats
    load: Floats
    fluid: Floats
    fluid_km: float
    fluid_volume: float
    pressure: Floats
    pressure_volume: float
    wear: Floats
    warmth: Floats
    warmth_volume: Floats


@dataclass(frozen=True)
class Duty:
    """How the fleet learns, wears and drives.

    Attributes
    ----------
    shifts_to_learn : array (4, 10, 3)
        Shifts in which a cell covers 63 % of its way.
    use : array (10,)
        Shifts a km from which something is learned, in mode normal.
    low_shown : array of bool (10,)
        Which shifts the tool shows in the low range.
    count_cap : int
        Where the tool's counts stop.
    torque_nm : float
        Peak torque as it left the works.
    wear : array (5,)
        Share of each pack's allowance that is used a km.
    km_a_day, climate : float
        Usual distance; swing of the fluid's temperature over the year, K.
    start : Timestamp
        About when the first readings were taken.
    torque_unit, mass_unit : str
        What the log is kept in.

    """

    shifts_to_learn: Floats
    use: Floats
    low_shown: Bools
    count_cap: int
    torque_nm: float
    wear: Floats
    km_a_day: float
    climate: float
    start: pd.Timestamp
    torque_unit: str
    mass_unit: str


@dataclass(frozen=True)
class Shared:
    """All of it; `no_signal` (5,), the last for the volumes, and `no_mode` (3,) say what nobody reads."""

    noise: Noise
    levels: Levels
    answers: Answers
    duty: Duty
    no_signal: Bools
    no_mode: Bools


def draw_shared(dial: Dial, rng: np.random.Generator) -> Shared:
    """Draw what the units of a fleet have in common."""
    noise, levels = _noise(dial, rng), _levels(rng)
    answers, duty = _answers(rng), _duty(rng)
    no_signal, no_mode = np.zeros(5, bool), np.zeros(3, bool)
    if dial.hard:
        no_signal[:4] = rng.random(4) < np.array([0.05, 0.25, 0.2, 0.3])
        no_signal[0] &= not no_signal[:4].all()
        no_mode[1:] = rng.random(2) < np.array([0.12, 0.35])
    return Shared(noise, levels, answers, duty, no_signal, no_mode)


def _noise(dial: Dial, rng: np.random.Generator) -> Noise:
    grain = np.array(
        [rng.uniform(2.2, 3.6), rng.uniform(1.8, 3.0), rng.uniform(0.005, 0.009), rng.uniform(0.5, 0.9)]
    )
    return Noise(
        read=grain * dial.noise,
        volume=rng.uniform(0.09, 0.22) * dial.noise,
        unit=grain * rng.uniform(0.35, 0.65) * dial.noise,
        cell=grain * rng.uniform(0.3, 0.6) * dial.noise,
        unit_days=rng.uniform(25, 70),
        cell_days=rng.uniform(15, 50),
        season=grain * rng.uniform(0.3, 0.8) * dial.noise * rng.choice([-1, 1], 4),
    )


def _levels(rng: np.random.Generator) -> Levels:
    base = np.zeros(SHAPE)
    if rng.random() < 0.5:
        base[0] = np.round(rng.normal(0, 8, (10, 1)) + rng.normal(0, 3, (10, 3)))
        base[1] = np.round(rng.normal(0, 6, (10, 1)) + rng.normal(0, 2, (10, 3)))
    base[2] = (
        rng.uniform(0.45, 0.62)
        + rng.normal(0, 0.04, (10, 1))
        + np.array([0, -0.02, 0.04])
        + rng.normal(0, 0.01, (10, 3))
    )
    cut = np.where(UP, rng.uniform(20, 34), rng.uniform(8, 18))[:, None]
    base[3] = np.clip(cut + rng.normal(0, 3, (10, 1)) + np.array([0, 2.0, -1.0]), 4, 50)
    unit = np.array([rng.uniform(6, 14), rng.uniform(5, 10), rng.uniform(0.012, 0.03), rng.uniform(1.0, 2.2)])
    shift = np.array(
        [rng.uniform(8, 15), rng.uniform(6, 12), rng.uniform(0.015, 0.03), rng.uniform(1.0, 2.0)]
    )
    cell = shift * rng.uniform(0.3, 0.6)
    of_type = rng.normal(0, 1, SHAPE) * (shift * rng.uniform(0.5, 1.0))[:, None, None]
    return Levels(base, unit, shift, cell, of_type)


def _answers(rng: np.random.Generator) -> Answers:
    torque = np.where(UP, rng.uniform(0.95, 1.15), rng.uniform(0.5, 0.8)) * factors(rng, 0.12, 10)
    steep = rng.uniform(0.05, 0.16)
    power = _power(torque * (1 + steep * LOWNESS), rng)
    load = _load(steep, rng)
    # Mostly old fluid asks for more; with some friction systems it is the other way.
    way = 1.0 if rng.random() < 0.8 else -1.0
    aged = rng.uniform(11.0, 20.0) * way
    return Answers(
        power=power,
        load=load,
        fluid=_per(
            [
                aged,
                aged * rng.uniform(-0.04, 0.15),
                rng.uniform(0.018, 0.034) * way,
                rng.uniform(-0.3, 0.3),
            ],
            [0.18],
            rng,
        ),
        fluid_km=rng.uniform(40_000, 90_000),
        fluid_volume=rng.uniform(-0.06, 0.06),
        pressure=_per(
            [1.0, rng.uniform(0.3, 0.6), rng.uniform(0.0004, 0.0009), 0.0], [0.06, 0.1, 0.2, 0.0], rng
        ),
        pressure_volume=rng.uniform(-0.003, 0.003),
        wear=_wear(rng),
        warmth=_warmth(rng),
        warmth_volume=-rng.uniform(0.004, 0.014) * factors(rng, 0.2, 5),
    )


def _per(sizes: Sequence[float], spread: Sequence[float], rng: np.random.Generator) -> Floats:
    """Give every cell the size of its signal, with a spread of its own."""
    return np.asarray(_column(sizes) * np.exp(rng.normal(0, 1, SHAPE) * _column(spread)))


def _column(values: Sequence[float]) -> Floats:
    return np.reshape(np.array(values, dtype=float), (-1, 1, 1))


def _by_shift_and_mode(spread: float, rng: np.random.Generator) -> Floats:
    return factors(rng, spread, (10, 3))


def _power(torque: Floats, rng: np.random.Generator) -> Floats:
    """Draw the answers to power: torque passes every shift, in the low gears and upshifts most."""
    in_mode = np.array([1.0, rng.uniform(0.95, 1.25), rng.uniform(0.7, 1.1)])
    answer = np.zeros(SHAPE)
    most = rng.uniform(7.5, 13.0)
    answer[0] = most * torque[:, None] * in_mode * _by_shift_and_mode(0.12, rng)
    answer[1] = most * rng.uniform(0.4, 0.8) * torque[:, None] * in_mode * _by_shift_and_mode(0.15, rng)
    answer[2] = rng.uniform(-0.003, 0.004) * torque[:, None] * _by_shift_and_mode(0.3, rng)
    answer[3] = rng.uniform(1.3, 2.5) * torque[:, None] * in_mode * _by_shift_and_mode(0.12, rng)
    return answer


def _load(steep: float, rng: np.random.Generator) -> Floats:
    """Draw the answers to load: the shift takes longer because there is more mass to pull through it."""
    in_shift = np.where(UP, 1.0, rng.uniform(0.4, 0.7)) * (1 + 0.5 * steep * LOWNESS)
    in_mode = np.array([rng.uniform(0.05, 0.18), 1.0, rng.uniform(0.25, 0.6)])
    answer = np.zeros(SHAPE)
    most = rng.uniform(6.0, 11.0)
    answer[0] = most * in_shift[:, None] * in_mode * _by_shift_and_mode(0.15, rng)
    answer[1] = most * rng.uniform(0.0, 0.18) * in_shift[:, None] * in_mode * _by_shift_and_mode(0.3, rng)
    answer[2] = rng.uniform(0.007, 0.014) * in_shift[:, None] * in_mode * _by_shift_and_mode(0.15, rng)
    answer[3] = rng.uniform(-0.05, 0.22) * in_shift[:, None] * in_mode * _by_shift_and_mode(0.3, rng)
    return answer


def _wear(rng: np.random.Generator) -> Floats:
    answer = np.zeros(SHAPE)
    pack = factors(rng, 0.2, 5)[APPLIES] * NEW_CM3[APPLIES] ** -0.5 * 5.5
    answer[0] = rng.uniform(2.2, 4.8) * pack[:, None] * _by_shift_and_mode(0.12, rng)
    answer[2] = rng.uniform(0.001, 0.0035) * pack[:, None] * _by_shift_and_mode(0.2, rng)
    return answer


def _warmth(rng: np.random.Generator) -> Floats:
    way = float(rng.choice([-1, 1], p=[0.75, 0.25]))
    sizes = [
        way * rng.uniform(0.05, 0.2),
        way * rng.uniform(0.03, 0.12),
        way * rng.uniform(0.0002, 0.0006),
        float(rng.choice([-1, 1])) * rng.uniform(0.005, 0.025),
    ]
    return _per(sizes, [0.2], rng)


def _duty(rng: np.random.Generator) -> Duty:
    shifts_a_km = np.array([9, 9, 8, 6, 4, 4, 6, 8, 8, 8.0]) / 100.0
    return Duty(
        shifts_to_learn=rng.uniform(3.5, 5.5) * factors(rng, 0.1, SHAPE),
        use=shifts_a_km * factors(rng, 0.45, 10),
        low_shown=np.ones(10, bool) if rng.random() < 0.5 else LOW_RANGE > 0.1,
        count_cap=255 if rng.random() < 0.3 else 10**9,
        torque_nm=float(np.round(rng.uniform(600, 1250), -1)),
        wear=0.031e-5 * factor(rng, 0.2) * factors(rng, 0.25, 5),
        km_a_day=95 * factor(rng, 0.25),
        climate=rng.uniform(3, 8),
        start=pd.Timestamp("2021-01-04") + pd.Timedelta(days=int(rng.integers(0, 700))),
        torque_unit=str(rng.choice(["Nm", "Nm", "lb-ft"])),
        mass_unit=str(rng.choice(["kg", "kg", "kg", "t", "lb"])),
    )
