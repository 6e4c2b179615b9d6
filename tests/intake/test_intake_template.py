"""The reading sheet: written blank, filled in as a technician would, and read as it is."""

from __future__ import annotations

from datetime import datetime

import openpyxl
import pytest

from driftwatch.errors import InputRefused, UsageError
from driftwatch.intake.batch import read_batches
from driftwatch.intake.template import write_template
from driftwatch.profile.load import builtin
from driftwatch.store.database import Database


def cell_of(sheet, label, head=None):
    """Give the field beside a label; in a section, that under a head."""
    for row in sheet.iter_rows():
        if head is None and row[0].value == label:
            return row[1]
    raise AssertionError(label)


def field(sheet, section, channel, head):
    """Give the field of a section, by the row's channel and the column's head."""
    heads: list = []
    inside = False
    for row in sheet.iter_rows():
        if str(row[0].value or "").startswith(f"{section} in "):
            inside, heads = True, [c.value for c in row]
        elif inside and row[0].value == channel:
            return row[heads.index(head)]
    raise AssertionError((section, channel, head))


def filled(path, unit="T1", **more):
    book = openpyxl.load_workbook(path)
    sheet = book.worksheets[0]
    for label, value in {"Unit": unit, "Read on": "2026-03-14 09:20", "Odometer": 64200, **more}.items():
        cell_of(sheet, label).value = value
    field(sheet, "clutch_volume", "pack3", "value").value = 25.9
    field(sheet, "apply_trim", "2-3", "normal").value = 18
    field(sheet, "apply_trim", "2-3", "normal learns").value = 46
    field(sheet, "apply_trim", "2-3", "tow").value = "22,5"
    book.save(path)
    return path


def test_a_filled_sheet_is_read_as_it_is(tmp_path):
    path = write_template(tmp_path / "r.xlsx", builtin("generic-6"))
    (batch,) = read_batches(filled(path, **{"Fluid temperature": 74, "Read by or with": "anna"}))
    assert (batch.kind, batch.rows, batch.decimal) == ("snapshots", 3, "comma")
    told = [
        (r["unit"], r["taken_at"], r["odometer_km"], r["fluid_temp_c"], r["source"])
        for r in batch.table.data.to_pylist()
    ]
    assert set(told) == {("T1", "2026-03-14 09:20", "64200", "74", "anna")}
    cells = [
        (r["mode"], r["channel"], r["signal"], r["value"], r["value_unit"], r["learn_count"])
        for r in batch.table.data.to_pylist()
    ]
    assert cells == [
        ("", "pack3", "clutch_volume", "25.9", "cm3", ""),
        ("normal", "2-3", "apply_trim", "18", "kPa", "46"),
        ("tow", "2-3", "apply_trim", "22,5", "kPa", ""),
    ]


def test_a_sheet_in_us_units_goes_into_a_store(tmp_path):
    path = write_template(tmp_path / "r.xlsx", builtin("generic-6"), system="US")
    filled(path, **{"Read on": datetime(2026, 3, 14, 9, 20), "Fluid temperature": 212})
    with Database.create(tmp_path / "s.duckdb") as db:
        (tmp_path / "u.csv").write_text("unit,profile\nT1,generic-6\n")
        db.import_batches(read_batches(tmp_path / "u.csv"))
        report = db.import_batches(read_batches(path))
        assert (report.rows, report.new, report.quarantined) == (3, 3, 0)
        snapshot = db.records().snapshots.iloc[0]
        # 64 200 mi = 103 319.8 km; 212 degF = 100 degC; 18 psi = 124.1056 kPa (NIST SP 811, appendix B).
        assert snapshot.odometer_km == pytest.approx(103_319.8848, rel=1e-9)
        assert snapshot.fluid_temp_c == pytest.approx(100.0)
        assert snapshot.taken_at == datetime(2026, 3, 14, 9, 20)
        trims = db.records().readings.query("signal == 'apply_trim'")["value"].tolist()
        assert trims == [pytest.approx(124.1056, rel=1e-6), pytest.approx(155.132, rel=1e-6)]


def test_one_sheet_a_unit_and_blank_ones_are_left_out(tmp_path):
    path = write_template(tmp_path / "r.xlsx", builtin("generic-8"), ["T1", "T/2"])
    book = openpyxl.load_workbook(path)
    assert [(s.title, cell_of(s, "Unit").value) for s in book.worksheets] == [("T1", "T1"), ("T 2", "T/2")]
    with pytest.raises(InputRefused, match="nothing is filled in"):
        read_batches(path)
    assert [b.table.sheet for b in read_batches(filled(path))] == ["T1"]


def test_every_cell_of_the_profile_has_its_field(tmp_path):
    profile = builtin("generic-8")
    path = write_template(tmp_path / "r.xlsx", profile)
    sheet = openpyxl.load_workbook(path).worksheets[0]
    for signal in profile.signals:
        channels = profile.clutches if signal.per_pack else profile.shifts
        for channel in channels:
            for head in ("value",) if signal.per_pack else profile.modes:
                assert field(sheet, signal.name, channel.id, head).value is None
    assert sheet.page_setup.fitToWidth == 1
    assert sheet.sheet_properties.pageSetUpPr.fitToPage


def test_moved_rows_are_still_found_and_changed_labels_refused(tmp_path):
    path = filled(write_template(tmp_path / "r.xlsx", builtin("generic-6")))
    book = openpyxl.load_workbook(path)
    book.worksheets[0].insert_rows(4, 2)
    book.save(path)
    assert read_batches(path)[0].rows == 3
    cell_of(book.worksheets[0], "Odometer").offset(0, -1).value = "Kilometres"
    book.save(path)
    with pytest.raises(InputRefused, match="'Kilometres' means nothing on a reading sheet"):
        read_batches(path)


def test_what_is_there_is_left_alone(tmp_path):
    path = write_template(tmp_path / "r.xlsx", builtin("generic-6"))
    before = path.read_bytes()
    with pytest.raises(UsageError, match="is there already"):
        write_template(path, builtin("generic-6"))
    with pytest.raises(UsageError, match="no system of units 'UK'"):
        write_template(tmp_path / "s.xlsx", builtin("generic-6"), system="UK")
    assert path.read_bytes() == before
