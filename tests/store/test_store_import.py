"""What becomes of each row: taken, converted, found again, corrected, or put in quarantine with a reason."""

from __future__ import annotations

import json
from datetime import datetime

import pytest

from driftwatch.errors import InputRefused, QuarantinedRows
from driftwatch.intake.mapping import Mapping
from driftwatch.profile.load import builtin, parse_profile, to_toml

from .conftest import HEAD, contents, counts, snapshots

GOOD = "T1,2026-03-14,1000,normal,1-2,apply_trim,12.5"


def one_reading(db):
    (row,) = db.records().readings.itertuples(index=False)
    return row


def test_long_rows_are_taken_as_they_are(db, fleet):
    report = fleet(
        snapshots(
            GOOD, "T1,2026-03-14,1000,,pack3,clutch_volume,40", "T2,2026-03-15,5,tow,2-3,shift_time,0.6"
        )
    )
    assert counts(report) == (3, 0, 0, 0)
    assert (report.first, report.last) == (datetime(2026, 3, 14), datetime(2026, 3, 15))
    told = [
        tuple(r)
        for r in db.records().readings[["unit", "mode", "channel", "signal", "value"]].itertuples(index=False)
    ]
    assert told == [
        ("T1", "normal", "1-2", "apply_trim", 12.5),
        ("T1", "", "pack3", "clutch_volume", 40.0),
        ("T2", "tow", "2-3", "shift_time", 0.6),
    ]


# Factors: NIST SP 811 (2008), appendix B (published): 1 psi = 6.894757 kPa, 1 mi = 1.609344 km exactly,
# t/C = (t/F - 32)/1.8 exactly; 1 in3 = 16.387064 cm3 exactly.
CONVERSIONS = [
    (",pack3,clutch_volume", "2", "in3", 32.774128),
    ("tow,1-2,apply_trim", "-10", "psi", -68.94757),
    ("tow,1-2,apply_trim", "1.5", "bar", 150.0),
    ("tow,1-2,shift_time", "600", "ms", 0.6),
    ("tow,1-2,torque_cut", "30", "%", 30.0),
    ("normal,1-2,apply_trim", "3", "", 3.0),
]


def test_values_are_converted_and_kept_as_entered(db, fleet):
    head = "unit,taken_at,odometer_mi,mode,channel,signal,value,value_unit,fluid_temp_f"
    rows = [f"T1,2026-03-{14 + i},1000,{c},{v},{u},212" for i, (c, v, u, _) in enumerate(CONVERSIONS)]
    fleet(snapshots(*rows, head=head))
    assert db.records().readings["value"].tolist() == pytest.approx([s for *_, s in CONVERSIONS], rel=1e-6)
    snapshot = db.records().snapshots.iloc[0]
    assert snapshot.odometer_km == pytest.approx(1609.344, abs=1e-9)
    assert snapshot.fluid_temp_c == pytest.approx(100.0, abs=1e-9)
    kept = db._con.execute("SELECT value_entered, unit_entered FROM readings ORDER BY line").fetchall()
    assert kept == [(float(v), u) for _, v, u, _ in CONVERSIONS]
    kept = db._con.execute(
        """SELECT odometer_entered, odometer_unit_entered, fluid_temp_entered, fluid_temp_unit_entered
        FROM snapshots"""
    ).fetchone()
    assert kept == (1000.0, "mi", 212.0, "degF")


def test_blanks_around_and_typographic_minus_are_understood(db, fleet):
    assert counts(fleet(snapshots(" T1 ,2026-03-14 , 1000,tow ,1-2,\u00a0apply_trim,\u22122.5 "))) == (
        1,
        0,
        0,
        0,
    )
    assert one_reading(db).value == -2.5


def test_names_are_found_whatever_their_case(db, fleet):
    assert (
        counts(
            fleet(
                snapshots(
                    "T1,2026-03-14,1000,Tow,1-2,Apply_Trim,1", "T1,2026-03-14,1000,,PACK3,clutch_volume,40"
                )
            )
        )[0]
        == 2
    )
    assert set(db.records().readings["channel"]) == {"1-2", "pack3"}


def test_a_decimal_comma_is_taken_with_a_semicolon_only(db, fleet):
    text = snapshots(GOOD).replace("12.5", "12,5").replace("2026-03-14,1000", "2026-03-14,1000,5")
    semicolon = HEAD.replace(",", ";") + "\nT1;2026-03-14;1000,5;normal;1-2;apply_trim;12,5\n"
    assert counts(fleet(semicolon)) == (1, 0, 0, 0)
    assert one_reading(db).value == 12.5
    assert db.records().snapshots["odometer_km"].tolist() == [1000.5]
    assert counts(fleet(text))[3] == 1  # nine fields under seven names
    assert counts(fleet(snapshots('T1,2026-03-20,2000,normal,1-2,apply_trim,"12,5"')))[3] == 1


