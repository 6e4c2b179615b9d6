"""The assessment's form: keys as documented, values in their sets, units with hardly any data."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import date

import numpy as np
import pytest

from driftwatch.assessment.assess import analyse, assess
from driftwatch.assessment.fitted import fitted_values
from driftwatch.assessment.results import (
    CAUSES,
    CAUTION_KINDS,
    SERVICE_STATES,
    STATES,
    Assessment,
    UnitAnalysis,
    UnitAssessment,
)
from driftwatch.errors import UnknownName
from driftwatch.settings import Settings
from driftwatch.simulate import Action, LogEntry
from tests.assessment.units import AS_OF, analysis_of, fleet_of, likely, plan, profile, records_of, said_of
from tests.bench.fleets import as_records
from tests.panel.by_hand import cell, records

UNIT_KEYS = {
    "unit", "profile", "snapshots", "first", "last", "odometer_km", "km_per_day", "state", "sentence",
    "findings", "clutches", "cautions",
}  # fmt: skip
FINDING_KEYS = {
    "cause", "probability", "after", "by", "clutch", "modes", "shifts", "event", "size", "rivals", "sentence",
}  # fmt: skip
CLUTCH_KEYS = {
    "clutch", "volume_cm3", "growth_cm3_per_10000km", "growth_interval", "limit_cm3", "limit_source", "used",
    "remaining_km", "due_on", "chance_within", "service",
}  # fmt: skip
QUANTILES = {"p10", "p50", "p90"}


@pytest.fixture(scope="module")
def busy() -> UnitAnalysis:
    """A unit with a logged power change, a worn pack and an old last snapshot."""
    made = plan(
        Action("power", 400.0, 25.0),
        Action("wear", 0.0, 0.8, packs=("pack3",)),
        log=(LogEntry(400.0, "power", 120.0, "N.m"),),
    )
    return analysis_of(records_of(made, as_of=date(2026, 4, 30)))


def test_the_json_form_has_the_documented_keys(busy):
    whole = Assessment(
        busy.panel.taken_at[-1].astype("datetime64[D]").astype(object), "test", (busy.assessment,)
    )
    said = json.loads(json.dumps(whole.to_dict(), allow_nan=False))
    assert said["format"] == "driftwatch-assessment"
    assert said["version"] == 1
    assert {"as_of", "made_by", "units"} <= set(said)
    unit = said["units"][0]
    assert set(unit) >= UNIT_KEYS
    assert unit["findings"]
    assert unit["clutches"]
    assert unit["cautions"]
    for finding in unit["findings"]:
        assert set(finding) >= FINDING_KEYS
        assert finding["cause"] in CAUSES
        assert 0.1 <= finding["probability"] <= 1.0
        assert (finding["clutch"] is not None) == (finding["cause"] == "wear")
        for size in finding["size"]:
            assert {"signal", "unit", "interval"} <= set(size)
            low, high = size["interval"]
            assert low <= size["estimate"] <= high
        assert all({"cause", "probability"} <= set(r) for r in finding["rivals"])
    for clutch in unit["clutches"]:
        assert set(clutch) >= CLUTCH_KEYS
        assert set(clutch["remaining_km"]) == set(clutch["due_on"]) == QUANTILES
        assert set(clutch["chance_within"]) == {"km", "probability"}
        assert clutch["service"] in SERVICE_STATES
    for caution in unit["cautions"]:
        assert {"kind", "channels", "since", "sentence"} <= set(caution)
        assert caution["kind"] in CAUTION_KINDS
    assert unit["state"] in STATES


def test_what_is_said_of_a_busy_unit(busy):
    said = busy.assessment
    assert {f.cause for f in likely(said)} == {"power", "wear"}
    assert next(f for f in said.findings if f.cause == "power").event == "E0001"
    assert said.snapshots == 24
    assert said.km_per_day == pytest.approx(140.0, rel=0.15)
    assert "stale" in {c.kind for c in said.cautions}


def test_tables_have_a_row_each(busy):
    whole = Assessment(date(2026, 4, 30), "test", (busy.assessment,))
    said = busy.assessment
    assert len(whole.to_frame()) == 1
    assert len(whole.to_frame("findings")) == len(said.findings)
    assert len(whole.to_frame("clutches")) == len(said.clutches)
    assert len(whole.to_frame("cautions")) == len(said.cautions)
    with pytest.raises(ValueError, match="none of units"):
        whole.to_frame("nothing")


@pytest.mark.parametrize("what", ["units", "findings", "clutches", "cautions"])
def test_a_table_without_rows_has_its_columns(busy, what):
    """So that whoever goes on with the table finds them; all that the JSON has is in them."""
    filled = Assessment(date(2026, 4, 30), "test", (busy.assessment,))
    said = filled.to_dict()["units"][0]
    items = [said] if what == "units" else said[what]
    assert items
    inner = {k.partition(".")[0] for k in filled.to_frame(what).columns}
    lists = {"findings", "clutches", "cautions"} if what == "units" else set()
    assert inner == {"unit", *items[0]} - lists
    empty = Assessment(date(2026, 4, 30), "test", ()).to_frame(what)
    assert list(empty.columns) == list(filled.to_frame(what).columns)
    assert len(empty) == 0


def test_every_reading_has_its_fitted_value(busy):
    frame = fitted_values([busy])
    assert len(frame) == np.isfinite(busy.panel.values).sum()
    assert frame["fitted"].notna().all()
    # Readings learned afresh lie about the fitted mean; three noise sds hold at least nine in ten.
    fresh = frame[frame["usable"]]
    assert ((fresh["value"] - fresh["fitted"]).abs() < 3.0 * fresh["noise_sd"]).mean() > 0.9


@pytest.mark.parametrize("count", [0, 1, 2, 4])
def test_too_few_snapshots_are_said_to_be_too_few(count):
    rows = cell([1.0] * count) + cell([30.0] * count, mode="", channel="pack3", signal="clutch_volume")
    said = analysis_of(records(rows, count)).assessment
    assert said.state == "too_few"
    assert said.findings == said.clutches == ()
    assert said.snapshots == count
    assert (said.first is None) == (count == 0)
    assert "too few" in said.sentence


@pytest.mark.parametrize("count", [5, 6])
def test_five_snapshots_are_enough_to_say_something(count):
    made = plan(Action("power", 75.0, 30.0), snapshot_days=np.arange(count) * 30.0)
    said = analysis_of(records_of(made)).assessment
    assert said.state != "too_few"
    assert [f.cause for f in likely(said)] == ["power"]


def test_how_many_are_too_few_is_a_setting():
    made = records_of(plan(snapshot_days=np.arange(6) * 30.0))
    assert analysis_of(made, Settings().with_value("least_snapshots", 7)).assessment.state == "too_few"
    assert analysis_of(made).assessment.state == "steady"


def test_constant_series_are_steady():
    rows = [r for s in profile().shifts for r in cell([5.0] * 12, channel=s.id)]
    rows += cell([25.0] * 12, mode="", channel="pack3", signal="clutch_volume")
    made = records(rows, 12, as_of=date(2024, 12, 10))
    for said in (analysis_of(made).assessment, assess(made, Settings()).units[0]):
        assert said.state == "steady"
        assert said.findings == ()


def test_without_volumes_there_is_no_forecast_and_trims_are_still_judged():
    signals = tuple(s.name for s in profile().signals if s.name != "clutch_volume")
    said = said_of(Action("pressure", 60.0, 22.0), signals=signals)
    assert said.clutches == ()
    assert [f.cause for f in likely(said)] == ["pressure"]
    assert said.state == "attention"


def test_a_rebuild_starts_a_new_life_from_which_wear_is_counted():
    packs = tuple(c.id for c in profile().clutches)
    made = plan(Action("wear", 0.0, 0.7, packs=("pack3",)), Action("rebuild", 400.0, packs=packs))
    fleet = fleet_of(made)
    said = analysis_of(as_records(fleet, AS_OF)).assessment
    assert "rebuild" in {f.cause for f in likely(said)}
    assert "relearn" not in {f.cause for f in likely(said)}
    for clutch in said.clutches:
        rows = fleet.packs[fleet.packs["clutch"] == clutch.clutch]
        life = rows[rows["life"] == rows["life"].iloc[-1]]
        first, last = life["volume_cm3"].iloc[[0, -1]]
        truth = (last - first) / (clutch.limit_cm3 - first)
        assert clutch.used == pytest.approx(truth, abs=0.08), clutch.clutch


def test_after_a_clearing_values_come_back_and_no_other_change_is_said():
    said = said_of(Action("relearn", 400.0), log=(LogEntry(400.0, "relearn"),))
    assert [(f.cause, f.event) for f in likely(said)] == [("relearn", "E0001")]
    assert all(c.service == "clear" for c in said.clutches)


def test_units_asked_for_alone_are_judged_as_among_all():
    made = records([r for u in "AB" for s in profile().shifts for r in cell([5.0] * 8, channel=s.id, unit=u)],
                   8, units=("A", "B"))  # fmt: skip
    whole, part = assess(made, Settings()), assess(made, Settings(), units=["B"])
    assert [u.unit for u in part.units] == ["B"]
    assert part.units[0] == whole.units[1]
    with pytest.raises(UnknownName, match="'C'"):
        assess(made, Settings(), units=["C"])


def test_progress_is_told():
    made = records(cell([5.0] * 3), 3, units=("A", "B"))
    told: list[tuple[int, int]] = []
    analyse(made, Settings(), progress=lambda what, done, total: told.append((done, total)))
    assert told == [(1, 2), (2, 2)]


@pytest.mark.parametrize(
    ("days_ago", "state"), [(40, {"changed", "settling"}), (400, {"steady"})], ids=["recent", "long ago"]
)
def test_a_change_makes_a_unit_changed_for_half_a_year(days_ago, state):
    said: UnitAssessment = said_of(Action("load", 690.0 - days_ago, 30.0, mode="tow"))
    assert [f.cause for f in likely(said)] == ["load"]
    assert said.state in state


def test_least_probability_hides_what_is_less_probable():
    made = replace(Settings(), least_probability=0.85)
    said = said_of(Action("fluid", 400.0, -14.0), signals=("apply_trim",), settings=made)
    assert all(f.probability >= 0.85 for f in said.findings)


def test_pressure_that_comes_back_is_not_said_to_be_falling():
    # Trims that fall ask for less pressure than before: nothing is being lost.
    losing, gaining = (said_of(Action("pressure", 100.0, size)) for size in (18.0, -18.0))
    assert "the supply pressure seems to be falling" in losing.sentence.lower()
    assert "falling" not in gaining.sentence
    assert all("loss of supply pressure" not in f.sentence for f in gaining.findings)
