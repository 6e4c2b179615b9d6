"""The fleet and a unit: what stands on the pages, narrowed, sorted, looked back at, compared."""

from __future__ import annotations

import json
import re

import driftwatch
from driftwatch.wording import day
from tests.web.conftest import somebody_writing, words


def test_the_fleet_says_what_the_assessment_says(reading):
    said = reading.text("/")
    with driftwatch.open(reading.page.settings.db, read_only=True) as store:
        items = store.alerts(at_least="watch")
    assert items
    for item in items:
        assert " ".join(item.reason.split()) in said
    assert "3 transmissions, as of" in said
    assert "Before you act" in said
    assert "Example limits." in said


def test_the_list_is_narrowed_and_sorted_by_the_address_alone(reading):
    units = re.findall(r"unit-0\d", reading.text("/", show="units", sort="unit").split("In short")[1])
    assert list(dict.fromkeys(units)) == ["unit-01", "unit-02", "unit-03"]
    only = reading.text("/", show="units", q="YARD 2")
    assert "unit-02" in only
    assert "unit-01" not in only
    assert "Nothing fits." in reading.text("/", q="no such thing")
    assert "unit-02" in reading.text("/", urgency="now", site="yard 2") + reading.text("/", urgency="plan")


def test_a_unit_is_found_by_its_name_in_any_case(reading):
    found = reading.client.get("/find", params={"q": "UNIT-02"}, follow_redirects=False)
    assert found.headers["location"] == "/unit?name=unit-02"
    found = reading.client.get("/find", params={"q": "unit"}, follow_redirects=False)
    assert found.headers["location"] == "/?show=units&q=unit"


def test_a_unit_says_all_that_the_assessment_says(reading):
    said = reading.text("/unit", name="unit-02")
    with driftwatch.open(reading.page.settings.db, read_only=True) as store:
        unit = store.assess(units=["unit-02"]).units[0]
    assert unit.findings
    for finding in unit.findings:
        assert " ".join(finding.sentence.split()) in said
    for clutch in unit.clutches:
        assert " ".join(clutch.reason.split()) in said
    for caution in unit.cautions:
        assert " ".join(caution.sentence.split()) in said
    assert " ".join(unit.sentence.split()) in said


def test_the_log_of_a_unit_stands_on_its_page(reading):
    said = reading.text("/unit", name="unit-01")
    assert "a change of engine power (+60 N·m; “invented”)" in said


def test_charts_come_as_data_and_never_as_script(reading):
    markup = reading.get("/unit", name="unit-02").text
    blocks = re.findall(r'<script type="application/json" id="[^"]+">(.*?)</script>', markup, re.DOTALL)
    assert len(blocks) >= 4
    for block in blocks:
        assert {"data", "layout"} <= set(json.loads(block))
    assert re.findall(r"<script(?![^>]*(src=|application/json))", markup) == []
    assert "style=" not in markup


def test_a_day_is_looked_back_from(reading):
    reading.assessed(as_of="2024-11-30")
    said = reading.text("/", as_of="2024-11-30")
    assert "as of 30 Nov 2024" in said
    assert "You are looking back" in said
    # 2024-01-08 and every 60 days: six readings up to the end of November (counted by hand).
    assert "6 snapshots" in reading.text("/unit", name="unit-01", as_of="2024-11-30")
    markup = reading.get("/", as_of="2024-11-30").text
    assert "/unit?name=unit-02&amp;as_of=2024-11-30" in markup


def test_too_few_readings_are_not_said_to_be_without_volumes(reading):
    """2024-01-08 and 60 days later: two readings up to the end of March, each with five volumes."""
    reading.assessed(as_of="2024-03-31")
    said = reading.text("/unit", name="unit-01", as_of="2024-03-31")
    assert "Nothing can be said of when a clutch is due: there are too few readings so far." in said
    assert "There is no forecast here yet that rests on them." in said
    fleet = reading.text("/", show="units", as_of="2024-03-31")
    assert "too few readings" in fleet
    assert "no volumes" not in fleet


def test_what_a_pack_has_left_counts_from_a_named_reading(reading):
    with driftwatch.open(reading.page.settings.db, read_only=True) as store:
        last = store.assess(units=["unit-02"]).units[0].last
    said = reading.text("/unit", name="unit-02")
    assert f"From the reading of {day(last)} to the limit" in said


def test_a_day_that_is_none_is_told(reading):
    assert "'yesterday' is not a day" in reading.text("/", 400, as_of="yesterday")


def test_two_days_are_compared_as_read(reading):
    said = reading.text("/unit/readings", name="unit-02", **{"from": "0", "to": "11"})
    assert "8 Jan 2024 against" in said
    part = said.split("Clutch fill volume")[1].split("Pressure trim")[0]
    row = part.split("pack3")[1].split("pack4")[0].split()
    # By hand: the file says 24 + 1 cm3 and noise at first, 0.9 cm3 more at each of 11 readings.
    before, after = float(row[0]), float(row[2])
    assert abs(before - 25.0) < 0.5
    assert abs(after - 34.9) < 0.5
    assert row[4] == "▲▲"


def test_how_the_data_came_to_be(reading):
    said = reading.text("/unit/history", name="unit-01")
    assert "readings in 12 snapshots" in said
    assert "snapshots.csv" in said
    assert "event logged" in said


def test_what_is_not_there_is_said_so(reading):
    assert "there is no unit" in reading.text("/unit", 404, name="nobody")
    assert "There is no such page." in reading.text("/nowhere", 404)


def test_the_page_keeps_up_with_the_command_line(visit):
    visit.assessed()
    with driftwatch.open(visit.page.settings.db) as store:
        store.add_event("unit-03", "fluid", "2025-01-01", note="from elsewhere")
    assert "from elsewhere" in visit.text("/unit", name="unit-03")
    assert "is from before; the fleet is being assessed anew" in visit.text("/")
    visit.assessed()
    assert "assessed anew" not in visit.text("/")


def test_while_somebody_writes_the_page_shows_what_was_there_before(visit):
    visit.assessed()
    before = words(visit.get("/unit", name="unit-02").text)
    # A write that is not yet over: the file has changed, and cannot be read.
    with driftwatch.open(visit.page.settings.db) as store:
        store.add_event("unit-02", "other", "2025-01-01", note="half way")
    with somebody_writing(visit.page.settings.db):
        during = visit.text("/unit", name="unit-02")
        assert "Somebody is writing into the store just now." in during
        assert "half way" not in during
        assert before.split("Clutches")[1][:300] in during
    assert "half way" in visit.text("/unit", name="unit-02")


def test_without_a_store_the_page_says_how_to_begin(empty):
    assert "There is no store yet" in empty.text("/")
    assert not empty.page.settings.db.exists()
