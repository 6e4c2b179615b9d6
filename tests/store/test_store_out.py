"""What comes out of the store: records as of a day, and exports that can be read in again."""

from __future__ import annotations

from datetime import date

import numpy as np
import pandas as pd
import pytest

from driftwatch.errors import StoreError, UnknownName, UsageError
from driftwatch.intake.batch import read_batch
from driftwatch.intake.readers import read_table
from driftwatch.store.database import Database

from .conftest import counts, snapshots

ROWS = (
    "T2,2026-01-31T23:59,20,tow,2-3,apply_trim,5,,s2",
    "T1,2026-02-01,12,normal,1-2,shift_time,0.5,3,",
    "T1,2026-01-31T00:00,11,normal,1-2,apply_trim,2,,s1",
    "T1,2026-01-30,10,,pack1,clutch_volume,40,,",
    "T1,2026-01-30,10,normal,1-2,apply_trim,1,4,",
)
HEAD = "unit,taken_at,odometer_km,mode,channel,signal,value,learn_count,source"


@pytest.fixture
def filled(db, fleet):
    fleet(snapshots(*ROWS, head=HEAD))
    db.add_event("T1", "fluid", "2026-01-31T18:00", note="x")
    db.add_event("T1", "power", "2026-02-01", 40, "N.m")
    return db


def test_records_have_the_documented_form(filled):
    records = filled.records()
    assert records.as_of == date(2026, 6, 1)
    assert list(records.units) == ["unit", "profile", "in_service_on", "site", "note"]
    assert list(records.snapshots) == ["unit", "taken_at", "odometer_km", "fluid_temp_c", "source"]
    assert list(records.readings) == ["unit", "taken_at", "mode", "channel", "signal", "value", "learn_count"]
    assert list(records.events) == [
        "event_id",
        "unit",
        "happened_at",
        "kind",
        "amount",
        "amount_unit",
        "note",
    ]
    assert records.snapshots["taken_at"].dtype == "datetime64[us]"
    assert records.readings["taken_at"].dtype == "datetime64[us]"
    assert records.readings["value"].dtype == records.readings["learn_count"].dtype == np.float64
    assert records.snapshots["odometer_km"].dtype == records.snapshots["fluid_temp_c"].dtype == np.float64
    assert set(records.profiles) == {"generic-6"}


def test_records_are_sorted_and_complete(filled):
    records = filled.records()
    assert records.snapshots["unit"].tolist() == ["T1", "T1", "T1", "T2"]
    assert records.snapshots["odometer_km"].tolist() == [10, 11, 12, 20]
    assert records.snapshots["source"].tolist() == ["", "s1", "", "s2"]
    assert records.snapshots["fluid_temp_c"].isna().all()
    readings = records.readings
    assert readings["value"].tolist() == [1, 40, 2, 0.5, 5]
    assert readings["signal"].tolist() == [
        "apply_trim",
        "clutch_volume",
        "apply_trim",
        "shift_time",
        "apply_trim",
    ]
    assert readings["mode"].tolist() == ["normal", "", "normal", "normal", "tow"]
    np.testing.assert_array_equal(readings["learn_count"], [4, np.nan, np.nan, 3, np.nan])
    assert records.events["event_id"].tolist() == ["E0001", "E0002"]


@pytest.mark.parametrize(
    ("as_of", "values", "events"),
    [
        (date(2026, 1, 29), [], []),
        (date(2026, 1, 30), [1, 40], []),
        (date(2026, 1, 31), [1, 40, 2, 5], ["E0001"]),
        (date(2026, 2, 1), [1, 40, 2, 0.5, 5], ["E0001", "E0002"]),
    ],
)
def test_as_of_a_day_includes_that_whole_day_and_nothing_later(filled, as_of, values, events):
    records = filled.records(as_of)
    assert records.readings["value"].tolist() == values
    assert records.events["event_id"].tolist() == events
    assert records.units["unit"].tolist() == ["T1", "T2"]
    assert records.snapshots["taken_at"].le(pd.Timestamp(as_of) + pd.Timedelta(days=1)).all()


