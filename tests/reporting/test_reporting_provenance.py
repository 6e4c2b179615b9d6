"""The appendix: files, fingerprints, corrections, settings, who and when; and the mark of the data."""

from __future__ import annotations

import hashlib
from dataclasses import replace
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest
from reporting_factory import POWER_STEP, analysis, event

import driftwatch
from driftwatch.panel.fingerprint import fingerprint
from driftwatch.reporting.followup import build_followup
from driftwatch.reporting.provenance import Provenance, corrections_table, sources_table
from driftwatch.settings import Settings
from tests.small_fleet import write_files


@pytest.fixture(scope="module")
def store(tmp_path_factory):
    folder = tmp_path_factory.mktemp("provenance")
    files = sorted(write_files(folder).glob("*.csv"), key=lambda p: p.name != "units.csv")
    with driftwatch.open(folder / "a.duckdb", create=True, by="Ada Example") as made:
        for path in files:
            made.import_file(path)
        yield made, files


def test_the_files_behind_a_unit_are_named_with_the_fingerprint_of_their_bytes(store):
    made, files = store
    found = made.sources("unit-01")
    by_name = {Path(p).name: hashlib.sha256(Path(p).read_bytes()).hexdigest() for p in files}
    assert dict(zip(found["file"], found["sha256"], strict=True)) == by_name
    assert set(found["imported_by"]) == {"Ada Example"}
    readings = made.readings(units=["unit-01"])
    assert found["readings"].sum() == len(readings)
    assert found["entries"].sum() == len(made.events("unit-01"))


def test_a_report_carries_who_when_files_and_settings(store, tmp_path):
    made, files = store
    paths = made.followup("unit-01", folder=tmp_path)
    page = next(p for p in paths if p.suffix == ".html").read_text("utf-8")
    for path in files:
        assert Path(path).name in page
        assert hashlib.sha256(Path(path).read_bytes()).hexdigest() in page
    assert "Ada Example" in page
    assert "shifts_to_learn" in page
    mark = fingerprint([made.analyse(units=["unit-01"])[0].panel])
    assert f"<code>{mark}</code>" in page


def history(**more):
    row = dict.fromkeys(("file", "line", "about", "field", "old_value", "new_value", "old_file", "old_line"))
    return {"at_utc": "2026-03-01T08:00:00", "who": "Ada", "what": "import", **row, **more}


def test_corrections_are_told_with_what_was_and_what_became_of_it():
    known = Provenance(
        "Ada", datetime(2026, 3, 31, 12), (),
        (
            history(file="a.csv", about="400 readings in 4 snapshots"),
            history(what="reading corrected", file="b.csv", line=7, about="2026-02-01 1-2", field="value",
                    old_value="41", new_value="14"),
            history(what="event logged", about="2026-02-02 E0001 power"),
        ),
    )  # fmt: skip
    rows = corrections_table(known, Settings()).rows
    assert [row[1:] for row in rows] == [
        ("reading corrected", "2026-02-01 1-2, value: 41 → 14", "b.csv"),
        ("log entry made", "2026-02-02 E0001 power", "by hand"),
    ]
    assert rows[0][0] == "1 Mar 2026, 08:00, Ada"


def test_times_are_in_the_stores_zone():
    source = {
        "file": "a.csv", "sheet": "", "kind": "snapshots", "way": "import", "sha256": "ab",
        "mapping_sha256": "", "imported_at_utc": "2026-03-01T23:30:00", "imported_by": "",
        "readings": 3, "snapshots": 1, "entries": 0,
    }  # fmt: skip
    known = Provenance("", datetime(2026, 3, 1, 23, 30), (source,), ())
    row = sources_table(known, Settings().with_value("zone", "Etc/GMT-2")).rows[0]
    assert row == ("a.csv", "3 readings in 1 snapshot", "ab", "2 Mar 2026, 01:30, not told")


def test_a_report_without_a_store_has_no_files_to_name():
    context = build_followup(analysis("U", step=POWER_STEP, events=(event(),)), None, "E7", Settings())
    assert (context.sources.rows, context.corrections.rows, context.asked) == ((), (), ())
    assert len(context.about.fingerprint) == 64


def test_the_mark_changes_with_any_datum_and_with_nothing_else():
    one, two = analysis("U-01").panel, analysis("U-02", events=(event(),)).panel
    mark = fingerprint([one, two])
    assert fingerprint([two, one]) == mark
    slips = np.ones_like(one.slips)
    assert (
        fingerprint([replace(one, usable=~slips, slips=slips), two]) == mark
    )  # what was left out is no datum
    values, odometer, counts = one.values.copy(), one.odometer_km.copy(), one.learn_counts.copy()
    values[3, 4] += 1e-9
    odometer[3] += 0.1
    counts[3, -1] += 1
    others = (
        replace(one, values=values), replace(one, odometer_km=odometer), replace(one, learn_counts=counts),
        replace(one, unit="U-1"), replace(one, events=(event(),)),
        replace(one, profile=replace(one.profile, title="another")),
    )  # fmt: skip
    assert len({mark, *(fingerprint([changed, two]) for changed in others)}) == len(others) + 1
