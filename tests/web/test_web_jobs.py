"""Long work: it holds nobody up, can be stopped, and is told of after the page was killed."""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
import time
from datetime import date, timedelta

import pytest
from starlette.testclient import TestClient

import driftwatch
from driftwatch.errors import StoreBusy
from driftwatch.web.app import make_app
from driftwatch.web.jobs import KEPT
from tests.small_fleet import HEADER, SHIFTS
from tests.web.conftest import ADDRESS, Visitor, words
from tests.web.served import served, token, until


@pytest.fixture(scope="module")
def many_rows() -> bytes:
    """Readings that take some seconds to import: 350 days of two units, every shift in two modes."""
    rows = [HEADER.strip()]
    for unit in ("unit-01", "unit-03"):
        for k in range(350):
            head = f"{unit},{date(2018, 1, 1) + timedelta(days=k)},{1000 + 10 * k}"
            rows += [
                f"{head},{mode},{shift},{signal},{(k * i) % 40 / 100 + 0.3:.2f},80,12"
                for mode in ("normal", "tow")
                for i, shift in enumerate(SHIFTS)
                for signal in ("apply_trim", "release_trim", "shift_time", "torque_cut")
            ]
    return "\n".join(rows).encode()


def held(number: int) -> None:
    """Hold a job where it is: as long as it takes to look at everything."""
    (process,) = (p for p in multiprocessing.active_children() if p.name == f"job {number}")
    os.kill(process.pid, signal.SIGSTOP)


def counts(path):
    with driftwatch.open(path, read_only=True) as store:
        assert store.check() == []
        return len(store.readings()), list(store.files()["name"])


def test_an_import_holds_no_reader_up_and_can_be_stopped(visit, many_rows):
    visit.assessed()
    before = counts(visit.page.settings.db)
    visit.post("/take-in", files=[("files", ("many.csv", many_rows, "text/csv"))])
    look = visit.done(visit.page.jobs.newest("look")[0].id)
    visit.post(f"/take-in/{look.id}")
    job = visit.page.jobs.newest("import")[0]
    until(lambda: visit.page.jobs.get(job.id).doing.startswith("importing"))
    held(job.id)
    for path, query in (("/", {}), ("/unit", {"name": "unit-02"}), ("/unit/history", {"name": "unit-02"})):
        start = time.monotonic()
        assert "unit-02" in visit.text(path, **query)
        assert time.monotonic() - start < 2.0
    with pytest.raises(StoreBusy):
        driftwatch.open(visit.page.settings.db, read_only=True)
    assert "is being written to just now" in words(
        visit.post("/log", 503, unit="unit-02", kind="fluid", day="2025-01-02").text
    )
    assert "It is being worked on." in visit.text(f"/jobs/{job.id}")
    told = visit.get(f"/jobs/{job.id}/progress.json").json()
    assert told["state"] == "running"
    assert "Stopped." in words(visit.post(f"/jobs/{job.id}/cancel").text)
    assert visit.page.jobs.get(job.id).state == "cancelled"
    assert "No file was taken." in visit.text(f"/jobs/{job.id}")
    assert counts(visit.page.settings.db) == before
    # The files are still there, and can be taken in after all.
    assert "Take it in" in visit.text(f"/take-in/{look.id}")


def test_many_writes_in_a_row_are_not_followed_by_as_many_assessments(visit, monkeypatch):
    jobs, gate = visit.page.jobs, threading.Event()
    really = jobs._run

    def slowly(number: int) -> None:
        jobs._change(number, state="running")
        gate.wait(30)
        really(number)

    monkeypatch.setattr(jobs, "_run", slowly)
    visit.get("/")
    first = jobs.newest("assess")[0]
    until(lambda: jobs.get(first.id).state == "running")
    for day in range(1, 6):
        visit.post("/log", unit="unit-03", kind="fluid", day=f"2025-01-0{day}")
    # By hand: one goes on, the newest of five waits, and those between were let go of before they began.
    assert [j.state for j in jobs.newest("assess")] == ["waiting", *["cancelled"] * 4, "running"]
    gate.set()
    visit.assessed()
    assert jobs.wait(jobs.newest("assess")[0].id, 10.0).state == "done"


