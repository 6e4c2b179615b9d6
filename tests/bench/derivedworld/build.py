"""Tolerances: what makes one transmission differ from the next, and from itself after a rebuild."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from tests.bench.derivedworld.arrangement import (
    APPLIES,
    APPLY,
    RELEASE,
    RELEASES,
    Floats,
    per_signal,
)
from tests.bench.derivedworld.design import Design


@dataclass(frozen=True)
class Valves:
    """By what the valves are off: each pack's on and off (5,), each cell (4, 10, 3), each signal (4,)."""

    on: Floats
    off: Floats
    cell: Floats
    whole: Floats

    def gap(self, tables: Floats) -> Floats:
        """Give what every cell needs when nothing has happened, on top of the gap of the tables."""
        gap = tables + self.cell + per_signal(self.whole)
        gap[APPLY] += self.on[APPLIES][:, None]
        gap[RELEASE] += self.off[RELEASES][:, None]
        return gap


NO_VALVES = Valves(np.zeros(5), np.zeros(5), np.zeros((4, 10, 3)), np.zeros(4))


def draw_valves(before: Valves, keep: float, rng: np.random.Generator) -> Valves:
    """Draw valves that keep a share of what they were: cleaned, reset, partly the same after a rebuild."""
    new = math.sqrt(1 - keep**2)

    def fresh(spread: float, size: int | tuple[int, int]) -> Floats:
        return rng.normal(0, spread, size) * new

    return Valves(
        on=keep * before.on + fresh(11, 5),
        off=keep * before.off + fresh(8, 5),
        cell=keep * before.cell + np.stack([fresh(spread, (10, 3)) for spread in (6, 4.5, 0.012, 0.8)]),
        whole=keep * before.whole + np.array([fresh(spread, 1)[0] for spread in (5, 4, 0.02, 1.2)]),
    )


@dataclass(frozen=True)
class Manner:
    """How one unit answers and learns; it stays the same for life.

    `blind` (10, 1) is the part of a tune that its engine does not report, `supply` its share of a lost
    supply pressure, `felt` (3,) how much of a load is felt in each mode; `warmth` (4, 10, 3) what a degree
    does to a reading; `gain` is the share of the gap that a learned shift closes, `error` (4, 10, 3) the
    random error of one.
    """

    blind: Floats
    supply: float
    felt: Floats
    warmth: Floats
    gain: float
    error: Floats


def draw_manner(design: Design, rng: np.random.Generator) -> Manner:
    """Draw how a unit answers."""
    u = rng.uniform
    return Manner(
        blind=design.torque.blind * rng.normal(1, 0.15) * rng.normal(1, 0.06, (10, 1)),
        supply=rng.normal(1, 0.03),
        felt=np.array([u(0.04, 0.15), u(0.85, 1.0), u(0.3, 0.65)]),
        warmth=per_signal(design.temp_slope) * np.exp(rng.normal(0, 0.25, (4, 10, 3))),
        gain=float(np.clip(design.gain * rng.normal(1, 0.1), 0.1, 0.35)),
        error=per_signal(design.noise.learn * np.exp(rng.normal(0, 0.15)))
        * np.exp(rng.normal(0, 0.12, (4, 10, 3))),
    )
