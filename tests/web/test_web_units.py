"""Units by hand: added with their first reading, what is known of them changed, their odometer replaced."""

from __future__ import annotations

import re

import driftwatch
from tests.web.conftest import words


def unit(visit, name):
    with driftwatch.open(visit.page.settings.db, read_only=True) as store:
        return store.unit_list().set_index("unit").loc[name]


def test_from_no_store_to_a_first_reading_by_hand(empty):
    assert "Add a unit by hand" in empty.text("/")
    told = {
        "unit": "T 7",
        "profile": "generic-8",
        "site": "yard",
        "in_service_on": "2022-05-01",
        "note": "new",
    }
    said = words(empty.post("/take-in/unit", **told).text)
    assert "T 7 is in the store now. Its first reading can be typed in here." in said
    head = {"day": "2025-03-01", "odometer": "1000"}
    said = empty.post("/take-in/sheet?name=T%207", **head, **{"value clutch_volume pack1": "36"})
    assert "The reading is taken in: 1 value (1 new" in words(said.text)
    row = unit(empty, "T 7")
    assert (row["profile"], row["site"], row["snapshots"]) == ("generic-8", "yard", 1)


def test_a_unit_that_cannot_be_is_refused_and_the_form_keeps_what_was_typed(visit):
    for told, reason in (
        ({"unit": "UNIT-01"}, "there is a unit 'UNIT-01' already"),
        ({"unit": ""}, "the unit is missing"),
        ({"unit": "u", "in_service_on": "2099-01-01"}, "is in the future"),
        ({"unit": "u", "profile": "none"}, "profile 'none' is not known"),
    ):
        answer = visit.post("/take-in/unit", 400, **{"profile": "generic-6", "note": "kept", **told})
        assert reason in words(answer.text)
        assert 'value="kept"' in answer.text
    with driftwatch.open(visit.page.settings.db, read_only=True) as store:
        assert len(store.unit_list()) == 3


def test_what_is_known_of_a_unit_is_changed_and_what_it_was_stays_on_record(visit):
    assert 'value="yard 1"' in visit.get("/unit/details", name="unit-01").text
    told = {"site": "yard 4", "in_service_on": "", "note": "lent"}
    assert "Noted." in words(visit.post("/unit/details?name=unit-01", **told).text)
    assert (unit(visit, "unit-01")["site"], unit(visit, "unit-01")["note"]) == ("yard 4", "lent")
    history = visit.text("/unit/history", name="unit-01")
    assert "site yard 1 yard 4" in history
    late = {"in_service_on": "2099-01-01"}
    assert "is in the future" in words(visit.post("/unit/details?name=unit-01", 400, **late).text)


def test_an_odometer_that_was_replaced_lets_later_readings_in(visit):
    reading = {"day": "2026-02-10", "value clutch_volume pack1": "36.3", "sure": "yes"}
    assert "backwards" in words(
        visit.post("/take-in/sheet?name=unit-01", 400, **reading, odometer="500").text
    )
    assert "is not a day or time" in words(
        visit.post("/unit/odometer?name=unit-01", 400, day="", was="120000").text
    )
    assert "is not a number" in words(
        visit.post("/unit/odometer?name=unit-01", 400, day="2026-01-05", was="x").text
    )
    told = {"day": "2026-01-05", "was": "5", "reads": ""}
    assert "cannot have shown 5 km" in words(visit.post("/unit/odometer?name=unit-01", 400, **told).text)
    told = {"day": "2026-01-05", "was": "75000", "reads": "", "measure": "mi"}
    assert "Noted; 0 snapshots set right." in words(visit.post("/unit/odometer?name=unit-01", **told).text)
    visit.post("/take-in/sheet?name=unit-01", **reading, odometer="500")
    # By hand: 75 000 mi are 120 700.8 km, and 500 km on the new one come on top.
    assert unit(visit, "unit-01")["odometer_km"] == 121200.8


def test_a_replaced_odometer_is_confirmed_put_right_and_taken_back(visit):
    address = "/unit/odometer?name=unit-01"
    told = {"day": "2026-01-05", "was": "200000", "reads": "7"}
    asked = visit.post(address, 400, **told).text
    assert "usually" in words(asked)
    assert 'name="anyway"' in asked
    assert "Noted; 0 snapshots set right." in words(visit.post(address, **told, anyway="yes").text)
    shown = visit.get("/unit/details", name="unit-01").text
    assert "the old one showed 200" in words(shown)
    noted = re.search(r'name="day"><option value="([^"]*)"', shown)[1]
    told = {"day": "2026-01-06", "was": "122000", "reads": "8", "instead_of": noted}
    assert "Noted; 0 snapshots set right." in words(visit.post(address, **told).text)
    retract = "/unit/odometer/retract?name=unit-01"
    assert "no replaced odometer is noted" in words(visit.post(retract, 400, day=noted, reason="x").text)
    assert "without a reason" in words(visit.post(retract, 400, day="2026-01-06", reason="").text)
    said = visit.post(retract, day="2026-01-06", reason="was unit-02").text
    assert "Taken back; 0 snapshots set right." in words(said)
    history = visit.text("/unit/history", name="unit-01")
    assert "replaced odometer corrected" in history
    assert "was unit-02" in history
    assert "Take one back" not in visit.get("/unit/details", name="unit-01").text
