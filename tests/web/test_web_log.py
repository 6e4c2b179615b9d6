"""The log on the page: entries added, corrected, retracted, and what is refused."""

from __future__ import annotations

import driftwatch
from tests.web.conftest import somebody_writing, words


def entries(visit):
    with driftwatch.open(visit.page.settings.db, read_only=True) as store:
        return {row.event_id: row for row in store.events().itertuples()}


def test_what_was_done_is_logged_in_the_visitors_name(visit):
    visit.post("/name", who="Grace Example")
    answer = visit.post(
        "/log", unit="unit-02", kind="load", day="2025-03-01", time="09:30", amount="1.5", amount_unit="t",
        note="new <b>trailer</b>",
    )  # fmt: skip
    said = words(answer.text)
    assert "Logged as entry E0002." in said
    assert "a change of load (1 500 kg; “new <b>trailer</b>”)" in said
    entry = entries(visit)["E0002"]
    assert (str(entry.happened_at), entry.logged_by) == ("2025-03-01 09:30:00", "Grace Example")


def test_what_cannot_be_right_is_said_and_the_form_keeps_what_was_typed(visit):
    told = {"unit": "unit-02", "kind": "load", "day": "2025-03-01", "amount": "much", "note": "a long story"}
    answer = visit.post("/log", 400, **told)
    assert "'much' is not a number" in words(answer.text)
    assert 'value="a long story"' in answer.text
    assert "no unit" in words(visit.post("/log", 400, **{**told, "unit": "unit-2", "amount": ""}).text)
    assert "future" in words(visit.post("/log", 400, **{**told, "day": "2099-01-01", "amount": ""}).text)
    assert "the day is missing" in words(visit.post("/log", 400, **{**told, "day": "", "amount": ""}).text)
    assert list(entries(visit)) == ["E0001"]


def test_an_entry_is_corrected(visit):
    form = visit.get("/log/entry", id="E0001").text
    assert 'value="2024-09-10"' in form
    assert 'value="60"' in form
    said = visit.post(
        "/log/entry?id=E0001", kind="power", day="2024-09-11", amount="45", amount_unit="lb.ft", note="map"
    )
    assert "Entry E0001 is corrected." in words(said.text)
    # 1 lbf.ft is 1.3558179 N.m (NIST SP 811, appendix B): 45 of them are 61.0.
    assert abs(entries(visit)["E0001"].amount - 61.0118) < 1e-3
    assert "event corrected" in visit.text("/unit/history", name="unit-01")
    form = visit.get("/log/entry", id="E0001").text
    assert 'value="45"' in form
    assert 'value="lb.ft"' in form


def test_an_entry_is_retracted_with_a_reason(visit):
    assert "without a reason" in words(visit.post("/log/retract?id=E0001", 400, reason=" ").text)
    said = words(visit.post("/log/retract?id=E0001", reason="was another vehicle").text)
    assert "Entry E0001 is retracted." in said
    assert entries(visit) == {}
    assert "was another vehicle" in visit.text("/unit/history", name="unit-01")
    visit.get("/log/entry", 404, id="E0001")


def test_entries_are_narrowed(visit):
    for unit in ("unit-02", "unit-03"):
        visit.post("/log", unit=unit, kind="fluid", day="2025-01-02", note=f"oil {unit}")
    said = visit.text("/log", unit="unit-03")
    assert "oil unit-03" in said
    assert "oil unit-02" not in said
    assert "invented" not in visit.text("/log", of="fluid")
    assert "Nothing fits." in visit.text("/log", q="no such word")


def test_while_somebody_else_writes_nothing_is_done_and_one_is_told(visit):
    visit.get("/log")
    told = {"unit": "unit-02", "kind": "fluid", "day": "2025-01-02", "note": "typed with care"}
    object.__setattr__(visit.page.settings, "wait", 0.2)
    with somebody_writing(visit.page.settings.db):
        answer = visit.post("/log", 503, **told)
    assert "is being written to just now" in words(answer.text)
    assert "typed with care" in answer.text
    assert "Logged as entry" in words(visit.post("/log", **told).text)
