"""What becomes of each row of units and of events, and of names that would do harm as code."""

from __future__ import annotations

from datetime import date

import pytest

from driftwatch.errors import InputRefused, UnknownName, UsageError
from driftwatch.profile.load import builtin, parse_profile, to_toml

from .conftest import contents, counts, snapshots

GOOD = "T1,2026-03-14,1000,normal,1-2,apply_trim,12.5"


def test_units_keep_their_further_columns_and_corrections(db, give):
    give(
        'unit,profile,in_service_on,Plate,"x"";DROP TABLE units;--"\n'
        "T1,Generic-6,2020-05-01,AB 1,y\nT2,generic-8,,,\n"
    )
    assert db.units()[["unit", "profile"]].to_numpy().tolist() == [["T1", "generic-6"], ["T2", "generic-8"]]
    assert db.units()["extra"][0] == {"Plate": "AB 1", 'x";DROP TABLE units;--': "y"}
    assert db.records().units["in_service_on"].tolist() == [date(2020, 5, 1), None]
    report = give("unit,profile,site,plate\nT1,generic-6,north,AB 1\nT2,generic-8,south,\n", who="ben")
    assert counts(report) == (0, 0, 2, 0)
    report = give("unit,profile,Plate\nT1,generic-6,AB 2\nT2,generic-8,\nT3,generic-8,\n")
    assert counts(report) == (1, 1, 1, 0)
    assert sorted(db.audit()["new_value"]) == ["AB 2", "north", "south"]
    assert db.units()["extra"][0]["Plate"] == "AB 2"


UNIT_FAULTS = [
    ("T3,generic-6,soon", "not_a_time"),
    ("T5,generic-6,2026-06-02", "in_the_future"),
    (",generic-6,", "unit_missing"),
    ("T6,,", "profile_missing"),
    ("T7,generic-6,2020-01-01", "unit_twice"),
    ("T7,generic-6,2021-01-01", "unit_twice"),
    ("T1,generic-8,", "profile_changed"),
]


def test_unit_rows_that_cannot_be_right_are_quarantined(db, fleet):
    fleet(snapshots(GOOD))
    rows = "".join(f"{row}\n" for row, _ in UNIT_FAULTS)
    report = fleet("unit,profile,in_service_on\nT4,generic-6,\n" + rows)
    assert report.problems["code"].tolist() == [code for _, code in UNIT_FAULTS]
    assert counts(report) == (1, 0, 0, len(UNIT_FAULTS))
    assert db.records().units["unit"].tolist() == ["T1", "T2", "T4"]


def test_an_unknown_profile_refuses_the_whole_file(db, fleet):
    before = contents(db)
    with pytest.raises(
        InputRefused, match=r"u.csv line 3: profile 'generic6' is not known - the nearest .*'generic-6'"
    ):
        fleet("unit,profile\nT3,generic-6\nT4,generic6\n", name="u.csv")
    assert contents(db) == before


def test_a_profile_that_comes_with_the_file_is_kept(db, give):
    own = parse_profile(to_toml(builtin("generic-6")).replace("generic-6", "mine"))
    assert counts(give("unit,profile\nT1,mine\n", profiles=[own])) == (1, 0, 0, 0)
    assert db.profiles()["mine"] == own
    assert set(db.records().profiles) == {"mine"}


# Events


def test_events_get_ids_that_stay(db, fleet):
    text = (
        "unit,happened_at,kind,amount,amount_unit,note\n"
        "T1,2026-01-05,power,100,lb.ft,new map\n"
        "T1,2026-01-06,Repair,,,valve\nT1,2026-01-06,repair,,,pump\nT2,2026-01-07,load,2000,lb,\n"
        "T2,2026-01-08,power,10,%,\n"
    )
    assert counts(fleet(text)) == (5, 0, 0, 0)
    before = db.events()
    # 1 lb.ft = 1.355818 N.m and 1 lb = 0.45359237 kg (NIST SP 811, appendix B).
    assert before["amount"].tolist()[0] == pytest.approx(135.5818, rel=1e-6)
    assert before["amount"].tolist()[3:] == pytest.approx([907.18474, 10.0], rel=1e-9)
    assert before["amount_unit"].tolist() == ["N.m", "", "", "kg", "%"]
    assert before["amount_entered"].tolist()[0] == 100.0
    assert before["event_id"].tolist() == ["E0001", "E0002", "E0003", "E0004", "E0005"]
    assert counts(fleet(text + "T2,2026-01-09,fluid,,,\n")) == (1, 5, 0, 0)
    assert db.events()["event_id"].tolist() == ["E0001", "E0002", "E0003", "E0004", "E0005", "E0006"]
    assert counts(fleet(text.replace("100,lb.ft", "110,lb.ft"))) == (0, 4, 1, 0)
    assert db.events("T1")["amount_entered"].tolist()[0] == 110.0
    assert db.audit()["event_id"].tolist() == ["E0001"]


