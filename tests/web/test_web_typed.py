"""A reading typed in by hand: previous values beside the fields, flags, and all or nothing."""

from __future__ import annotations

import io
import re

import openpyxl
import pytest

import driftwatch
from driftwatch.profile.load import builtin
from driftwatch.web import sheet as sheets
from tests.web.conftest import words

HEAD = {"day": "2026-02-10", "odometer": "180000", "temp": "81,5", "source": "hand tool"}
PACK3, TRIM = "value clutch_volume pack3", "value apply_trim 1-2 tow"


def test_the_sheet_is_that_of_the_profile_with_the_last_values_beside(reading):
    page = reading.get("/take-in/sheet", name="unit-02").text
    names = re.findall(r'<input name="(value [^"]+)"', page)
    profile = builtin("generic-6")
    packs = sum(len(profile.clutches) for s in profile.signals if s.per_pack)
    shifts = sum(len(profile.shifts) * len(profile.modes) for s in profile.signals if not s.per_pack)
    assert len(names) == len(set(names)) == packs + shifts
    with driftwatch.open(reading.page.settings.db, read_only=True) as store:
        values = store.readings(units=["unit-02"])
    last = values[(values["channel"] == "pack3")]["value"].iloc[-1]
    field = re.search(rf'<input name="{PACK3}".*?</td>', page)[0]
    assert f'<span class="last">{last:.1f}</span>' in field


def test_a_reading_is_taken_in_whole(visit):
    visit.assessed()
    said = visit.post(
        "/take-in/sheet?name=unit-02",
        **HEAD,
        **{PACK3: "35,4", TRIM: "5", "learns 1-2 tow": "12"},
        time="09:15",
    )
    assert "The reading is taken in: 2 values (2 new, 0 the same, 0 corrected)." in words(said.text)
    with driftwatch.open(visit.page.settings.db, read_only=True) as store:
        snapshot = store.snapshots(units=["unit-02"]).iloc[-1]
        assert (str(snapshot["taken_at"]), snapshot["odometer_km"]) == ("2026-02-10 09:15:00", 180000.0)
        assert snapshot["fluid_temp_c"] == 81.5
        values = store.readings(units=["unit-02"])
        values = values[values["taken_at"] == snapshot["taken_at"]].set_index("channel")
        assert values["value"].to_dict() == {"pack3": 35.4, "1-2": 5.0}
        assert values.loc["1-2", "learn_count"] == 12
        assert store.files()["name"].iloc[-1] == "typed in, unit-02, 2026-02-10"


def test_miles_and_fahrenheit_are_understood(visit):
    told = {
        "day": "2026-02-10",
        "odometer": "120000",
        "odometer_unit": "mi",
        "temp": "180",
        "temp_unit": "degF",
    }
    visit.post("/take-in/sheet?name=unit-02", **told, **{PACK3: "35.4"}, sure="yes")
    with driftwatch.open(visit.page.settings.db, read_only=True) as store:
        snapshot = store.snapshots(units=["unit-02"]).iloc[-1]
    # 1 mi is 1.609344 km, exactly; 180 degF are 82.2 degC (NIST SP 811, appendix B).
    assert snapshot["odometer_km"] == pytest.approx(193121.28)
    assert snapshot["fluid_temp_c"] == pytest.approx(82.2222, abs=1e-3)


def test_what_is_odd_is_flagged_and_wants_a_second_look(visit):
    visit.assessed()
    told = {**HEAD, PACK3: "25", TRIM: "400"}
    said = words(visit.post("/take-in/sheet?name=unit-02", 400, **told).text)
    assert "2 values want a second look" in said
    assert "is far from the last one (34" in said
    assert "is outside the range that can be learned" in said
    assert "is taken in" in words(visit.post("/take-in/sheet?name=unit-02", **told, sure="yes").text)


