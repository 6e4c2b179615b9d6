"""What concerns a unit as a whole: read before its service, odometers, mix-ups, deletion, history."""

from __future__ import annotations

from datetime import datetime

import numpy as np
import pytest

from driftwatch.errors import UnknownName, UsageError

from .conftest import HEAD, contents, counts, snapshots

CELL = "normal,1-2,apply_trim,1"


def monthly(unit, *odometers, year=2025, first=1, day=10, cell=CELL):
    return [f"{unit},{year}-{first + i:02d}-{day:02d},{km},{cell}" for i, km in enumerate(odometers)]


# In service


def test_a_reading_before_the_service_began_waits_until_the_day_is_set_right(db, give):
    give("unit,profile,in_service_on\nT1,generic-6,2025-03-01\n")
    report = give(snapshots(*monthly("T1", 100, 200, 300)), name="a.csv")
    assert counts(report) == (1, 0, 0, 2)
    assert report.problems["code"].tolist() == ["before_service"] * 2
    assert "on 2025-03-01" in report.problems["reason"][0]
    report = give("unit,profile,in_service_on\nT1,generic-6,2025-02-01\n")
    assert "1 rows of a.csv were in quarantine, and can be taken now" in report.notes
    assert db.records().snapshots["odometer_km"].tolist() == [200, 300]
    assert db.quarantine()["line"].tolist() == [2]


# Odometers. Expected outcomes are hand-solved.


def test_an_odometer_that_no_vehicle_can_reach_is_quarantined(db, fleet):
    # 28 days at 3 000 km and 2 000 km more are 86 000 km: 86 100 km further is too far, 85 900 km is not.
    report = fleet(snapshots(*monthly("T1", 1000, 1100, 87_200)))
    assert report.problems["code"].tolist() == ["odometer_too_fast"]
    assert (
        "odometer 87200 km cannot be reached: 1100 km on 2025-02-10 00:00 (in the file)"
        in (report.problems["reason"][0])
    )
    assert counts(fleet(snapshots(*monthly("T2", 1000, 1100, 87_000)))) == (3, 0, 0, 0)


def test_miles_among_kilometres_are_named(fleet):
    # 62 448 mi are 100 500 km.
    report = fleet(snapshots(*monthly("T1", 97_000, 98_500, 62_448, 102_000, 103_000)))
    assert report.problems["line"].tolist() == [4]
    assert report.problems["reason"][0].endswith("; as miles it would fit")


def test_kilometres_among_miles_are_named(fleet):
    head = "unit,taken_at,odometer_mi,mode,channel,signal,value"
    # 60 000 mi are 96 561 km; 98 000 told as miles are 157 716 km, and fall again afterwards.
    report = fleet(snapshots(*monthly("T1", 60_000, 60_700, 98_300, 61_500, 62_000), head=head))
    assert report.problems["line"].tolist() == [4]
    assert report.problems["reason"][0].endswith("; as km, not miles, it would fit")


def test_a_replaced_odometer_is_recognised_and_what_it_had_run_before_is_added(db, fleet):
    report = fleet(snapshots(*monthly("T1", 180_000, 182_000, 184_000, 900, 2_900)), name="a.csv")
    assert report.problems["line"].tolist() == [5, 6]
    assert all("if the odometer was replaced" in reason for reason in report.problems["reason"])
    changed, notes = db.replace_odometer("T1", datetime(2025, 3, 20), 184_700, 10)
    assert changed == 0
    assert notes == ("2 rows of a.csv were in quarantine, and can be taken now",)
    # Hand-solved: 900 + 184 700 - 10.
    assert db.records().snapshots["odometer_km"].tolist() == [180_000, 182_000, 184_000, 185_590, 187_590]
    kept = db._con.execute("SELECT odometer_entered FROM snapshots ORDER BY taken_at_local").fetchall()
    assert [km for (km,) in kept] == [180_000, 182_000, 184_000, 900, 2_900]
    assert counts(fleet(snapshots(*monthly("T1", 4_800, first=6, year=2025)))) == (1, 0, 0, 0)
    assert db.records().snapshots["odometer_km"].tolist()[-1] == 189_490
    assert db.check() == []
    with pytest.raises(UsageError, match="a new odometer is noted"):
        db.replace_odometer("T1", datetime(2025, 3, 20), 1, 0)
    with pytest.raises(UsageError, match="would run backwards"):
        db.replace_odometer("T1", datetime(2025, 2, 20), 1_000, 50_000)
    assert db.records().snapshots["odometer_km"].tolist()[0] == 180_000


