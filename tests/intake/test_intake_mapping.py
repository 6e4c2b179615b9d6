"""Wide files through a mapping, and the drafting of one. Expected cells are written by hand."""

from __future__ import annotations

import tomllib

import pytest

from driftwatch.errors import InputRefused, UsageError
from driftwatch.intake.batch import read_batch
from driftwatch.intake.draft import draft_mapping
from driftwatch.intake.mapping import CellColumn, Mapping, apply_mapping
from driftwatch.intake.readers import read_table
from driftwatch.profile.load import builtin

TOML = """
time_format = "%m/%d/%Y"
[columns]
unit = "Truck"
taken_at = "Date"
odometer = "Odo mi"
fluid_temp = "ATF F"
mode = "Program"
[units]
odometer = "miles"
fluid_temp = "F"
[[cell]]
column = "1-2 apply"
channel = "1-2"
signal = "apply_trim"
unit = "psi"
learn_count = "1-2 n"
[[cell]]
column = "P3"
channel = "pack3"
signal = "clutch_volume"
unit = "in3"
"""

WIDE = """Truck;Date;Odo mi;ATF F;Program;1-2 apply;1-2 n;P3;Driver
T1;03/14/2026;1000;180;tow;1,5;4;;anna
T1;03/15/2026;1010;180;normal;;;2,5;
T1;03/16/2026;1020;180;normal;;;;
T1;16.3.2026;1020;180;normal;1;;;
"""


def read(tmp_path, text=WIDE):
    path = tmp_path / "wide.csv"
    path.write_text(text)
    return path


def test_a_wide_row_becomes_one_row_a_filled_cell(tmp_path):
    table = apply_mapping(read_table(read(tmp_path)), Mapping.from_toml(TOML))
    told = [
        (
            line,
            r["taken_at"],
            r["odometer_mi"],
            r["odometer_km"],
            r["fluid_temp_f"],
            r["mode"],
            r["channel"],
            r["value"],
        )
        for line, r in zip(table.line.to_pylist(), table.data.to_pylist(), strict=True)
    ]
    assert told == [
        (2, "2026-03-14T00:00:00", "1000", "", "180", "tow", "1-2", "1,5"),
        (5, "16.3.2026", "1020", "", "180", "normal", "1-2", "1"),
        (3, "2026-03-15T00:00:00", "1010", "", "180", "", "pack3", "2,5"),
    ]
    assert table.data["learn_count"].to_pylist() == ["4", "", ""]
    assert table.data["value_unit"].to_pylist() == ["psi", "psi", "in3"]
    assert table.data["column"].to_pylist() == ["1-2 apply", "1-2 apply", "P3"]
    assert [(b.line, b.code) for b in table.broken] == [(4, "no_readings")]
    assert table.notes == ("column 'Driver' is not in the mapping",)
    assert table.delimiter == ";"


def test_a_mapping_survives_toml_and_back():
    mapping = Mapping.from_toml(TOML)
    again = Mapping.from_toml(mapping.to_toml())
    assert again == mapping
    assert again.fingerprint == mapping.fingerprint
    odd = Mapping(
        {"taken_at": 'a "b" \\ c', "odometer": "o"},
        (CellColumn("x\ty", "1-2", "apply_trim", "tow"),),
        unit="T1",
    )
    assert Mapping.from_toml(odd.to_toml()) == odd


def test_the_fingerprint_tells_mappings_apart():
    assert (
        Mapping.from_toml(TOML.replace('"psi"', '"kPa"')).fingerprint != Mapping.from_toml(TOML).fingerprint
    )


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("[columns]", "[column]", "did you mean 'columns'"),
        ('taken_at = "Date"', "", "taken_at"),
        ('unit = "psi"', 'unit = "psy"', "not known"),
        ('odometer = "miles"', 'odometer = "kg"', "km or mi"),
        ('mode = "Program"', "", "has no mode"),
        ('signal = "apply_trim"', "", "signal is missing"),
        ('channel = "1-2"', "channel = 12", "not text"),
        ("[[cell]]", "[[cell]", "not valid TOML"),
        ('"pack3"\nsignal = "clutch_volume"', '"1-2"\nsignal = "apply_trim"', "same cell"),
    ],
)
def test_a_mapping_that_makes_no_sense_is_refused_in_one_line(old, new, says):
    assert old in TOML
    with pytest.raises(InputRefused) as refused:
        Mapping.from_toml(TOML.replace(old, new, 1), "m.toml")
    assert says in str(refused.value)
    assert str(refused.value).startswith("m.toml")


