"""Simulate a whole fleet with known truth: plans drawn at random, each run through the learning loop."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from driftwatch.errors import UsageError
from driftwatch.profile.model import Profile
from driftwatch.simulate.difficulty import USUAL, Difficulty
from driftwatch.simulate.frames import SimulatedFleet, gather
from driftwatch.simulate.learning import UnitRun, simulate_unit
from driftwatch.simulate.needs import cells_of
from driftwatch.simulate.plan import MIX, draw_plan

__all__ = ["SimulatedFleet", "UnitRun", "gather", "simulate_fleet", "simulate_unit"]


def simulate_fleet(
    profile: Profile,
    n_units: int,
    seed: int,
    difficulty: Difficulty = USUAL,
    *,
    years: float = 3.0,
    ends: str = "2026-10-31",
    mix: dict[str, float] | None = None,
    progress: Callable[[str, int, int], None] | None = None,
) -> SimulatedFleet:
    """Simulate a fleet of one transmission type.

    Parameters
    ----------
    profile : Profile
        The transmission type.
    n_units : int
        Units are named `U0001` on; the first units of a larger fleet are the same as a smaller fleet's.
    seed : int
        The same seed gives the same fleet.
    difficulty : Difficulty
        How hard the fleet is to read.
    years : float
        Length of the history.
    ends : str
        ISO date; no snapshot is later.
    mix : dict, optional
        Weight of each first cause; default `plan.MIX`, a third of the units without any.
    progress : callable, optional
        Called with what is done, units done and units in all.

    Returns
    -------
    SimulatedFleet

    """
    mix = MIX if mix is None else mix
    if unknown := set(mix) - set(MIX):
        raise UsageError(f"unknown cause {min(unknown)!r} in the mix", do=f"choose from {', '.join(MIX)}")
    if n_units < 1 or years <= 0:
        raise UsageError("a fleet needs at least one unit and a history longer than 0 years")
    cells = cells_of(profile)
    runs: list[UnitRun] = []
    for i, child in enumerate(np.random.SeedSequence(seed).spawn(n_units)):
        for_plan, for_run = child.spawn(2)
        plan = draw_plan(
            f"U{i + 1:04d}",
            profile,
            np.random.default_rng(for_plan),
            difficulty,
            years=years,
            ends=np.datetime64(ends),
            mix=mix,
        )
        runs.append(simulate_unit(plan, for_run, difficulty, cells))
        if progress is not None:
            progress("simulating", i + 1, n_units)
    return gather(runs)