def test_stored_snapshots_after_a_replaced_odometer_are_set_right_with_a_trace(db, fleet):
    fleet(snapshots(*monthly("T1", 1_000, 2_000, 3_000)))
    changed, _ = db.replace_odometer("T1", datetime(2025, 2, 1), 90_000, 1_500)
    assert changed == 2
    assert db.records().snapshots["odometer_km"].tolist() == [1_000, 90_500, 91_500]
    assert db.audit()[["old_value", "new_value"]].to_numpy().tolist() == [
        ["2000.0", "90500.0"],
        ["3000.0", "91500.0"],
    ]


def test_two_vehicles_that_were_swapped_are_both_named(db, fleet):
    fleet(snapshots(*monthly("T1", 50_000, 53_000, 56_000), *monthly("T2", 120_000, 124_000, 128_000)))
    swapped = [f"T1,2025-04-10,131500,{CELL}", f"T2,2025-04-10,58900,{CELL}"]
    report = fleet(snapshots(*swapped))
    assert report.problems["code"].tolist() == ["units_swapped", "units_swapped"]
    assert "fits unit “T2”" in report.problems["reason"][0]
    assert "fits unit “T1”" in report.problems["reason"][1]
    assert db.check() == []


def test_an_unusual_way_is_taken_but_pointed_out(fleet):
    report = fleet(snapshots(*monthly("T1", 10_000, 11_000, 12_000, 13_000, 60_000)))
    assert counts(report) == (5, 0, 0, 0)
    (doubt,) = report.doubts
    assert (doubt.line, doubt.code, doubt.unit) == (6, "odometer_unusual", "T1")
    assert fleet(snapshots(*monthly("T2", 10_000, 11_000, 12_500, 13_000, 15_000))).doubts == ()


SHIFTS = ("1-2", "2-3", "3-4", "4-5", "5-6", "6-5", "5-4", "4-3", "3-2", "2-1")


def readings(unit, when, km, values):
    return [
        f"{unit},{when},{km},normal,{s},apply_trim,{v:.2f}" for s, v in zip(SHIFTS, values, strict=True)
    ] + [f"{unit},{when},{km},tow,{s},apply_trim,{v + 3:.2f}" for s, v in zip(SHIFTS, values, strict=True)]


@pytest.fixture
def two_characters(fleet):
    """Two units whose trims differ from shift to shift, each in its own way, over four months."""
    rng = np.random.default_rng(5)
    own = {"T1": rng.normal(0, 20, 10), "T2": rng.normal(0, 20, 10)}
    rows = []
    for month in range(1, 5):
        for k, unit in enumerate(own):
            values = own[unit] + rng.normal(0, 1, 10)
            rows += readings(unit, f"2025-{month:02d}-0{k + 1}", 1000 * month, values)
    assert fleet(snapshots(*rows)).doubts == ()
    return own, rng


def test_values_that_suddenly_look_like_another_units_are_pointed_out(fleet, two_characters):
    own, rng = two_characters
    report = fleet(snapshots(*readings("T1", "2025-05-01", 5000, own["T2"] + rng.normal(0, 1, 10))))
    (doubt,) = report.doubts
    assert (doubt.code, doubt.unit) == ("looks_like_another", "T1")
    assert "unit T2" in doubt.sentence


def test_a_change_of_the_units_own_is_no_mix_up(db, fleet, two_characters):
    own, _ = two_characters
    assert fleet(snapshots(*readings("T1", "2025-05-01", 5000, own["T1"] + 25))).doubts == ()
    db.add_event("T2", "rebuild", "2025-04-20")
    assert fleet(snapshots(*readings("T2", "2025-05-02", 5000, own["T1"] + 25))).doubts == ()