EVENT_FAULTS = [
    ("T9,2026-01-05,power,,,", "unknown_unit"),
    ("T1,later,power,,,", "not_a_time"),
    ("T1,2026-07-01,power,,,", "in_the_future"),
    ("T1,1970-01-01,power,,,", "too_early"),
    ("T1,2026-01-05,,,,", "kind_missing"),
    ("T1,2026-01-05,tuning,,,", "unknown_kind"),
    ("T1,2026-01-05,power,lots,,", "amount_not_a_number"),
    ("T1,2026-01-05,power,5,nm2,", "unknown_measure"),
    ("T1,2026-01-05,load,5,N.m,", "measure_misfit"),
    ("T1,,power,,,", "time_missing"),
    (",2026-01-05,power,,,", "unit_missing"),
]


def test_events_that_cannot_be_right_are_quarantined(db, fleet):
    rows = "".join(f"{row}\n" for row, _ in EVENT_FAULTS)
    report = fleet("unit,happened_at,kind,amount,amount_unit,note\nT2,2026-01-01,fluid,,,\n" + rows)
    assert report.problems["code"].tolist() == [code for _, code in EVENT_FAULTS]
    assert counts(report) == (1, 0, 0, len(EVENT_FAULTS))


def test_the_same_event_twice_with_other_content_is_quarantined(fleet):
    head = "unit,happened_at,kind,amount,amount_unit\n"
    report = fleet(head + "T1,2026-01-05,power,5,N.m\nT1,2026-01-05,power,6,N.m\n")
    assert set(report.problems["code"]) == {"event_twice"}
    assert counts(fleet(head + "T1,2026-01-05,power,5,N.m\nT1,2026-01-05,power,5,N.m\n")) == (1, 1, 0, 0)


def test_events_by_hand(db, fleet):
    first = db.add_event("T1", "power", date(2026, 2, 3), 40.0, "lb.ft", "map", who="anna")
    assert first == "E0001"
    assert db.add_event("T1", "power", "2026-02-03", 40.0, "lb.ft", "map") == first
    assert db.add_event("T1", "fluid", "2026-02-03") == "E0002"
    assert db.records().events["event_id"].tolist() == ["E0001", "E0002"]
    with pytest.raises(UnknownName, match="no unit 'T11' - did you mean 'T1'"):
        db.add_event("T11", "fluid", "2026-02-03")
    for bad in (("tuning", "2026-02-03"), ("fluid", "2026-07-03"), ("fluid", "soon")):
        with pytest.raises(UsageError):
            db.add_event("T1", *bad)
    with pytest.raises(UsageError, match="cannot be measured in kg"):
        db.add_event("T1", "power", "2026-02-04", 3, "kg")
    assert len(db.events()) == 2


NASTY = [
    "'; DROP TABLE units; --",
    '"; DELETE FROM readings; --',
    "=1+1",
    "a\\b",
    "{unit}",
    "%s",
    "$1",
    "?",
    "Ü ü",
    "🚚",
]


def test_names_with_sql_in_them_are_only_names(db, give):
    quoted = ['"' + name.replace('"', '""') + '"' for name in NASTY]
    assert counts(give("unit,profile,note\n" + "".join(f"{q},generic-6,{q}\n" for q in quoted)))[0] == len(
        NASTY
    )
    rows = [f"{q},2026-03-14,5,normal,1-2,apply_trim,1" for q in quoted]
    rows += [f"{quoted[0]},2026-03-15,6,{q},{q},{q},{q}" for q in quoted]
    report = give(snapshots(*rows))
    assert counts(report) == (len(NASTY), 0, 0, len(NASTY))
    for name in NASTY:
        db.add_event(name, "other", "2026-01-01", note=name)
    assert sorted(db.records().units["unit"]) == sorted(NASTY)
    assert sorted(db.events()["note"]) == sorted(NASTY)
    assert db.records(units=[NASTY[0]]).readings.shape[0] == 1
    assert db.check() == []
