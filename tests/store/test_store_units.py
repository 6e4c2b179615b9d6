"""What concerns a unit as a whole: read before its service, odometers, mix-ups, deletion, history."""

from __future__ import annotations

from datetime import datetime

import numpy as np
import pytest

from driftwatch.errors import NotConfirmed, UnknownName, UsageError
from driftwatch.intake.batch import read_batch
from driftwatch.profile.load import builtin, parse_profile, to_toml
from driftwatch.store.database import Database

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
    with pytest.raises(UsageError, match="is noted for 2025-03-20 already"):
        db.replace_odometer("T1", datetime(2025, 3, 20), 1, 0)
    assert db.records().snapshots["odometer_km"].tolist()[0] == 180_000


def test_stored_snapshots_after_a_replaced_odometer_are_set_right_with_a_trace(db, fleet):
    fleet(snapshots(*monthly("T1", 1_000, 2_000, 3_000)))
    changed, _ = db.replace_odometer("T1", datetime(2025, 2, 1), 21_500, 1_500)
    assert changed == 2
    assert db.records().snapshots["odometer_km"].tolist() == [1_000, 22_000, 23_000]
    assert db.audit()[["old_value", "new_value"]].to_numpy().tolist() == [
        ["2000.0", "22000.0"],
        ["3000.0", "23000.0"],
    ]


MARCH = datetime(2025, 3, 14)


@pytest.mark.parametrize(
    ("at", "was", "reads", "reason"),
    [
        # On 10 March the old one read 223 000 km; on 10 April the next reading is 227 000 km.
        (
            MARCH,
            182_400,
            12,
            "the old odometer cannot have shown 182400 km on 2025-03-14: it read 223000 km on",
        ),
        (MARCH, 5, 0, "the old odometer cannot have shown 5 km"),
        # Four days at 3 000 km and 2 000 km more are 14 000 km.
        (MARCH, 237_100, 237_000, "and no vehicle goes 14100 km in 4 days"),
        (MARCH, 223_500, 12, "the new odometer cannot have shown 12 km on 2025-03-14: it read 227000 km on"),
        (
            MARCH,
            223_500,
            227_001,
            "the new odometer cannot have shown 227001 km on 2025-03-14: it read 227000",
        ),
        (datetime(2025, 4, 10), 223_500, 12, "say the time, too, where there is a reading of that day"),
        (datetime(2026, 6, 2), 240_000, 0, "2026-06-02 is in the future"),
        (datetime(2024, 12, 31), 100, 0, "before the unit went into service, on 2025-01-01"),
        (MARCH, float("nan"), 0, "nothing that the old odometer can have shown"),
        (MARCH, 223_500, -1, "nothing that the new odometer can have shown"),
    ],
)
def test_a_replaced_odometer_that_the_readings_contradict_is_refused(db, give, at, was, reads, reason):
    give("unit,profile,in_service_on\nT1,generic-6,2025-01-01\n")
    give(snapshots(*monthly("T1", 215_000, 219_000, 223_000, 227_000, 231_000)))
    before = contents(db)
    # Nor can it be confirmed: it is not unusual, but cannot be.
    with pytest.raises(UsageError, match=reason) as refused:
        db.replace_odometer("T1", at, was, reads, anyway=True)
    assert str(refused.value).startswith("unit T1: ")
    assert contents(db) == before


def test_a_replaced_odometer_that_is_contradicted_by_another_one_is_refused(db, fleet):
    fleet(snapshots(*monthly("T1", 180_000)))
    db.replace_odometer("T1", datetime(2025, 3, 20), 184_700, 10)
    with pytest.raises(
        UsageError, match="the old odometer cannot have shown 5 km on 2025-05-01: it read 10 km"
    ):
        db.replace_odometer("T1", datetime(2025, 5, 1), 5, 0)
    with pytest.raises(
        UsageError, match="the new odometer cannot have shown 184800 km on 2025-02-01: it read"
    ):
        db.replace_odometer("T1", datetime(2025, 2, 1), 181_000, 184_800)
    db.replace_odometer("T1", datetime(2025, 5, 1), 6_000, 100)
    fleet(snapshots(*monthly("T1", 400, first=6)))
    # Hand-solved: 400 - 100 + 6 000 - 10 + 184 700.
    assert db.records().snapshots["odometer_km"].tolist() == [180_000, 190_990]


def test_an_unusually_long_way_to_a_replaced_odometer_has_to_be_confirmed(db, fleet):
    # 1 000 km a month: 20 000 km in 20 days are far more than five times as fast.
    fleet(snapshots(*monthly("T1", 1_000, 2_000, 3_000, 4_000)))
    before = contents(db)
    with pytest.raises(NotConfirmed, match=r"20000 km in 20 days, usually 3\d a day"):
        db.replace_odometer("T1", datetime(2025, 4, 30), 24_000, 0)
    assert contents(db) == before
    assert db.replace_odometer("T1", datetime(2025, 4, 30), 24_000, 0, anyway=True) == (0, ())
    assert db.replace_odometer("T2", datetime(2025, 4, 30), 24_000, 0) == (0, ())


