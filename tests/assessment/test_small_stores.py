"""An owner's store holds one unit, a shop's a handful: nothing may rest on a large fleet."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd
import pytest
from scipy.stats import binom

from driftwatch.assessment.assess import analyse
from driftwatch.assessment.results import UnitAssessment
from driftwatch.settings import Settings
from driftwatch.simulate import Action
from driftwatch.store.records import Records
from tests.assessment.units import likely, plan, records_of


def alone(*actions: Action, seed: int = 3) -> UnitAssessment:
    return analyse(records_of(plan(*actions), seed=seed), Settings())[0].assessment


def together(*parts: Records) -> Records:
    """Several one-unit records as one store; the units are renamed."""
    frames = {name: [] for name in ("units", "snapshots", "readings", "events")}
    for number, part in enumerate(parts):
        for name, kept in frames.items():
            kept.append(getattr(part, name).astype({"unit": object}).assign(unit=f"X{number}"))
    whole = {name: pd.concat(kept, ignore_index=True) for name, kept in frames.items()}
    return replace(parts[0], **whole)


@pytest.mark.parametrize("seed", [3, 4])
def test_a_single_quiet_unit_is_quiet(seed):
    said = alone(seed=seed)
    assert said.state == "steady"
    assert likely(said) == []


@pytest.mark.parametrize(
    "action",
    [
        Action("power", 400.0, 25.0),
        Action("load", 400.0, 25.0, mode="tow"),
        Action("wear", 0.0, 0.7, packs=("pack3",)),
    ],
    ids=lambda action: action.kind,
)
def test_a_single_unit_has_its_one_cause_named(action):
    assert [f.cause for f in likely(alone(action))] == [action.kind]


def test_a_single_unit_whose_pressure_falls_is_told_that_or_nothing():
    # One unit alone cannot tell which drift is usual for its type, so silence is allowed, a wrong name not.
    assert {f.cause for f in likely(alone(Action("pressure", 100.0, 18.0)))} <= {"pressure"}


def test_three_units_of_which_one_changed():
    # Four stores. The stated rate is one unit in twenty with a change that is none; binomial, 99 %.
    false = units = 0
    for seed in (5, 8, 11, 14):
        records = together(
            records_of(plan(Action("power", 400.0, 25.0)), seed=seed),
            records_of(plan(), seed=seed + 1),
            records_of(plan(), seed=seed + 2),
        )
        said = [[f.cause for f in likely(a.assessment)] for a in analyse(records, Settings())]
        assert "power" in said[0]
        false += sum(c != ["power"] for c in said[:1]) + sum(bool(c) for c in said[1:])
        units += len(said)
    assert false <= binom.ppf(0.99, units, 0.05)