def test_a_column_the_file_does_not_have_is_named_with_the_nearest(tmp_path):
    with pytest.raises(InputRefused, match="'Odo mi' that the file does not have - the nearest is 'Odo'"):
        apply_mapping(read_table(read(tmp_path, WIDE.replace("Odo mi", "Odo"))), Mapping.from_toml(TOML))


def test_a_mapping_is_for_snapshots_only(tmp_path):
    with pytest.raises(UsageError, match="only applies to snapshots"):
        read_batch(read(tmp_path), kind="units", mapping=Mapping.from_toml(TOML))


HEADER = (
    "Truck,Date,Odo (mi),Fluid temp F,1-2 apply normal psi,1-2 release tow psi,2>3 on tow kPa,P3 vol in3,"
    "pack4 fill,3-4 time low ms,2-1 torque cut tow,1-2 apply normal count,Weather,9-10 apply psi,"
    "4-5 apply psi"
)


def test_a_draft_reads_the_header(tmp_path):
    mapping = draft_mapping(read_table(read(tmp_path, HEADER + "\n")), builtin("generic-6"))
    assert mapping.columns == {
        "unit": "Truck",
        "taken_at": "Date",
        "odometer": "Odo (mi)",
        "fluid_temp": "Fluid temp F",
    }
    assert (mapping.odometer_unit, mapping.fluid_temp_unit) == ("mi", "degF")
    found = {c.column: (c.channel, c.signal, c.mode, c.unit, c.learn_count) for c in mapping.cells}
    assert found == {
        "1-2 apply normal psi": ("1-2", "apply_trim", "normal", "psi", "1-2 apply normal count"),
        "1-2 release tow psi": ("1-2", "release_trim", "tow", "psi", None),
        "2>3 on tow kPa": ("2-3", "apply_trim", "tow", "kPa", None),
        "P3 vol in3": ("pack3", "clutch_volume", None, "in3", None),
        "pack4 fill": ("pack4", "clutch_volume", None, "cm3", None),
        "3-4 time low ms": ("3-4", "shift_time", "low", "ms", None),
        "2-1 torque cut tow": ("2-1", "torque_cut", "tow", "%", None),
        "4-5 apply psi": ("4-5", "apply_trim", "normal", "psi", None),
    }


def test_a_draft_says_what_it_is_unsure_of_in_comments(tmp_path):
    text = draft_mapping(read_table(read(tmp_path, HEADER + "\n")), builtin("generic-6")).to_toml()
    assert "# not sure: the unit is not in the name; cm3 is taken\n" in text
    assert "# not sure: the name says no mode; normal is taken\n" in text
    assert "# not understood, and left out: 'Weather'\n" in text
    assert "# not understood, and left out: '9-10 apply psi'\n" in text
    assert tomllib.loads(text)["columns"]["unit"] == "Truck"
    assert Mapping.from_toml(text).cells


def test_a_draft_without_any_cell_is_refused(tmp_path):
    with pytest.raises(InputRefused, match="no column looks like a value"):
        draft_mapping(read_table(read(tmp_path, "a,b\n")), builtin("generic-6"))


def test_a_draft_names_what_it_did_not_find(tmp_path):
    mapping = draft_mapping(read_table(read(tmp_path, "x,1-2 apply tow psi\n")), builtin("generic-6"))
    assert "# not found: which column is odometer; fill it in below" in mapping.to_toml()
    with pytest.raises(InputRefused, match="FILL IN"):
        apply_mapping(read_table(read(tmp_path, "x,1-2 apply tow psi\n1,2\n")), mapping)
