"""The three reports on the page: made in the background, shown, taken along, kept."""

from __future__ import annotations

import re

import pytest

from tests.web.conftest import words

ORDERS = {
    "review": {"month": "2025-10"},
    "followup": {"unit": "unit-01", "event": "E0001"},
    "explain": {"unit": "unit-01", "day": "2025-03-01", "as_of": "2025-10-31"},
}


@pytest.mark.parametrize("kind", ORDERS)
def test_a_report_is_made_shown_and_taken_along(visit, kind):
    visit.post("/reports", kind=kind, **ORDERS[kind])
    job = visit.done()
    assert job.state == "done", job.error
    shown = visit.get(f"/jobs/{job.id}")
    assert shown.url.path == f"/reports/{job.id}"
    frame = re.search(r'<iframe class="report" src="([^"]+)"', shown.text)[1]
    report = visit.get(frame)
    assert report.headers["content-type"] == "text/html; charset=utf-8"
    assert report.text.startswith("<!doctype html>") or "<!doctype html>" in report.text[:50]
    policy = report.headers["content-security-policy"]
    assert policy.startswith("default-src 'none'; script-src 'sha256-")
    assert policy.endswith("frame-ancestors 'self'")
    assert "unsafe-inline" not in policy.split("script-src")[1].split(";")[0]
    kinds = {name.rsplit(".", 1)[1] for name in job.result["files"]}
    assert kinds == ({"html", "csv", "ics", "json"} if kind == "review" else {"html", "csv", "json"})
    for name in job.result["files"]:
        taken = visit.get(f"/reports/{job.id}/{name}", download="")
        assert taken.headers["content-disposition"] == f'attachment; filename="{name}"'
    listed = visit.text("/reports")
    assert job.title in listed


def test_the_store_is_free_while_a_report_is_made(visit):
    visit.post("/reports", kind="review", month="2025-10")
    visit.post("/log", unit="unit-02", kind="fluid", day="2025-01-02")
    assert visit.done().state == "done"


@pytest.mark.parametrize(
    ("order", "reason"),
    [
        ({"kind": "review", "month": "soon"}, "'soon' is not a month"),
        ({"kind": "followup", "unit": "nobody"}, "there is no unit 'nobody'"),
        ({"kind": "explain", "unit": "unit-01", "event": "E0001", "day": "2025-01-01"}, "given twice"),
        ({"kind": "explain", "unit": "unit-02", "event": "E0001"}, "no entry 'E0001' for that unit"),
        ({"kind": "explain", "unit": "unit-02", "day": "1.3.2025"}, "is not a day"),
        ({"kind": "letter", "unit": "unit-02"}, "there is no report 'letter'"),
    ],
)
def test_an_order_that_cannot_be_is_refused_at_once(visit, order, reason):
    assert reason in words(visit.post("/reports", 400, **order).text)
    assert visit.page.jobs.newest("review", "followup", "explain") == []


def test_a_report_that_cannot_be_made_says_why(visit):
    visit.post("/reports", kind="followup", unit="unit-02")
    job = visit.done()
    assert job.state == "failed"
    said = visit.text(f"/jobs/{job.id}")
    assert job.error in said
    assert "unit-02" in said
    visit.get(f"/reports/{job.id}", 404)


def test_only_what_was_made_is_served(visit):
    visit.post("/reports", kind="review", month="2025-10")
    number = visit.done().id
    for name in ("../jobs/1.json", "..%2fkey", "%2e%2e%2fkey", "key", "x.html"):
        assert visit.client.get(f"/reports/{number}/{name}").status_code == 404, name
    assert visit.client.get("/reports/999/review-2025-10.html").status_code == 404


def test_a_unit_chosen_shows_its_log_to_choose_from(visit):
    text = visit.get("/reports", unit="unit-01").text
    assert '<option value="E0001">10 Sep 2024: a change of engine power (+60\u00a0N·m)' in text
    assert "There is no unit nobody" in visit.text("/reports", unit="nobody")
