"""Entries of the log put right by hand: what they were stays on record, and no file brings it back."""

from __future__ import annotations

from datetime import datetime

import pytest

from driftwatch.errors import UnknownName, UsageError
from driftwatch.plain import frame_rows
from driftwatch.store import clock

EVENTS = "unit,happened_at,kind,amount,amount_unit,note\n"
FILE = EVENTS + "T1,2026-01-15,power,60,N.m,map\nT1,2026-02-01,repair,,,valve body\n"


@pytest.fixture
def log(db, give):
    """A store with two entries that came with a file."""
    give("unit,profile\nT1,generic-6\nT2,generic-6\n")
    give(FILE)
    return db


def entries(db):
    rows = frame_rows(db.events())
    return {r["event_id"]: (r["happened_at"][:10], r["kind"], r["amount"], r["note"]) for r in rows}


def test_every_field_can_be_corrected_and_is_in_the_audit_trail(log):
    changes = {
        "happened_at": "2026-01-17",
        "kind": "load",
        "amount": "2",
        "amount_unit": "t",
        "note": "trailer",
    }
    assert log.correct_event("E0001", changes, "Ada")
    # 2 t are 2000 kg (SI brochure, table 8).
    assert entries(log)["E0001"] == ("2026-01-17", "load", 2000.0, "trailer")
    trail = log.audit()
    assert list(zip(trail["field"], trail["old_value"], trail["new_value"], strict=True)) == [
        ("amount", "60.0 N.m", "2000.0 kg"),
        ("happened_at", "2026-01-15 00:00:00", "2026-01-17 00:00:00"),
        ("kind", "power", "load"),
        ("note", "map", "trailer"),
    ]
    assert set(trail["changed_by"]) == {"Ada"}
    assert not log.correct_event("E0001", changes)
    assert len(log.audit()) == 4


def test_an_amount_and_a_note_can_be_taken_away(log):
    log.correct_event("E0001", {"amount": "", "amount_unit": "", "note": ""})
    _, _, amount, note = entries(log)["E0001"]
    assert (amount, note) == (None, "")


@pytest.mark.parametrize(
    ("changes", "reason"),
    [
        ({"kind": "wash"}, "no kind of event"),
        ({"happened_at": "2099-01-01"}, "in the future"),
        ({"happened_at": "soon"}, "not an ISO 8601"),
        ({"amount": "much"}, "not a number"),
        ({"amount_unit": "psi"}, "cannot be measured in psi"),
        ({"unit": "T2"}, "cannot be corrected"),
        ({"kind": "repair", "happened_at": "2026-02-01", "note": "valve body"}, "same as entry E0002"),
    ],
)
def test_what_cannot_be_right_is_refused_and_nothing_changes(log, changes, reason):
    before = entries(log)
    with pytest.raises(UsageError, match=reason):
        log.correct_event("E0001", changes)
    assert entries(log) == before
    assert log.audit().empty


def test_a_retracted_entry_is_gone_and_its_id_is_not_used_again(log):
    log.retract_event("E0002", "of another vehicle", "Ada")
    assert list(entries(log)) == ["E0001"]
    assert log.add_event("T1", "fluid", "2026-03-01") == "E0003"
    told = log.history("T1")
    row = told[told["what"] == "event retracted"].iloc[0]
    assert (row["who"], row["old_value"], row["new_value"]) == (
        "Ada", "2026-02-01 00:00:00 repair valve body", "of another vehicle",
    )  # fmt: skip
    assert (told["what"] == "event logged").sum() == 3
    with pytest.raises(UnknownName, match="no entry 'E0002'"):
        log.retract_event("E0002", "again")
    with pytest.raises(UsageError, match="without a reason"):
        log.retract_event("E0001", "  ")


def test_the_history_keeps_an_entry_as_it_was_logged(log, monkeypatch):
    logged = log.history("T1").query("what == 'event logged'")
    changes = [
        {"happened_at": "2026-01-17"},
        {"kind": "load", "amount": "", "note": "van"},
        {"note": "trailer"},
    ]
    for hour, change in enumerate(changes):
        monkeypatch.setattr(clock, "now_utc", lambda hour=hour: datetime(2026, 6, 2, hour))
        log.correct_event("E0001", change)
    told = log.history("T1")
    assert frame_rows(told.query("what == 'event logged'")) == frame_rows(logged)
    assert logged["file"].notna().all()
    corrected = told.query("what == 'event corrected'")
    assert corrected["field"].tolist() == ["happened_at", "amount", "kind", "note", "note"]


@pytest.mark.parametrize("again", [FILE, FILE + "T2,2026-02-02,fluid,,,\n"])
def test_a_file_does_not_bring_back_what_was_put_right(log, give, again):
    log.correct_event("E0001", {"happened_at": "2026-01-17"})
    log.retract_event("E0002", "of another vehicle")
    report = give(again)
    assert report.same == 2
    assert "left so: 2" in " ".join(report.notes)
    assert [e for e in entries(log) if e in ("E0001", "E0002")] == ["E0001"]
    assert entries(log)["E0001"][0] == "2026-01-17"
    assert log.check() == []


def test_by_hand_it_can_be_entered_again(log):
    log.retract_event("E0002", "of another vehicle")
    assert log.add_event("T1", "repair", "2026-02-01", note="valve body") == "E0003"


def test_nothing_is_left_of_it_when_its_unit_is_deleted(log):
    log.retract_event("E0002", "of another vehicle")
    log.delete_unit("T1", "asked for")
    left = log._con.execute("SELECT count(*) FROM events_done").fetchall()
    assert left == [(0,)]