@pytest.mark.parametrize(
    ("told", "reason"),
    [
        ({"odometer": "1"}, "odometer"),
        ({"odometer": "far"}, "is not a number"),
        ({"day": "2099-01-01"}, "is in the future"),
        ({"day": ""}, "the day is missing"),
        ({"odometer": ""}, "the odometer is missing"),
        ({"temp": "900"}, "outside what is possible"),
        ({PACK3: "x"}, "is not a number"),
        ({PACK3: ""}, "no value is filled in"),
        ({"learns 1-2 tow": "few", TRIM: "5"}, "few"),
    ],
)
def test_what_cannot_be_right_is_said_and_nothing_is_taken(visit, told, reason):
    fields = {**HEAD, PACK3: "35.4", "sure": "yes", **told}
    answer = visit.post("/take-in/sheet?name=unit-02", 400, **fields)
    assert reason in words(answer.text)
    with driftwatch.open(visit.page.settings.db, read_only=True) as store:
        assert len(store.snapshots(units=["unit-02"])) == 12
        assert store.quarantine().empty


def test_the_flags_are_those_of_the_profile():
    sheet = sheets.sections(builtin("generic-6"), None)
    told = {TRIM: "401", "value apply_trim 1-2 low": "-5,5", "value shift_time 1-2 low": "99", PACK3: "1e3"}
    assert sheets.flags(sheet, told) == {
        TRIM: "is outside the range that can be learned",
        "value shift_time 1-2 low": "is not possible",
        PACK3: sheets.flags(sheet, told)[PACK3],
    }
    assert sheets.plain_number("\u22125,5") == "-5.5"
    assert sheets.plain_number("1,234,5") == "1,234,5"


def test_a_packs_volume_may_have_grown_since_it_was_last_read(reading):
    view = reading.page.reader.view(None)
    analysis = view.said.units["unit-02"]
    sheet = sheets.sections(builtin("generic-6"), analysis)
    field = next(f for s in sheet for row in s.fields for f in row if f.key == PACK3)
    fast = next(c for c in analysis.assessment.clutches if c.clutch == "pack3").growth_interval[1]
    # By hand: the last reading is the twelfth, at 100 000 + 11 x 6 000 km; the bound rises with the fast
    # end of the growth, in cm3 per 10 000 km: three times that after 30 000 km.
    assert field.last_km == 166_000
    bound = field.usual_high + 3 * fast
    for value, odometer, far in (
        (bound + 0.01, 196_000, True),
        (bound - 0.01, 196_000, False),
        (bound - 0.01, 166_000, True),
        (bound - 0.01, 100_000, True),
        (bound - 0.01, None, True),
        (field.usual_low - 0.01, 196_000, True),
    ):
        assert (PACK3 in sheets.flags(sheet, {PACK3: f"{value:.6f}"}, odometer)) == far, (value, odometer)
    still = next(f for s in sheet for row in s.fields for f in row if f.key == TRIM)
    assert (still.grow_low, still.grow_high) == (0.0, 0.0)


def test_miles_count_as_miles_in_what_may_have_grown(visit):
    visit.assessed()
    sheet = sheets.sections(builtin("generic-6"), visit.page.reader.view(None).said.units["unit-02"])
    field = next(f for s in sheet for row in s.fields for f in row if f.key == PACK3)
    # By hand: 124 275 mi are 200 000 km (1 mi is 1.609344 km), 34 000 km after the last reading.
    told = {**HEAD, PACK3: f"{field.usual_high + 3.3 * 10_000 * field.grow_high:.3f}"}
    near = visit.post("/take-in/sheet?name=unit-02", 400, **{**told, "odometer": "170000"})
    assert "is far from the last one" in words(near.text)
    visit.post("/take-in/sheet?name=unit-02", **{**told, "odometer": "124275", "odometer_unit": "mi"})


def test_the_blank_sheet_can_be_printed_and_comes_back(reading):
    answer = reading.get("/take-in/sheet.xlsx", name="unit-02", system="US")
    assert answer.headers["content-disposition"] == 'attachment; filename="reading-unit-02.xlsx"'
    book = openpyxl.load_workbook(io.BytesIO(answer.content))
    cells = [c.value for row in book.active.iter_rows() for c in row]
    assert "unit-02" in cells
    assert "mi" in cells