# Deletion


def test_deleting_a_unit_leaves_nothing_of_it_in_the_file(db, give):
    told_in_trust = "Owner-of-the-blue-trailer"
    give(f"unit,profile,note,Plate\nT1,generic-6,{told_in_trust},PL-{told_in_trust}\nT2,generic-6,kept,\n")
    text = snapshots(
        *monthly("T1", 1, 2), *monthly("T2", 3), "T1,2025-07-01,5,normal,9-9,apply_trim,1", head=HEAD
    )
    give(text, name="a.csv")
    give(snapshots(*monthly("T1", 1, cell="normal,1-2,apply_trim,7")))
    db.add_event("T1", "other", "2025-02-03", note=told_in_trust)
    assert told_in_trust.encode() in db.path.read_bytes() + db.path.with_name("store.duckdb.wal").read_bytes()
    told = db.delete_unit("T1", "asked for", who="anna")
    assert (told.snapshots, told.readings, told.events, told.quarantined) == (2, 2, 1, 1)
    assert db.records().units["unit"].tolist() == ["T2"]
    assert len(db.records().readings) == 1
    assert db.check() == []
    db.close()
    assert told_in_trust.encode() not in db.path.read_bytes()
    assert not db.path.with_name("store.duckdb.wal").exists()


def test_a_deleted_unit_stays_out_until_it_is_readmitted(db, fleet, give):
    text = snapshots(*monthly("T1", 1), *monthly("T2", 3))
    fleet(text, name="a.csv")
    db.delete_unit("T1", "asked for")
    with pytest.raises(UnknownName):
        db.delete_unit("T1", "again")
    report = give("unit,profile\nT1,generic-6\nT2,generic-6\n")
    assert report.problems["code"].tolist() == ["deleted_unit"]
    report = fleet(text, name="a.csv")
    assert counts(report) == (0, 1, 0, 1)
    assert report.problems["raw"].tolist() == ['{"unit": "T1"}']
    assert db.events().empty
    with pytest.raises(UsageError, match="were not deleted"):
        db.readmit_unit("T2")
    db.readmit_unit("T1")
    assert counts(give("unit,profile\nT1,generic-6\nT2,generic-6\n"))[0] == 1
    assert counts(fleet(text, name="a.csv")) == (1, 1, 0, 0)
    assert set(db.history("T1")["what"]) == {"import", "unit deleted", "unit readmitted"}


# History


def test_the_history_of_a_unit_tells_everything_in_order(db, fleet, monkeypatch):
    from driftwatch.store import clock

    def at(hour):
        monkeypatch.setattr(clock, "now_utc", lambda: datetime(2026, 6, 1, hour))

    at(13)
    fleet(snapshots(*monthly("T1", 100, 200)), name="a.csv", who="anna")
    at(14)
    fleet(snapshots(*monthly("T1", 100, cell="normal,1-2,apply_trim,9")), name="b.csv", who="ben")
    at(15)
    db.add_event("T1", "fluid", "2025-02-03", who="cleo")
    at(16)
    fleet(snapshots("T1,2025-07-01,5,normal,9-9,apply_trim,1"), name="c.csv", who="dora")
    told = db.history("T1")
    assert told[["who", "what", "file"]].astype(object).where(told.notna(), None).to_numpy()[
        :, :3
    ].tolist() == [
        ["anna", "import", "a.csv"],
        ["ben", "import", "b.csv"],
        ["ben", "reading corrected", "b.csv"],
        ["cleo", "event logged", None],
        ["dora", "in quarantine", "c.csv"],
    ]
    assert told[["field", "old_value", "new_value", "old_file"]].to_numpy()[2].tolist() == [
        "value",
        "1.0",
        "9.0",
        "a.csv",
    ]
    assert told["at_utc"].is_monotonic_increasing
    with pytest.raises(UnknownName, match="no unit 'T9'"):
        db.history("T9")


def test_refused_deletions_change_nothing(db, fleet):
    before = contents(db)
    with pytest.raises(UnknownName, match="no unit 'T7'"):
        db.delete_unit("T7", "")
    assert contents(db) == before
