"""What every cell asks for, day by day, if the controller had learned all there is to learn."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tests.bench.dailyworld.acts import Act
from tests.bench.dailyworld.calendar import Driving
from tests.bench.dailyworld.draws import factor, factors
from tests.bench.dailyworld.layout import APPLIES, CELLS, SHAPE, UPPER, Floats, of_signals
from tests.bench.dailyworld.shared import Levels, Shared
from tests.bench.dailyworld.wearing import Course

#: What a shift takes longer, s a kPa, where the trims are at the end of their range.
DRAG = 0.002


@dataclass(frozen=True)
class Needs:
    """What one unit asks for.

    Attributes
    ----------
    asked : array (days, WIDTH)
        True needs of the cells, then the volumes as they would be measured.
    base : array (CELLS,)
        What clearing puts back.
    load : array (days,)
        Tonnes on top.
    warmth : array (WIDTH,)
        What a kelvin at the reading does.

    """

    asked: Floats
    base: Floats
    load: Floats
    warmth: Floats


def draw_needs(
    shared: Shared, driving: Driving, acts: Sequence[Act], course: Course, rng: np.random.Generator
) -> Needs:
    """Draw how one unit answers, and add up what acts on it."""
    days, answers = driving.days, shared.answers
    power, load, pressure = _acting(driving, acts)
    fluid = _fluid_age(shared, driving, acts, rng)

    def own() -> Floats:
        """Draw by how much the unit's answer is its own."""
        return factor(rng, 0.12) * factors(rng, 0.08, SHAPE)

    by_power, by_load, by_fluid = answers.power * own(), answers.load * own(), answers.fluid * own()
    by_pressure, by_wear = answers.pressure * (1 + 0.3 * (own() - 1)), answers.wear * own()
    if rng.random() < 0.12:  # load is also driven in normal
        by_load[..., 0] *= rng.uniform(1.5, 3.0)
    warmth = answers.warmth * own()
    warmth_volume = answers.warmth_volume * factors(rng, 0.15, 5)
    away = _away(shared.levels, rng)
    grown = (course.volume - course.new)[:, APPLIES]
    need = (
        np.outer(power, by_power)
        + np.outer(load, by_load)
        + np.outer(fluid - 0.5, by_fluid)
        + np.outer(pressure, by_pressure)
    )
    need += (grown[:, None, :, None] * by_wear[None]).reshape(days, CELLS)
    need += np.outer(
        np.cos(driving.season - rng.uniform(-0.3, 0.3)),
        of_signals(shared.noise.season * factors(rng, 0.2, 4)),
    )
    need += (shared.levels.base + away).reshape(-1)
    for act in acts:
        if act.cause == "rebuild":  # a new level in every cell
            of_type = shared.levels.of_type
            new = away * 0.35 + 0.65 * of_type + 0.8 * (_away(shared.levels, rng) - of_type)
            need[act.day :] += (new - away).reshape(-1)
            away = new
    _drag(need)
    volume = (
        course.volume
        + answers.fluid_volume * (fluid - 0.5)[:, None]
        + answers.pressure_volume * pressure[:, None]
    )
    return Needs(
        np.hstack([need, volume]),
        shared.levels.base.reshape(-1),
        load,
        np.r_[warmth.reshape(-1), warmth_volume],
    )


def _acting(driving: Driving, acts: Sequence[Act]) -> tuple[Floats, Floats, Floats]:
    """Give by day the power (tenths of peak torque), the load (tonnes) and the lost pressure (kPa)."""
    days = driving.days
    power, load, pressure = np.zeros(days), np.zeros(days), np.zeros(days)
    for act in acts:
        if act.cause == "power":
            power[act.day :] += act.size * 10
        elif act.cause == "load":
            load[act.day :] += act.size
        elif act.cause == "pressure":
            since = driving.driven - driving.before(act.day)
            share = np.clip(since / act.span_km, 0, 1) if act.span_km else np.ones(days)
            pressure += act.size * share * (np.arange(days) >= act.day)
    return power, load, pressure


def _fluid_age(shared: Shared, driving: Driving, acts: Sequence[Act], rng: np.random.Generator) -> Floats:
    """Give by day how aged the fluid is, from 0 to 1; every brand starts a little elsewhere."""
    renewals = {a.day: a.size if a.cause == "fluid" else 1.0 for a in acts if a.cause in ("fluid", "rebuild")}
    fluid_km, driven = shared.answers.fluid_km, driving.driven
    aged_km = min(rng.uniform(0.3, 1.5) * fluid_km, driving.odometer)
    if renewals:  # people renew fluid when it is old
        aged_km = max(aged_km, fluid_km * rng.uniform(0.9, 1.6) - driven[min(renewals)])
    age, brand, start = 1 - np.exp(-max(aged_km, 0) / fluid_km), 0.0, 0
    fluid = np.empty(driving.days)
    for end in [*sorted(renewals), driving.days]:
        km = driven[start:end] - driving.before(start)
        fluid[start:end] = 1 - (1 - age) * np.exp(-km / fluid_km) + brand
        if end < driving.days:
            age = (fluid[end - 1] - brand) * (1 - renewals[end])
            brand, start = rng.normal(0, 0.06), end
    return fluid


def _away(levels: Levels, rng: np.random.Generator) -> Floats:
    """Draw how far a unit's needs lie from the base values."""
    away = levels.of_type + rng.normal(0, 1, (4, 1, 1)) * levels.unit[:, None, None]
    away = away + rng.normal(0, 1, (4, 10, 1)) * levels.shift[:, None, None]
    return np.asarray(away + rng.normal(0, 1, SHAPE) * levels.cell[:, None, None])


def _drag(need: Floats) -> None:
    """Make shifts longer, in place, where the trims have no authority left."""
    by_signal = need.reshape(-1, *SHAPE)
    short = np.maximum(by_signal[:, 0] - UPPER[0], 0) + np.maximum(by_signal[:, 1] - UPPER[1], 0)
    by_signal[:, 2] += DRAG * short
