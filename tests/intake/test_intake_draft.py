"""Drafting a mapping from the wording of shops, and checking one. Expected cells are written by hand."""

from __future__ import annotations

from pathlib import Path

import pytest

from driftwatch.intake.draft import draft_mapping
from driftwatch.intake.mapping import Mapping
from driftwatch.intake.mapping_check import check_mapping
from driftwatch.intake.readers import read_table, read_tables
from driftwatch.profile.load import builtin

DEMO = Path(__file__).parents[2] / "data" / "demo"
SHEET = DEMO / "invented-shop-sheet-south-yard.xlsx"


def drafted(tmp_path, text, profile="generic-6"):
    path = tmp_path / "w.csv"
    path.write_text(text)
    return draft_mapping(read_table(path), builtin(profile))


def test_the_demos_own_sheet_needs_no_correction():
    mapping = draft_mapping(read_table(SHEET), builtin("generic-8"))
    known = Mapping.read(DEMO / "invented-shop-sheet-south-yard.mapping.toml")
    assert mapping.columns == known.columns
    assert (mapping.odometer_unit, mapping.fluid_temp_unit) == ("mi", "degF")
    assert mapping.cells == known.cells
    assert "# not" not in mapping.to_toml()


#: Header, channel, signal, mode, unit; None: what the profile has.
WORDINGS = [
    ("1-2 apply tow psi", "1-2", "apply_trim", "tow", "psi"),
    ("Tow/Haul 1→2 on-coming (psi)", "1-2", "apply_trim", "tow", "psi"),
    ("T/H 1st-2nd off-going psi", "1-2", "release_trim", "tow", "psi"),
    ("Normal 3 to 4 oncoming pressure kPa", "3-4", "apply_trim", "normal", "kPa"),
    ("NORM 4>3 release adj [bar]", "4-3", "release_trim", "normal", "bar"),
    ("shift time 2-3 low ms", "2-3", "shift_time", "low", "ms"),
    ("2-3 dur. std s", "2-3", "shift_time", "normal", "s"),
    ("Torque reduction 5-6 tow %", "5-6", "torque_cut", "tow", "%"),
    ("P3 vol cc", "pack3", "clutch_volume", None, "cm3"),
    ("Clutch 4 fill in3", "pack4", "clutch_volume", None, "in3"),
    ("Pack #5 capacity mL", "pack5", "clutch_volume", None, "cm3"),
    ("K2 volume cm3", "pack2", "clutch_volume", None, "cm3"),
]


@pytest.mark.parametrize(("header", "channel", "signal", "mode", "unit"), WORDINGS)
def test_the_wording_of_shops_is_understood(tmp_path, header, channel, signal, mode, unit):
    mapping = drafted(tmp_path, f'Truck;Date;Odo km;"{header}"\n')
    (cell,) = mapping.cells
    assert (cell.channel, cell.signal, cell.mode, cell.unit) == (channel, signal, mode, unit)
    assert cell.unsure == ""


@pytest.mark.parametrize(
    ("header", "doubt"),
    [
        ("1-2 pressure tow psi", "could be apply_trim or release_trim"),
        ("1-2 apply psi", "the name says no mode; normal is taken"),
        ("1-2 apply tow", "the unit is not in the name; kPa is taken"),
        ("shift 12 apply tow psi", "12 is taken as the shift 1-2"),
        ("2026-01-02 apply tow psi", "the spreadsheet made a date of the name"),
        ("Pack 3 in3", "clutch_volume is the only signal of a pack"),
    ],
)
def test_what_is_guessed_is_said(tmp_path, header, doubt):
    mapping = drafted(tmp_path, f"Truck;Date;Odo km;{header}\n")
    assert doubt in mapping.cells[0].unsure
    assert f"# not sure: {mapping.cells[0].unsure}" in mapping.to_toml()


def test_values_say_the_unit_where_the_name_does_not(tmp_path):
    text = "Truck;Date;Odo km;2-3 time tow;P3 volume\nT1;2026-01-01;5;512;2.31\nT1;2026-02-01;6;498;2.33\n"
    cells = drafted(tmp_path, text).cells
    assert [(c.unit, c.unsure.split(";")[0]) for c in cells] == [
        ("ms", "the unit is not in the name"),
        ("in3", "the unit is not in the name"),
    ]


SNAPSHOT_COLUMNS = [
    ("Vehicle no,Reading date,Mileage,Sump temp F", "Vehicle no", "Reading date", "Mileage", "Sump temp F"),
    ("Asset,Date / time,Hub odometer km,ATF (°C)", "Asset", "Date / time", "Hub odometer km", "ATF (°C)"),
    ("Bus,Recorded,km,Oil temperature degC", "Bus", "Recorded", "km", "Oil temperature degC"),
    ("Read by,Truck,Read on,Miles,Fluid degF", "Truck", "Read on", "Miles", "Fluid degF"),
]