def test_records_of_some_units(filled):
    records = filled.records(units=["T2"])
    assert records.readings["unit"].tolist() == ["T2"]
    assert list(records.readings["unit"].cat.categories) == ["T2"]
    assert records.events.empty
    with pytest.raises(UnknownName, match="no unit 'T3'"):
        filled.records(units=["T2", "T3"])


def test_an_empty_store_gives_empty_frames_of_the_same_form(db, filled):
    full, empty = filled.records(), filled.records(date(2000, 1, 1))
    assert list(empty.readings) == list(full.readings)
    assert empty.readings["value"].dtype == np.float64
    assert empty.snapshots["taken_at"].dtype == "datetime64[us]"
    assert empty.events["happened_at"].dtype == "datetime64[us]"


@pytest.mark.parametrize("fmt", ["csv", "parquet"])
def test_an_export_read_into_another_store_gives_the_same_records(filled, tmp_path, fmt):
    paths = filled.export(tmp_path / "out", ["units", "snapshots", "events"], fmt)
    assert [p.name for p in paths] == [f"units.{fmt}", f"snapshots.{fmt}", f"events.{fmt}"]
    with Database.create(tmp_path / "other.duckdb") as other:
        for path in paths:
            report = other.import_batch(read_batch(path))
            assert counts(report)[0] == report.rows
        left, right = filled.records(), other.records()
        for name in ("units", "snapshots", "readings", "events"):
            pd.testing.assert_frame_equal(getattr(left, name), getattr(right, name))


def test_export_of_everything_in_both_formats(filled, tmp_path, give):
    give(snapshots("T9,2026-01-01,1,tow,1-2,apply_trim,1"))
    for fmt in ("csv", "parquet"):
        paths = filled.export(tmp_path / fmt, fmt=fmt)
        assert {p.stem for p in paths} == {
            "units",
            "snapshots",
            "events",
            "files",
            "quarantine",
            "audit",
            "settings",
            "odometers",
            "profiles",
        }
        assert read_table(tmp_path / fmt / f"quarantine.{fmt}").data["code"].to_pylist() == ["unknown_unit"]
        assert not [p for p in (tmp_path / fmt).iterdir() if "partial" in p.name]


def test_texts_that_a_spreadsheet_would_run_are_made_harmless_in_csv(db, give, tmp_path):
    risky = ["=1+1", "+1", "-1", "@x", "ok", "a=1"]
    rows = "".join(f"T{i},generic-6,{text},{text}\n" for i, text in enumerate(risky))
    give("unit,profile,note,=extra\n" + rows)
    (path,) = db.export(tmp_path / "out", "units", "csv")
    table = read_table(path)
    assert table.data["note"].to_pylist() == ["'=1+1", "'+1", "'-1", "'@x", "ok", "a=1"]
    assert path.read_text().splitlines()[0].endswith(',"\'=extra"')
    assert table.columns[-1] == "=extra"
    (path,) = db.export(tmp_path / "out", "units", "parquet")
    assert read_table(path).data["note"].to_pylist() == risky


def test_export_refuses_what_it_cannot_do(filled, tmp_path):
    with pytest.raises(UsageError, match="no export 'unit' - did you mean 'units'"):
        filled.export(tmp_path, "unit")
    with pytest.raises(UsageError, match="format 'xml'"):
        filled.export(tmp_path, "units", "xml")
    (tmp_path / "file").write_text("x")
    with pytest.raises(StoreError, match="export cannot be written"):
        filled.export(tmp_path / "file", "units")


def test_the_views_for_sql_join_readings_with_their_origin(filled):
    row = filled._con.execute(
        "SELECT unit, channel, value, file, line FROM reading_list WHERE signal = 'clutch_volume'"
    ).fetchall()
    assert row == [("T1", "pack1", 40.0, "file2.csv", 5)]
    assert filled._con.execute(
        "SELECT readings, source FROM snapshot_list ORDER BY unit, taken_at_local"
    ).fetchall() == [
        (2, ""),
        (1, "s1"),
        (1, ""),
        (1, "s2"),
    ]