TIMES = [
    ("2026-03-14", datetime(2026, 3, 14)),
    ("2026-03-14T09:20", datetime(2026, 3, 14, 9, 20)),
    ("2026-03-14 09:20:30", datetime(2026, 3, 14, 9, 20, 30)),
    ("2026-03-14T09:20+01:00", datetime(2026, 3, 14, 11, 20)),  # 08:20 UTC, by hand
    ("2026-03-14T23:30Z", datetime(2026, 3, 15, 2, 30)),
]


def test_times_are_local_to_the_store_unless_they_have_an_offset(db, fleet):
    db.change_setting("zone", "Etc/GMT-3")  # three hours ahead of UTC
    fleet(snapshots(*(GOOD.replace("2026-03-14", text) for text, _ in TIMES)))
    assert db.records().readings["taken_at"].tolist() == sorted(local for _, local in TIMES)


SNAPSHOT_FAULTS = [
    ("T9,2026-03-14,1000,normal,1-2,apply_trim,1", "unknown_unit", "no unit “T9”"),
    (",2026-03-14,1000,normal,1-2,apply_trim,1", "unit_missing", "unit is missing"),
    ("T1,,1000,normal,1-2,apply_trim,1", "time_missing", "time is missing"),
    ("T1,14/03/2026,1000,normal,1-2,apply_trim,1", "not_a_time", "“14/03/2026”"),
    ("T1,2026-13-14,1000,normal,1-2,apply_trim,1", "not_a_time", "“2026-13-14”"),
    ("T1,46095,1000,normal,1-2,apply_trim,1", "not_a_time", "“46095”"),
    ("T1,2026-06-02,1000,normal,1-2,apply_trim,1", "in_the_future", "2026-06-02 is in the future"),
    ("T1,1899-12-30,1000,normal,1-2,apply_trim,1", "too_early", "1899-12-30"),
    ("T1,2026-03-14,,normal,1-2,apply_trim,1", "odometer_missing", "odometer is missing"),
    ("T1,2026-03-14,12k,normal,1-2,apply_trim,1", "odometer_not_a_number", "“12k”"),
    ("T1,2026-03-14,-5,normal,1-2,apply_trim,1", "odometer_impossible", "-5"),
    ("T1,2026-03-14,6000000,normal,1-2,apply_trim,1", "odometer_impossible", "6000000"),
    ("T1,2026-03-14,1000,normal,1-2,,1", "signal_missing", "signal is missing"),
    ("T1,2026-03-14,1000,normal,1-2,apply,1", "unknown_signal", "no signal “apply”"),
    ("T1,2026-03-14,1000,normal,,apply_trim,1", "channel_missing", "channel is missing"),
    ("T1,2026-03-14,1000,normal,7-8,apply_trim,1", "unknown_channel", "no shift “7-8”"),
    ("T1,2026-03-14,1000,normal,pack1,apply_trim,1", "unknown_channel", "no shift “pack1”"),
    ("T1,2026-03-14,1000,,1-2,clutch_volume,40", "unknown_channel", "no clutch pack “1-2”"),
    ("T1,2026-03-14,1000,sport,1-2,apply_trim,1", "unknown_mode", "no mode “sport”"),
    ("T1,2026-03-14,1000,,1-2,apply_trim,1", "mode_missing", "mode is missing"),
    ("T1,2026-03-14,1000,tow,pack1,clutch_volume,40", "mode_not_blank", "“tow”"),
    ("T1,2026-03-14,1000,normal,1-2,apply_trim,", "value_missing", "value is missing"),
    ("T1,2026-03-14,1000,normal,1-2,apply_trim,high", "value_not_a_number", "“high”"),
    ("T1,2026-03-14,1000,normal,1-2,apply_trim,nan", "value_not_a_number", "“nan”"),
    ("T1,2026-03-14,1000,normal,1-2,apply_trim,inf", "value_not_a_number", "“inf”"),
    ("T1,2026-03-14,1000,normal,1-2,apply_trim,1_000", "value_not_a_number", "“1_000”"),
    ("T1,2026-03-14,1000,normal,1-2,apply_trim,0x10", "value_not_a_number", "“0x10”"),
    ("T1,2026-03-14,1000,normal,1-2,apply_trim,true", "value_not_a_number", "“true”"),
    ("T1,2026-03-14,1000,normal,1-2,apply_trim,3001", "value_impossible", "3001"),
    ("T1,2026-03-14,1000,,pack1,clutch_volume,0", "value_impossible", "clutch_volume of 0"),
    ("T1,2026-03-14,1000,normal,1-2,shift_time,-0.1", "value_impossible", "-0.1"),
    ("T1,2026-03-14,1000,normal,1-2,torque_cut,130", "value_impossible", "130"),
]
FULL = HEAD + ",value_unit,fluid_temp_c,fluid_temp_f,learn_count,odometer_mi"
FULL_FAULTS = [
    (GOOD + ",psy,,,,", "unknown_measure", "“psy”"),
    (GOOD + ",ms,,,,", "measure_misfit", "cannot be measured in ms"),
    (GOOD + ",,hot,,,", "temperature_not_a_number", "“hot”"),
    (GOOD + ",,300,,,", "temperature_impossible", "300"),
    (GOOD + ",,,500,,", "temperature_impossible", "500"),
    (GOOD + ",,80,176,,", "two_temperatures", "both filled"),
    (GOOD + ",,,,many,", "learn_count_not_a_number", "“many”"),
    (GOOD + ",,,,-1,", "learn_count_impossible", "-1"),
    (GOOD + ",,,,,600", "two_odometers", "both filled"),
]


