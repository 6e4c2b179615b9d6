"""Work on rows that were set aside: fixed, dropped, taken again; what was done stays on record."""

from __future__ import annotations

import json

import pytest

from driftwatch.errors import UnknownName, UsageError
from driftwatch.intake.mapping import Mapping

from .conftest import HEAD, contents, counts, snapshots

GOOD = "T1,2026-03-14,1000,normal,1-2,apply_trim,12.5"


@pytest.fixture
def waiting(db, fleet):
    """Four rows in quarantine, numbered 1 to 4, beside one that was taken."""
    rows = (
        GOOD,
        GOOD.replace("T1", "T9"),
        GOOD.replace("T1", "T9").replace("1-2", "2-3"),
        GOOD.replace("1-2", "2-3").replace("12.5", "1Z.5"),
        GOOD.replace("1-2", "7-8"),
    )
    assert counts(fleet(snapshots(*rows), name="a.csv")) == (1, 0, 0, 4)
    assert db.quarantine()["quarantine_id"].tolist() == [1, 2, 3, 4]
    return db


def test_rows_are_chosen_by_unit_code_and_file(waiting):
    assert waiting.quarantine(unit="T9")["quarantine_id"].tolist() == [1, 2]
    assert waiting.quarantine(code="value_not_a_number")["quarantine_id"].tolist() == [3]
    assert waiting.quarantine(unit="T1", file="a.csv")["quarantine_id"].tolist() == [3, 4]
    assert waiting.quarantine(file="b.csv").empty


def test_a_fixed_row_is_taken_under_its_file_and_line_and_the_change_is_kept(waiting):
    outcome = waiting.fix_quarantined([3], {"value": "12.7"}, who="anna")
    assert (outcome.taken, outcome.left) == ((3,), ())
    row = waiting._con.execute(
        "SELECT value, file, line, imported_by FROM reading_list WHERE channel = '2-3'"
    ).fetchall()
    assert row == [(12.7, "a.csv", 5, "anna")]
    assert waiting.quarantine()["quarantine_id"].tolist() == [1, 2, 4]
    done = waiting._con.execute(
        "SELECT quarantine_id, what, changes, done_by, raw FROM quarantine_done"
    ).fetchall()
    assert done[0][:4] == (3, "fixed", '{"value": "12.7"}', "anna")
    assert json.loads(done[0][4])["value"] == "1Z.5"
    assert waiting.files()["way"].tolist()[-1] == "fixed"
    assert waiting.check() == []


def test_a_row_that_still_cannot_be_right_stays_with_its_reason(waiting):
    outcome = waiting.fix_quarantined([1, 4], {"unit": "T2"})
    assert outcome.taken == (1,)
    assert outcome.left == ((4, "profile generic-6 has no shift “7-8”, and apply_trim belongs to a shift"),)
    assert waiting.quarantine()["quarantine_id"].tolist() == [2, 3, 4]
    assert json.loads(waiting.quarantine()["raw"].iloc[-1])["unit"] == "T1"


def test_all_rows_of_a_mistyped_unit_are_fixed_at_once(waiting):
    assert waiting.fix_quarantined([1, 2], {"UNIT": "T2"}).taken == (1, 2)
    assert waiting.records().readings["unit"].tolist() == ["T1", "T2", "T2"]


def test_fixing_without_a_change_judges_anew(waiting, give):
    assert waiting.fix_quarantined([1], {}).left == ((1, "there is no unit “T9” in the store"),)
    give("unit,profile\nT9,generic-6\n")
    assert waiting.quarantine()["quarantine_id"].tolist() == [
        3,
        4,
    ]  # those that waited are taken by themselves


def test_the_same_file_again_leaves_alone_what_was_fixed_or_dropped(waiting, fleet):
    waiting.fix_quarantined([3], {"value": "12.7"})
    assert waiting.drop_quarantined([4], "test row", who="ben") == 1
    before = contents(waiting)
    rows = [json.loads(r) for r in before["quarantine_done"] and [r[5] for r in before["quarantine_done"]]]
    assert len(rows) == 2
    report = fleet(
        snapshots(
            GOOD,
            GOOD.replace("T1", "T9"),
            GOOD.replace("T1", "T9").replace("1-2", "2-3"),
            GOOD.replace("1-2", "2-3").replace("12.5", "1Z.5"),
            GOOD.replace("1-2", "7-8"),
        ),
        name="a.csv",
    )
    assert counts(report) == (0, 3, 0, 2)
    assert "rows that were fixed or dropped in quarantine before, and are left so: 2" in report.notes
    assert waiting.quarantine()["quarantine_id"].tolist() == [1, 2]
    dropped = waiting._con.execute(
        "SELECT note, done_by FROM quarantine_done WHERE what = 'dropped'"
    ).fetchall()
    assert dropped == [("test row", "ben")]


def test_numbers_are_not_used_again(waiting, fleet):
    waiting.drop_quarantined([1, 2, 3, 4])
    fleet(snapshots(GOOD.replace("T1", "T8")), name="b.csv")
    assert waiting.quarantine()["quarantine_id"].tolist() == [5]


def test_wrong_calls_change_nothing(waiting):
    before = contents(waiting)
    with pytest.raises(UnknownName, match="no row 17 in quarantine"):
        waiting.fix_quarantined([1, 17], {"unit": "T2"})
    with pytest.raises(UnknownName, match="no row 17"):
        waiting.drop_quarantined([17])
    with pytest.raises(UsageError, match="no column 'colour'"):
        waiting.fix_quarantined([1], {"colour": "red"})
    assert contents(waiting) == before


def test_rows_of_wide_files_events_and_of_another_shape_can_be_fixed(db, fleet, give):
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
    """
    fleet("Truck;Day;km;A\nT9;2026-01-01;5;1,5\n", mapping=Mapping.from_toml(toml), name="w.csv")
    give("unit,happened_at,kind\nT1,2026-01-01,tuning\n", name="e.csv")
    give(snapshots(GOOD + ",extra"), name="s.csv")
    assert db.fix_quarantined([1], {"unit": "T1"}).taken == (1,)
    # 1.5 psi = 10.342136 kPa (NIST SP 811, appendix B); the decimal comma is that of the file.
    assert db.records().readings["value"].tolist() == [pytest.approx(10.342136, rel=1e-6)]
    assert db.fix_quarantined([2], {"kind": "repair"}).taken == (2,)
    assert db.events()["kind"].tolist() == ["repair"]
    whole = dict(zip(HEAD.split(","), GOOD.split(","), strict=True))
    assert db.fix_quarantined([3], whole).taken == (3,)
    assert db.quarantine().empty
    assert db.check() == []


def test_a_waiting_row_does_not_undo_what_a_later_file_said(db, fleet, give):
    fleet(snapshots(GOOD.replace("T1", "T3")), name="a.csv")
    give("unit,profile,in_service_on\nT3,generic-6,2026-05-01\n")
    assert db.quarantine()["code"].tolist() == ["before_service"]
    db.fix_quarantined([1], {"unit": "T1"})
    assert db.records().readings["value"].tolist() == [12.5]
    fleet(snapshots(GOOD.replace("T1", "T4").replace("12.5", "1")), name="b.csv")
    fleet(snapshots(GOOD.replace("12.5", "14")), name="c.csv")
    assert db.records().readings["value"].tolist() == [14.0]
