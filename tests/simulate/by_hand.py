"""A small six-speed arrangement, built in code, so that these tests rest on no file."""

from dataclasses import replace

import numpy as np

from driftwatch.profile.model import Clutch, Profile, Shift, Signal
from driftwatch.simulate import USUAL, UnitPlan, UnitRun, simulate_unit

# Which two packs hold in each gear: a chart whose one-step shifts each swap one pack for one other.
CHART = {1: {1, 5}, 2: {1, 4}, 3: {1, 3}, 4: {1, 2}, 5: {2, 3}, 6: {2, 4}}


def six_speed() -> Profile:
    steps = [(g, g + 1) for g in range(1, 6)] + [(g + 1, g) for g in range(1, 6)]
    shifts = tuple(
        Shift(f"{a}-{b}", f"pack{min(CHART[b] - CHART[a])}", f"pack{min(CHART[a] - CHART[b])}")
        for a, b in steps
    )
    return Profile(
        name="test-6",
        title="Six-speed for tests",
        modes=("normal", "tow", "low"),
        clutches=tuple(
            Clutch(f"pack{i}", new_volume_cm3=v, service_limit_cm3=v * 1.4)
            for i, v in enumerate((36.0, 32.0, 24.0, 28.0, 50.0), start=1)
        ),
        shifts=shifts,
        signals=(
            Signal("clutch_volume", "cm3", 5.0, 140.0, 0.1),
            Signal("apply_trim", "kPa", -120.0, 120.0, 1.0),
            Signal("release_trim", "kPa", -120.0, 120.0, 1.0),
            Signal("shift_time", "s", 0.1, 1.5, 0.005),
            Signal("torque_cut", "%", 0.0, 80.0, 0.5),
        ),
        illustrative=True,
    )


#: No chance in the values: what remains is causes, learning and rounding.
CALM = replace(USUAL, noise=0.0, wander=0.0, temperature=0.0, slips=0.0, no_counts=0.0, no_temperature=0.0)
#: The same, with so many repeats that every need is met at once.
QUICK = replace(CALM, learning=500.0)


def fine(profile: Profile) -> Profile:
    """The same transmission without rounding or ends of range."""
    return replace(
        profile, signals=tuple(replace(s, lower=None, upper=None, resolution=None) for s in profile.signals)
    )


def run_one(profile, *actions, difficulty=QUICK, seed=5, days=None, **changes) -> UnitRun:
    """One unit over 36 snapshots, 30 days and 3600 km apart, with exactly these actions."""
    plan = UnitPlan(
        unit="X1",
        profile=profile,
        first=np.datetime64("2023-01-01T08:00", "m"),
        snapshot_days=np.arange(36) * 30.0 if days is None else np.asarray(days, dtype=float),
        km_per_day=120.0,
        first_odometer_km=50_000.0,
        actions=tuple(actions),
        logged=(False,) * len(actions),
        log=(),
        signals=tuple(s.name for s in profile.signals),
        modes=profile.modes,
    )
    return simulate_unit(replace(plan, **changes), np.random.SeedSequence(seed), difficulty)
