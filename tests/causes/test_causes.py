"""What a cause leaves behind is found, named and dated; what is no change is not called one."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest
from scipy.stats import binom

from driftwatch.assessment.assess import analyse_unit
from driftwatch.assessment.results import UnitAssessment
from driftwatch.panel.build import panels
from driftwatch.settings import Settings
from driftwatch.simulate import EASY, Action, LogEntry
from tests.assessment.units import (
    FIRST,
    analysis_of,
    known,
    likely,
    plan,
    profile,
    quiet_records,
    records_of,
    said_of,
)

DAY = 400.0
EVERY_PACK = tuple(c.id for c in profile().clutches)
ALONE = {
    "power": Action("power", DAY, 25.0),
    "power down": Action("power", DAY, -25.0),
    "load": Action("load", DAY, 25.0, mode="tow"),
    "fluid": Action("fluid", DAY, -14.0),
    "relearn": Action("relearn", DAY),
    "rebuild": Action("rebuild", DAY, packs=EVERY_PACK),
    "pressure": Action("pressure", 100.0, 18.0),
    "wear": Action("wear", 0.0, 0.7, packs=("pack3",)),
}


def true_day(day: float) -> date:
    return (FIRST + np.timedelta64(round(day * 1440), "m")).astype("datetime64[D]").astype(object)


def causes(said: UnitAssessment) -> list[str]:
    return [f.cause for f in likely(said)]


@pytest.mark.parametrize("name", ALONE)
def test_a_cause_alone_is_named_and_nothing_else_is(name):
    action = ALONE[name]
    said = said_of(action)
    assert causes(said) == [action.kind]
    found = likely(said)[0]
    if action.kind not in ("wear", "pressure"):
        # Snapshots are 30 days apart; the change lies between two of them, give or take one.
        slack = timedelta(days=31)
        assert found.after - slack <= true_day(DAY) <= found.by + slack
        assert (found.by - found.after).days <= 31
    else:
        assert found.by is None


def test_wear_names_its_pack_and_the_shifts_that_apply_it():
    found = likely(said_of(ALONE["wear"]))[0]
    assert found.clutch == "pack3"
    assert set(found.shifts) == {s.id for s in profile().shifts if s.applies == "pack3"}


def test_a_power_change_moves_most_shifts_in_all_modes_and_its_sizes_have_its_sign():
    up, down = (likely(said_of(ALONE[name]))[0] for name in ("power", "power down"))
    assert set(up.modes) == set(profile().modes)
    assert len(up.shifts) >= 7
    sizes = {e.signal: e for e in up.size}
    assert sizes["apply_trim"].low < 22.0 < sizes["apply_trim"].high + 4.0
    assert all(sizes[s].low > 0 for s in ("apply_trim", "release_trim", "torque_cut"))
    assert all(e.high < 0 for e in down.size if e.signal in ("apply_trim", "release_trim", "torque_cut"))


def test_a_load_is_said_of_the_mode_driven_loaded():
    assert likely(said_of(ALONE["load"]))[0].modes == ("tow",)


def test_quiet_units_stay_silent():
    # The stated rate: one unit in twenty may show a change over its whole history. Binomial, 99 %.
    quantities = known()
    records = quiet_records()

    said = [
        analyse_unit(panel, quantities, records.as_of, Settings()).assessment for panel in panels(records)
    ]
    false = sum(bool(likely(s)) for s in said)
    assert false <= binom.ppf(0.99, len(said), 0.05)
    assert all(s.state == "steady" for s in said if not s.findings and not s.cautions)


def test_hastening_wear_is_no_staircase_of_steps():
    analysis = analysis_of(records_of(plan(Action("wear", 0.0, 0.35, packs=("pack3",), haste=2.5))))
    assert causes(analysis.assessment) == ["wear"]
    assert [c for c in analysis.fit.changes if c.kind == "step"] == []


def test_slow_pressure_loss_is_no_staircase_of_steps():
    analysis = analysis_of(records_of(plan(ALONE["pressure"])))
    assert [c for c in analysis.fit.changes if c.kind == "step"] == []


def test_a_change_that_reaches_tow_months_after_normal_is_one_change():
    use = {"normal": 1.0, "tow": 0.06, "low": 0.06}
    analysis = analysis_of(records_of(plan(Action("power", DAY, 30.0), mode_use=use)))
    assert causes(analysis.assessment) == ["power"]
    assert len([c for c in analysis.fit.changes if c.kind != "bend"]) == 1


def test_an_entry_misdated_by_days_is_tied_to_its_change():
    log = (LogEntry(DAY + 5.0, "power", 120.0, "N.m"),)
    found = likely(said_of(ALONE["power"], log=log))
    assert [(f.cause, f.event) for f in found] == [("power", "E0001")]
    assert "The log has a power entry (120 N.m)" in found[0].sentence


def test_a_change_without_an_entry_is_a_finding_that_says_so():
    found = likely(said_of(ALONE["power"]))[0]
    assert found.event is None
    assert "Nothing in the log accounts for it." in found.sentence


def test_an_entry_months_away_is_not_tied():
    log = (LogEntry(DAY - 200.0, "power", 120.0, "N.m"),)
    found = likely(said_of(ALONE["power"], log=log))
    assert [(f.cause, f.event) for f in found] == [("power", None)]


@pytest.mark.parametrize("kind", ["power", "load", "fluid", "rebuild"])
def test_an_entry_without_effect_is_no_finding(kind):
    assert causes(said_of(log=(LogEntry(DAY, kind),))) == []


def test_two_causes_in_one_visit_are_both_named():
    actions = (Action("power", DAY, 30.0), Action("fluid", DAY, -14.0))
    log = (LogEntry(DAY, "power", 130.0, "N.m"), LogEntry(DAY, "fluid"))
    assert sorted(causes(said_of(*actions, log=log))) == ["fluid", "power"]


@pytest.mark.parametrize("missing", ["torque_cut", "release_trim", "shift_time", "clutch_volume"])
def test_a_missing_signal_breaks_nothing(missing):
    signals = tuple(s.name for s in profile().signals if s.name != missing)
    said = said_of(ALONE["power"], signals=signals)
    assert "power" in [f.cause for f in said.findings]
    assert all(e.signal != missing for f in said.findings for e in f.size)
    assert bool(said.clutches) == (missing != "clutch_volume")


def test_with_apply_trims_alone_the_change_is_found_but_its_cause_stays_open():
    found = said_of(ALONE["power"], signals=("apply_trim",)).findings
    whole = said_of(ALONE["power"]).findings
    chance = {f.cause: f.probability for f in found}
    assert found
    assert max(chance.values()) < max(f.probability for f in whole)
    assert len(chance) + len(found[0].rivals) >= 2
    assert {f.by for f in found} & {f.by for f in whole}


def test_one_mode_alone_is_enough_for_a_large_change():
    said = said_of(ALONE["power"], modes=("normal",))
    assert causes(said) == ["power"]
    assert likely(said)[0].modes == ("normal",)


def test_without_counts_or_temperature_a_change_is_still_dated():
    said = said_of(ALONE["power"], has_counts=False, has_temperature=False)
    assert causes(said) == ["power"]


def test_probabilities_and_rivals_are_probabilities():
    for name in ("fluid", "load"):
        for found in said_of(ALONE[name], signals=("apply_trim", "shift_time")).findings:
            assert 0.1 <= found.probability <= 1.0
            assert all(0.0 <= r.probability <= 1.0 for r in found.rivals)
            assert found.cause not in {r.cause for r in found.rivals}


def test_noisy_readings_make_the_same_change_less_sure():
    small = Action("fluid", DAY, -6.0)
    calm = {f.cause: f.probability for f in said_of(small).findings}
    loud = {f.cause: f.probability for f in said_of(small, difficulty=replace(EASY, noise=2.5)).findings}
    assert calm.get("fluid", 0.0) > loud.get("fluid", 0.0)