def test_jobs_of_one_lane_wait_for_each_other_and_can_be_stopped_while_they_wait(visit, many_rows):
    jobs = visit.page.jobs
    visit.post("/take-in", files=[("files", ("many.csv", many_rows, "text/csv"))])
    args = visit.done(jobs.newest("look")[0].id).args
    first, second = (jobs.start("look", "looking again", args) for _ in range(2))
    until(lambda: jobs.get(first.id).state == "running")
    assert jobs.get(second.id).state == "waiting"
    assert "It waits for its turn." in visit.text(f"/jobs/{second.id}")
    assert jobs.cancel(second.id).state == "cancelled"
    assert jobs.get(first.id).state == "running"
    assert jobs.cancel(first.id).state == "cancelled"


def test_the_page_that_is_stopped_breaks_its_work_off_and_tells_of_it(settings, many_rows):
    with TestClient(make_app(settings), base_url=ADDRESS) as client:
        visit = Visitor(client)
        visit.post("/reports", kind="explain", unit="unit-01", event="E0001")
        report = visit.done()
        visit.post("/take-in", files=[("files", ("many.csv", many_rows[:5000], "text/csv"))])
        args = visit.done(visit.page.jobs.newest("look")[0].id).args
        number = visit.page.jobs.start("look", "looking again", args).id
        until(lambda: visit.page.jobs.get(number).doing != "")
        held(number)
    with TestClient(make_app(settings), base_url=ADDRESS) as client:
        again = Visitor(client)
        look = again.page.jobs.newest("look")[0]
        assert look.state == "broken"
        assert "The page was stopped while it looked at the files." in again.text(f"/take-in/{look.id}")
        assert "broken off" in again.text("/jobs")
        again.get(f"/reports/{report.id}/{report.result['files'][0]}")
        assert report.title in again.text("/reports")


def test_the_page_that_is_killed_in_the_middle_of_an_import_leaves_the_store_whole(settings, many_rows):
    before, names = counts(settings.db)
    with served(settings.db) as page, page.client() as client:
        told = {"csrf": token(client)}
        client.post("/take-in", data=told, files=[("files", ("many.csv", many_rows, "text/csv"))])
        until(lambda: client.get("/jobs/1/progress.json").json()["over"])
        started = client.post("/take-in/1", data=told)
        number = started.url.path.rsplit("/", 1)[-1]
        until(lambda: client.get(f"/jobs/{number}/progress.json").json()["doing"].startswith("importing"))
        page.kill()

    def is_free():
        try:
            with driftwatch.open(settings.db):
                return True
        except StoreBusy:
            return False

    until(is_free, 10, "the import goes on without its page")
    after, now = counts(settings.db)
    # All of the file or nothing: 2 units x 350 days x 2 modes x 10 shifts x 4 signals.
    assert (after, now) in [(before, names), (before + 56_000, [*names, "many.csv"])]
    with served(settings.db) as page, page.client() as client:
        shown = words(client.get(f"/jobs/{number}").text)
        assert "It was broken off." in shown
        assert "The store is whole: a file is taken as a whole or not at all." in shown
        assert "unit-02" in client.get("/?show=units").text
        # And the files can still be taken in.
        assert "Take it in" in client.get("/take-in/1").text


def test_only_so_many_jobs_are_remembered(visit):
    jobs = visit.page.jobs
    visit.post("/reports", kind="followup", unit="nobody-yet", status=400)
    for _ in range(KEPT + 5):
        job = jobs.start("look", "looking at nothing", {"upload": "none", "files": []})
        jobs.cancel(job.id)
    assert len(jobs.newest()) <= KEPT + 1
    assert len(list(visit.page.folder.jobs.glob("*.json"))) <= KEPT + 1


def test_a_job_file_that_is_none_is_passed_over(settings):
    with TestClient(make_app(settings), base_url=ADDRESS) as client:
        (client.app.state.page.folder.jobs / "7.json").write_text("{half")
        (client.app.state.page.folder.jobs / "8.json").write_text('{"id": 8}')
    with TestClient(make_app(settings), base_url=ADDRESS) as client:
        assert client.app.state.page.jobs.newest() == []


def test_work_that_fails_in_a_way_nobody_thought_of_is_told_in_one_line(visit):
    job = visit.page.jobs.start("followup", "a follow-up of nothing", {})
    failed = visit.done(job.id)
    assert failed.state == "failed"
    assert failed.error.startswith("a fault in the program (KeyError)")
    assert "Traceback" not in visit.get(f"/jobs/{job.id}").text