def test_a_replaced_odometer_can_be_taken_back_and_stays_on_record(db, fleet):
    fleet(snapshots(*monthly("T1", 1_000, 2_000, 3_000)))
    before = db.records().snapshots
    db.replace_odometer("T1", datetime(2025, 2, 1), 21_500, 1_500, who="Ada")
    with pytest.raises(UsageError, match="without a reason"):
        db.retract_odometer("T1", datetime(2025, 2, 1), " ")
    with pytest.raises(UnknownName, match="noted for 2025-02-02 - there is one for 2025-02-01"):
        db.retract_odometer("T1", datetime(2025, 2, 2), "typed wrong")
    assert db.retract_odometer("T1", datetime(2025, 2, 1), "was T2", who="Ben") == (2, ())
    assert db.records().snapshots.equals(before)
    assert db.odometers("T1").empty
    assert sorted(zip(db.audit()["old_value"], db.audit()["new_value"], strict=True)) == [
        ("2000.0", "22000.0"),
        ("22000.0", "2000.0"),
        ("23000.0", "3000.0"),
        ("3000.0", "23000.0"),
    ]
    told = db.history("T1")
    told = told[told["what"].str.contains("odometer")]
    assert told[["who", "what", "about", "old_value", "new_value"]].to_numpy().tolist() == [
        ["Ada", "odometer replaced", "2025-02-01 00:00:00", "21500.0", "1500.0"],
        ["Ben", "replaced odometer retracted", "2025-02-01 00:00:00 was T2", "21500.0", "1500.0"],
    ]
    fleet(snapshots(*monthly("T1", 4_000, first=4)))
    assert db.records().snapshots["odometer_km"].tolist()[-1] == 4_000
    assert db.check() == []
    db.delete_unit("T1", "asked for")
    assert db._con.execute("SELECT count(*) FROM odometer_changes_done").fetchall() == [(0,)]


def test_a_replaced_odometer_that_readings_rest_on_is_put_right_but_not_taken_back(db, fleet):
    fleet(snapshots(*monthly("T1", 180_000, 182_000, 184_000, 900, 2_900)))
    db.replace_odometer("T1", datetime(2025, 3, 20), 184_070, 10)
    before = contents(db)
    with pytest.raises(
        UsageError, match="contradict each other: 184000 km on 2025-03-10, 900 km on 2025-04-10"
    ):
        db.retract_odometer("T1", datetime(2025, 3, 20), "typed wrong")
    with pytest.raises(UsageError, match="cannot have shown 18470 km"):
        db.replace_odometer("T1", datetime(2025, 3, 21), 18_470, 10, instead_of=datetime(2025, 3, 20))
    assert contents(db) == before
    changed, _ = db.replace_odometer(
        "T1", datetime(2025, 3, 21), 184_700, 10, instead_of=datetime(2025, 3, 20)
    )
    assert changed == 2
    # Hand-solved: 900 + 184 700 - 10, and 2 000 km more.
    assert db.records().snapshots["odometer_km"].tolist()[3:] == [185_590, 187_590]
    assert db.odometers("T1")["was_km"].tolist() == [184_700]
    assert "replaced odometer corrected" in set(db.history("T1")["what"])
    assert db.check() == []


def test_sums_that_came_from_an_export_are_not_summed_again(db, give, tmp_path):
    give("unit,profile\nT1,generic-6\n")
    give(snapshots(*monthly("T1", 182_000, 184_000, 900)))
    db.replace_odometer("T1", datetime(2025, 2, 20), 184_700, 10)
    db.export(tmp_path / "out", "snapshots", "csv")
    with Database.create(tmp_path / "other.duckdb") as other:
        other.import_batch(read_batch(tmp_path / "file2.csv"))
        other.import_batch(read_batch(tmp_path / "out" / "snapshots.csv"))
        assert other.replace_odometer("T1", datetime(2025, 2, 20), 184_700, 10) == (0, ())
        assert other.records().snapshots["odometer_km"].tolist() == [182_000, 184_000, 185_590]


# Another profile


def test_a_profile_that_fits_in_name_only_has_to_be_confirmed(db, fleet):
    rows = ["T1,2025-01-10,1000,,pack5,clutch_volume,57", "T1,2025-01-10,1000,normal,2-3,apply_trim,5"]
    fleet(snapshots(*rows))
    before = contents(db)
    with pytest.raises(NotConfirmed) as doubt:
        db.change_profile(["T2", "T1"], "generic-8")
    assert str(doubt.value).startswith("unit T1: profile 'generic-8' seems to be another transmission: ")
    assert "other packs work in 2-3 (in 2-3, pack3 comes on and pack4 goes off, there pack4 and pack5)" in (
        doubt.value.what
    )
    # In generic-8, pack5 has 29 cm3 new and 42.5 cm3 at its limit.
    assert "pack5 was read at 57.0 cm3, and is there 29 cm3 new and 42.5 cm3 at its limit" in doubt.value.what
    assert contents(db) == before
    assert db.change_profile(["T2", "T1"], "generic-8", anyway=True) == 2


@pytest.mark.parametrize(("volume", "far"), [(49.2, False), (49.3, True), (22.3, False), (22.2, True)])
def test_a_volume_is_far_outside_by_more_than_half_the_way_from_new_to_limit(db, fleet, volume, far):
    # From 29 to 42.5 cm3: half the way is 6.75 cm3, so far outside is below 22.25 and above 49.25.
    fleet(snapshots(f"T1,2025-01-10,1000,,pack5,clutch_volume,{volume}"))
    if far:
        with pytest.raises(NotConfirmed, match="pack5 was read at"):
            db.change_profile(["T1"], "generic-8")
    else:
        assert db.change_profile(["T1"], "generic-8") == 1


def test_a_profile_with_other_limits_is_not_doubted(db, fleet):
    fleet(snapshots("T1,2025-01-10,1000,,pack5,clutch_volume,57", *monthly("T1", 2_000, first=2)))
    db.add_profile(parse_profile(to_toml(builtin("generic-6")).replace("generic-6", "mine")))
    assert db.change_profile(["T1"], "mine") == 1


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
