"""What must not matter: order, dates, odometer's zero, units of measure, signs, what comes later."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from functools import lru_cache

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import driftwatch
from driftwatch.assessment.assess import analyse_unit
from driftwatch.assessment.judge import FleetQuantities
from driftwatch.assessment.results import UnitAssessment
from driftwatch.panel.build import panels
from driftwatch.settings import Settings
from driftwatch.simulate import Action, LogEntry
from driftwatch.store.records import Records
from tests.assessment.units import (
    fleet_of,
    known,
    learned_from,
    likely,
    plan,
    quiet_records,
    records_of,
)

#: Each example is an assessment, so there are few; the same ones each time.
FEW = settings(
    max_examples=4,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.too_slow],
    database=None,
)
KPA_PER_PSI = 6.894757293168361  # NIST SP 811
COUNT = 12


@lru_cache(maxsize=1)
def busy() -> Records:
    made = plan(
        Action("power", 170.0, 25.0),
        Action("wear", 0.0, 1.4, packs=("pack3",)),
        log=(LogEntry(170.0, "power", 120.0, "N.m"),),
        snapshot_days=np.arange(COUNT) * 30.0,
        modes=("normal", "tow"),
    )
    return records_of(made, as_of=date(2025, 1, 10))


def judged(made: Records, quantities: FleetQuantities | None = None) -> UnitAssessment:
    by = quantities or known()
    return analyse_unit(panels(made)[0], by, made.as_of, Settings()).assessment


@lru_cache(maxsize=1)
def plain() -> UnitAssessment:
    return judged(busy())


def test_the_unit_looked_at_has_something_to_say():
    assert {f.cause for f in likely(plain())} == {"power", "wear"}


@FEW
@given(st.integers(0, 10_000))
def test_order_of_rows(seed):
    made = busy()
    mixed = replace(made, readings=made.readings.sample(frac=1.0, random_state=seed).reset_index(drop=True))
    assert judged(mixed).to_dict() == plain().to_dict()


@FEW
@given(st.integers(-1500, 1500))
def test_shift_in_time(days):
    made, by = busy(), pd.Timedelta(days=days)
    moved = replace(
        made,
        as_of=made.as_of + timedelta(days=days),
        snapshots=made.snapshots.assign(taken_at=made.snapshots["taken_at"] + by),
        readings=made.readings.assign(taken_at=made.readings["taken_at"] + by),
        events=made.events.assign(happened_at=made.events["happened_at"] + by),
    )
    then, now = plain(), judged(moved)
    assert now.state == then.state
    assert len(now.findings) == len(then.findings)
    for a, b in zip(then.findings, now.findings, strict=True):
        assert (b.cause, b.clutch, b.modes, b.shifts, b.event) == (
            a.cause,
            a.clutch,
            a.modes,
            a.shifts,
            a.event,
        )
        assert b.probability == pytest.approx(a.probability, abs=1e-9)
        assert b.after == a.after + timedelta(days=days)
        assert (b.by is None) == (a.by is None)
        assert b.by is None or b.by == a.by + timedelta(days=days)
    assert [c.remaining_km for c in now.clutches] == [c.remaining_km for c in then.clutches]


@FEW
@given(st.integers(-50_000, 400_000))
def test_shift_of_the_odometer(km):
    made = busy()
    moved = replace(made, snapshots=made.snapshots.assign(odometer_km=made.snapshots["odometer_km"] + km))
    then, now = plain(), judged(moved)
    assert [(f.cause, f.after, f.by) for f in now.findings] == [
        (f.cause, f.after, f.by) for f in then.findings
    ]
    for a, b in zip(then.findings, now.findings, strict=True):
        assert b.probability == pytest.approx(a.probability, abs=1e-6)
    for a, b in zip(then.clutches, now.clutches, strict=True):
        assert b.used == pytest.approx(a.used, abs=1e-6)
        assert b.service == a.service
    assert now.odometer_km == pytest.approx(then.odometer_km + km)


def scaled(made: Records, factors: dict[str, float], unit: str | None = None) -> Records:
    """The same records with some signals in another unit, profile and all."""

    def times(value: float | None, by: float) -> float | None:
        return None if value is None else value * by

    def turned(signal):
        by = factors.get(signal.name)
        if by is None:
            return signal
        ends = [times(signal.lower, by), times(signal.upper, by)]
        low, high = (ends[1], ends[0]) if by < 0 else ends
        return replace(
            signal,
            unit=unit or signal.unit,
            lower=low,
            upper=high,
            resolution=times(signal.resolution, abs(by)),
        )

    by = made.readings["signal"].astype(str).map(factors).fillna(1.0).to_numpy(float)
    kinds = {k: replace(p, signals=tuple(turned(s) for s in p.signals)) for k, p in made.profiles.items()}
    return replace(made, readings=made.readings.assign(value=made.readings["value"] * by), profiles=kinds)


def test_trims_in_psi_are_the_same_findings_with_sizes_in_psi():
    factors = dict.fromkeys(("apply_trim", "release_trim"), 1.0 / KPA_PER_PSI)
    in_psi = judged(scaled(busy(), factors, "psi"), learned_from(scaled(quiet_records(), factors, "psi")))
    assert [(f.cause, f.after, f.by, f.shifts) for f in in_psi.findings] == [
        (f.cause, f.after, f.by, f.shifts) for f in plain().findings
    ]
    for a, b in zip(plain().findings, in_psi.findings, strict=True):
        assert b.probability == pytest.approx(a.probability, abs=1e-6)
        for x, y in zip(a.size, b.size, strict=True):
            by = factors.get(x.signal, 1.0)
            assert y.unit == ("psi" if x.signal in factors else x.unit)
            assert [y.estimate, y.low, y.high] == pytest.approx(
                [x.estimate * by, x.low * by, x.high * by], rel=1e-6, abs=1e-9
            )


def test_all_shift_values_with_the_other_sign_are_the_same_findings():
    # A weaker engine is found as surely as a stronger one: wear aside, no family has a preferred sign.
    signals = ("apply_trim", "release_trim", "shift_time", "torque_cut")
    factors = dict.fromkeys(signals, -1.0)
    turned = judged(scaled(busy(), factors), learned_from(scaled(quiet_records(), factors)))
    power, other = (next(f for f in said.findings if f.cause == "power") for said in (plain(), turned))
    assert (other.after, other.by, other.shifts) == (power.after, power.by, power.shifts)
    assert other.probability == pytest.approx(power.probability, abs=0.02)
    for x, y in zip(power.size, other.size, strict=True):
        assert y.estimate == pytest.approx(-x.estimate, abs=0.05 * abs(x.estimate) + 0.02)


def test_what_is_read_later_changes_nothing_said_of_an_earlier_day(tmp_path):
    fleet = fleet_of(
        plan(
            Action("load", 170.0, 30.0, mode="tow"),
            log=(LogEntry(170.0, "load", 2000.0, "kg"), LogEntry(280.0, "fluid")),
            snapshot_days=np.arange(COUNT) * 30.0,
            modes=("normal", "tow"),
        )
    )
    middle = pd.Timestamp("2024-09-20")
    rows = fleet.snapshots.astype({"unit": str, "mode": str, "channel": str, "signal": str})
    log = fleet.events
    files = {
        "units": fleet.units[["unit", "profile"]],
        "early": rows[rows["taken_at"] < middle],
        "early-log": log[log["happened_at"] < middle],
        "late": rows[rows["taken_at"] >= middle].assign(value=lambda f: f["value"] + 40.0),
        "late-log": log[log["happened_at"] >= middle],
    }
    for name, frame in files.items():
        assert len(frame)
        frame.to_csv(tmp_path / f"{name}.csv", index=False)
    day = date(2024, 9, 19)
    with driftwatch.open(tmp_path / "x.duckdb", create=True) as store:
        for name in ("units", "early", "early-log"):
            store.import_file(tmp_path / f"{name}.csv")
        before = store.assess(as_of=day).to_dict()
        for name in ("late", "late-log"):
            store.import_file(tmp_path / f"{name}.csv")
        after = store.assess(as_of=day).to_dict()
        newest = store.assess(as_of=date(2025, 1, 10)).to_dict()
    assert before["units"][0]["snapshots"] == files["early"]["taken_at"].nunique()
    assert after == before
    assert newest["units"][0]["snapshots"] == COUNT
    assert newest["units"][0]["findings"] != before["units"][0]["findings"]
