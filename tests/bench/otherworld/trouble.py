"""What gets lost between the controller and the file: signals, modes, temperatures, counts, keystrokes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tests.bench.otherworld.dials import Dial
from tests.bench.otherworld.world import KINDS, Bools, Floats, Layout


@dataclass(frozen=True)
class Gaps:
    """What is not read of a unit, or of a whole fleet: cells (C,), volumes, temperature, counts."""

    cells: Bools
    volumes: bool = False
    temperature: bool = False
    counts: bool = False


def fleet_gaps(cells: Layout, dial: Dial, rng: np.random.Generator) -> Gaps:
    """Say what nobody in the fleet reads; the volumes are always read by somebody."""
    lost = np.zeros(cells.cells, dtype=bool)
    if rng.random() < dial.fleet_lacks:
        lost = _one_lost(cells, ("release_trim", "shift_time", "torque_cut"), rng)
    return Gaps(lost)


def unit_gaps(cells: Layout, fleet: Gaps, dial: Dial, rng: np.random.Generator) -> Gaps:
    """Say what is not read of one unit."""
    lost = fleet.cells.copy()
    volumes = False
    if rng.random() < dial.unit_lacks:
        volumes = rng.random() < 0.12
        if not volumes:
            lost |= _one_lost(cells, KINDS, rng)
    return Gaps(lost, volumes, rng.random() < dial.no_temperature, rng.random() < dial.no_counts)


def _one_lost(cells: Layout, kinds: tuple[str, ...], rng: np.random.Generator) -> Bools:
    """Lose one kind of signal, or one mode other than the first."""
    if rng.random() < 0.4:
        return np.asarray(cells.mode == int(rng.integers(1, len(cells.profile.modes))))
    return cells.is_kind(str(rng.choice(kinds)))


def with_slips(
    values: Floats, lower: Floats, upper: Floats, step: Floats, share: float, rng: np.random.Generator
) -> Floats:
    """Mistype a few values: a sign, a decimal point, one digit.

    Only slips that stay within the range are kept: others would not get past the door. What is shown has
    the signal's steps, so a mistyped value has them too.
    """
    if share <= 0:
        return values
    hit = rng.random(values.shape) < share
    how = rng.integers(0, 3, values.shape)
    digit = 20.0 * step * rng.choice([-1.0, 1.0], values.shape)
    wrong = np.select([how == 0, how == 1], [-values, values * 10.0], default=values + digit)
    fits = (wrong >= lower) & (wrong <= upper)
    return np.where(hit & fits, np.round(wrong, 6), values)