ENTERED = HEAD + ",value_entered,unit_entered,odometer_entered,odometer_unit_entered"
ENTERED_FAULTS = [
    (GOOD + ",13.5,kPa,,", "entered_misfit", "do not say the same"),
    (GOOD + ",much,kPa,,", "entered_misfit", "much"),
    (GOOD + ",,,far,mi", "entered_not_a_number", "“far”"),
]


@pytest.mark.parametrize(
    ("head", "faults"), [(HEAD, SNAPSHOT_FAULTS), (FULL, FULL_FAULTS), (ENTERED, ENTERED_FAULTS)]
)
def test_rows_that_cannot_be_right_are_kept_with_their_reason(db, fleet, head, faults):
    width = head.count(",") - HEAD.count(",")
    other = "T2,2026-03-14,7,tow,2-3,shift_time,0.5" + "," * width
    report = fleet(snapshots(other, *(row for row, _, _ in faults), head=head), name="bad.csv", who="anna")
    assert counts(report) == (1, 0, 0, len(faults))
    for number, (kept, (row, code, says)) in enumerate(
        zip(db.quarantine().itertuples(), faults, strict=True)
    ):
        assert (kept.file, kept.line, kept.code) == ("bad.csv", number + 3, code), row
        assert says in kept.reason, row
        assert list(json.loads(kept.raw).values()) == row.split(",")
    assert len(db.records().readings) == 1


def test_every_snapshot_rule_can_be_broken():
    from driftwatch.intake.rules import SNAPSHOT_RULES

    told = {code for _, code, _ in SNAPSHOT_FAULTS + FULL_FAULTS + ENTERED_FAULTS}
    # These two are in the tests of units as a whole.
    assert {rule.code for rule in SNAPSHOT_RULES} == told | {"before_service", "deleted_unit"}


def test_a_cell_twice_is_kept_if_alike_and_quarantined_if_not(db, fleet):
    assert counts(fleet(snapshots(GOOD, GOOD, GOOD))) == (1, 2, 0, 0)
    other = "T1,2026-03-15,1000,normal,1-2,apply_trim,"
    report = fleet(snapshots(other + "1", other + "2", "T1,2026-03-15,1000,tow,1-2,apply_trim,3"))
    assert counts(report) == (1, 0, 0, 2)
    assert set(report.problems["code"]) == {"cell_twice"}
    assert report.problems["line"].tolist() == [2, 3]


def test_rows_of_a_snapshot_that_disagree_with_most_of_it_are_quarantined(db, fleet):
    cells = ["normal,1-2,apply_trim,1", "normal,2-3,apply_trim,2", "normal,3-4,apply_trim,3"]
    rows = [
        f"T1,2026-03-14,{odometer},{cell}" for odometer, cell in zip((1000, 9000, 1000), cells, strict=True)
    ]
    report = fleet(snapshots(*rows))
    assert counts(report) == (2, 0, 0, 1)
    assert report.problems["line"].tolist() == [3]
    assert report.problems["code"].tolist() == ["odometer_conflict"]
    head = HEAD + ",fluid_temp_c"
    split = [f"T2,2026-03-14,5,{cell},{temp}" for temp, cell in zip((80, 90), cells[:2], strict=True)]
    report = fleet(snapshots(*split, f"T2,2026-03-14,5,{cells[2]},", head=head))
    assert counts(report) == (1, 0, 0, 2)  # one against one: nobody can tell which is right
    assert set(report.problems["code"]) == {"temperature_conflict"}


