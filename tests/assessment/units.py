"""Units made to order for these tests: what happens to them is said exactly, the rest is the simulator's.

Histories are short (24 snapshots, two years) so that one assessment costs a fraction of a second. What the
program knows of noise comes from a quiet fleet of the same type, simulated once from a fixed seed.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from functools import lru_cache

import numpy as np

from driftwatch.assessment.assess import analyse_unit
from driftwatch.assessment.judge import FleetQuantities, learn_fleet
from driftwatch.assessment.results import Finding, UnitAnalysis, UnitAssessment
from driftwatch.panel.build import panels
from driftwatch.profile.load import builtin
from driftwatch.profile.model import Profile
from driftwatch.settings import Settings
from driftwatch.simulate import (
    EASY,
    Difficulty,
    SimulatedFleet,
    UnitPlan,
    gather,
    simulate_fleet,
    simulate_unit,
)
from driftwatch.simulate.plan import Action, LogEntry
from driftwatch.store.records import Records
from tests.bench.fleets import as_records

FIRST = np.datetime64("2024-01-08T08:00", "m")
SNAPSHOTS = 24
SPACING = 30.0
AS_OF = date(2025, 12, 15)
KM_PER_DAY = 140.0


@lru_cache(maxsize=2)
def profile(name: str = "generic-6") -> Profile:
    return builtin(name)


@lru_cache(maxsize=2)
def known(name: str = "generic-6") -> FleetQuantities:
    """What a quiet fleet of this type says about noise and wear."""
    return learned_from(quiet_records(name))


@lru_cache(maxsize=2)
def quiet_records(name: str = "generic-6") -> Records:
    """Twenty units to which nothing happens."""
    fleet = simulate_fleet(profile(name), 20, 11, EASY, years=2.0, mix={"nothing": 1.0})
    return as_records(fleet, date(2026, 10, 31))


def learned_from(records: Records) -> FleetQuantities:
    return learn_fleet(panels(records), Settings())


def plan(*actions: Action, log: tuple[LogEntry, ...] = (), **changes: object) -> UnitPlan:
    """One unit with exactly these actions; any field of the plan can be given instead."""
    kind = profile()
    made = UnitPlan(
        unit="X1",
        profile=kind,
        first=FIRST,
        snapshot_days=np.arange(SNAPSHOTS) * SPACING,
        km_per_day=KM_PER_DAY,
        first_odometer_km=60_000.0,
        actions=actions,
        logged=(False,) * len(actions),
        log=log,
        signals=tuple(s.name for s in kind.signals),
        modes=kind.modes,
    )
    return replace(made, **changes)  # type: ignore[arg-type]


def fleet_of(made: UnitPlan, seed: int = 3, difficulty: Difficulty = EASY) -> SimulatedFleet:
    return gather([simulate_unit(made, np.random.SeedSequence(seed), difficulty)])


def records_of(made: UnitPlan, seed: int = 3, difficulty: Difficulty = EASY, as_of: date = AS_OF) -> Records:
    return as_records(fleet_of(made, seed, difficulty), as_of)


def analysis_of(records: Records, settings: Settings | None = None) -> UnitAnalysis:
    """Assess the one unit of these records, with the noise of the quiet fleet."""
    quantities = known(next(iter(records.profiles)))
    return analyse_unit(panels(records)[0], quantities, records.as_of, settings or Settings())


def said_of(
    *actions: Action,
    log: tuple[LogEntry, ...] = (),
    seed: int = 3,
    difficulty: Difficulty = EASY,
    settings: Settings | None = None,
    **changes: object,
) -> UnitAssessment:
    """Assess one unit to which exactly these things happened."""
    return analysis_of(records_of(plan(*actions, log=log, **changes), seed, difficulty), settings).assessment


def likely(said: UnitAssessment) -> list[Finding]:
    """Findings that are more likely than not."""
    return [f for f in said.findings if f.probability >= 0.5]
