"""Simulated fleets with known truth, for proof, practice and the demo. All sizes are invented."""

from driftwatch.simulate.difficulty import EASY, HARD, NOISY, PRESETS, SPARSE, USUAL, Difficulty, preset
from driftwatch.simulate.frames import SimulatedFleet, gather
from driftwatch.simulate.learning import UnitRun, simulate_unit
from driftwatch.simulate.loop import simulate_fleet
from driftwatch.simulate.plan import MIX, Action, LogEntry, UnitPlan

__all__ = [
    "EASY",
    "HARD",
    "MIX",
    "NOISY",
    "PRESETS",
    "SPARSE",
    "USUAL",
    "Action",
    "Difficulty",
    "LogEntry",
    "SimulatedFleet",
    "UnitPlan",
    "UnitRun",
    "gather",
    "preset",
    "simulate_fleet",
    "simulate_unit",
]