def series(*odometers, unit="T1", month=1):
    return [
        f"{unit},2026-{month:02d}-{d + 1:02d},{o},normal,1-2,apply_trim,1" for d, o in enumerate(odometers)
    ]


def test_only_the_snapshot_whose_odometer_runs_backwards_is_quarantined(db, fleet):
    report = fleet(snapshots(*series(100, 200, 50, 300, 9000, 400, 500)))
    assert report.problems["line"].tolist() == [4, 6]
    assert set(report.problems["code"]) == {"odometer_backwards"}
    assert (
        "odometer 50 km runs backwards: already 200 km on 2026-01-02 00:00 (in the file)"
        in report.problems["reason"][0]
    )
    assert db.records().snapshots["odometer_km"].tolist() == [100, 200, 300, 400, 500]


def test_stored_odometers_stand_until_they_are_corrected(db, fleet):
    fleet(snapshots(*series(100, 4000)))
    report = fleet(snapshots(*series(150, 160, month=2)))
    assert counts(report) == (0, 0, 0, 2)
    assert "already 4000 km on 2026-01-02 00:00 (in the store)" in report.problems["reason"][0]
    correction = series(100, 120)[1]
    assert counts(fleet(snapshots(correction, *series(150, 160, month=2)))) == (2, 0, 1, 0)
    assert db.records().snapshots["odometer_km"].tolist() == [100, 120, 150, 160]
    assert db.audit()[["field", "old_value", "new_value"]].to_numpy().tolist() == [
        ["odometer_km", "4000.0", "120.0"]
    ]


def test_a_correction_that_runs_backwards_leaves_the_stored_value(db, fleet):
    fleet(snapshots(*series(100, 200, 300)))
    assert counts(fleet(snapshots(series(100, 50)[1]))) == (0, 0, 0, 1)
    assert db.records().snapshots["odometer_km"].tolist() == [100, 200, 300]


def test_the_same_again_changes_nothing(db, fleet):
    text = snapshots(
        GOOD, "T9,2026-03-14,1000,normal,1-2,apply_trim,1", "T1,2026-03-10,5000,tow,1-2,apply_trim,1"
    )
    text += "\n".join(["T1,2026-03-20,1100,tow,1-2,apply_trim,1", *series(1)]) + "\n"
    first = fleet(text, name="a.csv")
    assert counts(first) == (3, 0, 0, 2)
    before = contents(db)
    assert counts(fleet(text, name="a.csv")) == (0, 3, 0, 2)
    assert contents(db) == before
    assert counts(fleet(snapshots(GOOD), name="b.csv")) == (0, 1, 0, 0)
    after = contents(db)
    assert {n: rows for n, rows in after.items() if n != "files"} == {
        n: r for n, r in before.items() if n != "files"
    }


def test_the_same_value_in_another_unit_is_the_same(db, fleet):
    fleet(snapshots("T1,2026-03-14,1609.344,normal,1-2,apply_trim,100"))
    head = "unit,taken_at,odometer_mi,mode,channel,signal,value,value_unit"
    assert counts(fleet(snapshots("T1,2026-03-14,1000,normal,1-2,apply_trim,1,bar", head=head))) == (
        0,
        1,
        0,
        0,
    )


def test_a_corrected_value_replaces_and_the_old_one_is_kept(db, fleet):
    fleet(snapshots(GOOD), name="a.csv", who="anna")
    report = fleet(snapshots(GOOD.replace("12.5", "13.5")), name="b.csv", who="ben")
    assert counts(report) == (0, 0, 1, 0)
    assert one_reading(db).value == 13.5
    (entry,) = db.audit().itertuples(index=False)
    assert (entry.what, entry.unit, entry.mode, entry.channel, entry.signal, entry.field) == (
        "reading",
        "T1",
        "normal",
        "1-2",
        "apply_trim",
        "value",
    )
    assert (entry.old_value, entry.new_value, entry.old_file, entry.new_file) == (
        "12.5",
        "13.5",
        "a.csv",
        "b.csv",
    )
    assert (entry.changed_by, entry.old_line, entry.new_line) == ("ben", 2, 2)
    assert entry.changed_at_utc == datetime(2026, 6, 1, 12)


def test_a_file_taken_before_does_not_undo_later_corrections(db, fleet):
    fleet(snapshots(GOOD), name="a.csv")
    fleet(snapshots(GOOD.replace("12.5", "13.5")), name="b.csv")
    report = fleet(snapshots(GOOD), name="a.csv")
    assert counts(report) == (0, 1, 0, 0)
    assert one_reading(db).value == 13.5
    assert report.notes == ("corrected since this file was first taken, and left so: 1",)