@pytest.mark.parametrize(("header", "unit", "taken_at", "odometer", "temp"), SNAPSHOT_COLUMNS)
def test_columns_about_the_snapshot_are_understood(tmp_path, header, unit, taken_at, odometer, temp):
    found = drafted(tmp_path, f"{header},1-2 apply tow psi\n").columns
    assert (found["unit"], found["taken_at"], found["odometer"], found["fluid_temp"]) == (
        unit,
        taken_at,
        odometer,
        temp,
    )


@pytest.mark.parametrize(
    ("header", "rows", "form", "doubt"),
    [
        ("Odo mi", ["03/14/2026", "12/31/2026"], "%m/%d/%Y", ""),
        ("Odo km", ["14.03.2026", "31.12.2026"], "%d.%m.%Y", ""),
        ("Odo km", ["14.03.2026 09:20"], "%d.%m.%Y %H:%M", ""),
        ("Odo mi", ["03/04/2026"], "%m/%d/%Y", "could also be '%d/%m/%Y'"),
        ("Odo km", ["03/04/2026"], "%d/%m/%Y", "could also be '%m/%d/%Y'"),
        ("Odo km", ["2026-03-04"], "", ""),
    ],
)
def test_the_way_of_writing_times_is_found(tmp_path, header, rows, form, doubt):
    text = f"Truck;Date;{header};1-2 apply tow psi\n" + "".join(f"T1;{row};5;1\n" for row in rows)
    mapping = drafted(tmp_path, text)
    assert mapping.time_format == form
    assert doubt in " ".join(mapping.notes)
    assert bool(doubt) == any("time_format" in note for note in mapping.notes)


def test_units_of_distance_and_temperature_that_are_guessed_are_said(tmp_path):
    text = "Truck;Date;Odometer;Fluid temp;1-2 apply tow psi\nT1;2026-01-01;5;180;1\n"
    notes = " ".join(drafted(tmp_path, text).notes)
    assert "the odometer is taken to be in km" in notes
    assert "the readings are around 180, so the fluid temperature is taken to be in degF" in notes


# Checking


def test_a_good_mapping_has_nothing_to_say(tmp_path):
    mapping = draft_mapping(read_table(SHEET), builtin("generic-8"))
    rows = check_mapping(read_tables(SHEET), mapping, builtin("generic-8"))
    assert len(rows) == 94
    assert [r.column for r in rows if r.says] == ["Read on"]  # one is "end of Sept", on purpose
    assert not any(r.fatal for r in rows)
    (pack,) = (r for r in rows if r.column == "Pack 1 volume in3")
    assert (pack.is_, pack.filled, pack.unit) == ("clutch_volume pack1", 387, "in3")


TOML = """
[columns]
unit = "Truck"
taken_at = "Date"
odometer = "Odo"
[[cell]]
column = "A"
channel = "1-2"
signal = "apply_trim"
mode = "tow"
unit = "kPa"
"""


@pytest.mark.parametrize(
    ("old", "new", "says", "fatal"),
    [
        ('"A"', '"B"', "the file has no such column", True),
        ('"1-2"', '"8-9"', "has no shift '8-9'", True),
        ('"apply_trim"', '"apply"', "has no signal 'apply'", True),
        ('"tow"', '"sport"', "has no mode 'sport'", True),
        ('"kPa"', '"ms"', "cannot be measured in ms", True),
        # By hand: the profile lets a trim learn up to 200 kPa, which are 0.2 MPa; 1 and 500 MPa are beyond.
        ('"kPa"', '"MPa"', "1 is outside what is possible, such as 500 MPa; most lie outside", False),
        ('"Odo"', '"Note"', "2 are no numbers, such as 'x'", False),
        ('"Date"', '"Note"', "2 are no times, such as 'x': set time_format", True),
    ],
)
def test_what_is_wrong_with_a_mapping_is_said_before_anything_is_written(tmp_path, old, new, says, fatal):
    (tmp_path / "w.csv").write_text("Truck,Date,Odo,A,Note\nT1,2026-01-01,5,1,x\nT1,2026-02-01,6,500,y\n")
    mapping = Mapping.from_toml(TOML.replace(old, new, 1))
    rows = check_mapping(read_tables(tmp_path / "w.csv"), mapping, builtin("generic-6"))
    told = [r for r in rows if r.says and r.is_]
    assert [r.fatal for r in told] == [fatal]
    assert says in told[0].says
    assert [r.says for r in rows if not r.is_][-1] == "not in the mapping"