def test_blank_values_say_nothing_and_new_ones_fill_in(db, fleet):
    head = HEAD + ",learn_count,fluid_temp_c,source"
    fleet(snapshots(GOOD))
    assert counts(fleet(snapshots(GOOD + ",7,81,tool", head=head))) == (0, 0, 1, 0)
    assert counts(fleet(snapshots(GOOD + ",,,", head=head))) == (0, 1, 0, 0)
    assert one_reading(db).learn_count == 7
    snapshot = db.records().snapshots.iloc[0]
    assert (snapshot.fluid_temp_c, snapshot.source) == (81, "tool")
    assert sorted(db.audit()["field"]) == ["fluid_temp_c", "learn_count", "source"]


def test_quarantined_rows_are_taken_once_they_can_be_right(db, fleet):
    text = snapshots(GOOD.replace("T1", "T3"))
    assert counts(fleet(text, name="a.csv")) == (0, 0, 0, 1)
    report = fleet("unit,profile\nT3,generic-6\n")
    assert report.notes == ("1 rows of a.csv were in quarantine, and can be taken now",)
    assert db.quarantine().empty
    assert one_reading(db).unit == "T3"
    assert counts(fleet(text, name="a.csv")) == (0, 1, 0, 0)


def test_strict_takes_nothing_and_says_why(db, fleet):
    before = contents(db)
    with pytest.raises(QuarantinedRows) as refused:
        fleet(snapshots(GOOD, GOOD.replace("T1", "T9")), name="a.csv", strict=True)
    assert "1 of 2 rows cannot be right, the first on line 3: there is no unit “T9”" in str(refused.value)
    assert refused.value.exit_code == 3
    assert contents(db) == before
    assert counts(fleet(snapshots(GOOD), strict=True)) == (1, 0, 0, 0)


def test_a_file_that_is_wrong_as_a_whole_is_refused(db, fleet, monkeypatch):
    monkeypatch.setattr("driftwatch.store.job.MOST_SET_ASIDE", 2)
    before = contents(db)
    text = snapshots(GOOD, *(GOOD.replace("T1", "T9") for _ in range(3)))
    with pytest.raises(InputRefused, match=r"3 rows cannot be right, .* there is no unit “T9”") as refused:
        fleet(text, name="a.csv")
    assert str(refused.value).startswith("a.csv line 3")
    assert contents(db) == before


def test_dry_run_counts_and_writes_nothing(db, fleet):
    before, size = contents(db), db.path.stat().st_size
    own = parse_profile(to_toml(builtin("generic-6")).replace("generic-6", "mine"))
    report = fleet("unit,profile\nT7,mine\n", profiles=(own,), dry_run=True)
    assert counts(report) == (1, 0, 0, 0)
    report = fleet(snapshots(GOOD, GOOD.replace("T1", "T9")), dry_run=True)
    assert counts(report) == (1, 0, 0, 1)
    assert report.dry_run
    assert contents(db) == before
    assert db.path.stat().st_size == size


def test_a_wide_file_is_taken_through_its_mapping_and_a_better_mapping_corrects(db, fleet):
    toml = """
    [columns]
    unit = "Truck"
    taken_at = "Day"
    odometer = "km"
    [[cell]]
    column = "A"
    channel = "1-2"
    signal = "apply_trim"
    mode = "tow"
    unit = "psi"
    [[cell]]
    column = "P"
    channel = "pack3"
    signal = "clutch_volume"
    """
    text = "Truck,Day,km,A,P\nT1,2026-01-01,5,1,40\nT1,2026-01-02,6,,41\nT1,2026-01-03,7,,\n"
    report = fleet(text, mapping=Mapping.from_toml(toml), name="w.csv")
    assert counts(report) == (3, 0, 0, 1)
    assert report.problems["code"].tolist() == ["no_readings"]
    assert counts(fleet(text, mapping=Mapping.from_toml(toml), name="w.csv")) == (0, 3, 0, 1)
    assert counts(fleet(text, mapping=Mapping.from_toml(toml.replace("psi", "kPa")), name="w.csv")) == (
        0,
        2,
        1,
        1,
    )
    assert db.records().readings["value"].tolist()[0] == 1.0


def test_progress_is_told(fleet):
    told = []
    fleet(snapshots(GOOD), name="a.csv", progress=lambda *step: told.append(step))
    assert {what for what, _, _ in told} == {"importing a.csv"}
    assert [(done, total) for _, done, total in told] == [(0, 1), (0, 1), (0, 1), (1, 1)]
