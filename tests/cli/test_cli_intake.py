"""Getting in and keeping in order, from the command line: files, quarantine, units, copies, waiting."""

from __future__ import annotations

import io
import json
import shutil
import subprocess
import sys
import threading
import time
from pathlib import Path

import openpyxl
import pytest

from driftwatch.cli.main import _with_wait_first

EVENTS = "unit,happened_at,kind\n"
UNITS = "unit,profile\nu1,generic-6\n"
SNAPSHOTS = "unit,taken_at,odometer_km,mode,channel,signal,value\n"
ROW = "u1,2025-12-20,1000,normal,1-2,apply_trim,5\n"


def as_json(result):
    return json.loads(result.out)


@pytest.fixture
def folder(tmp_path):
    """Give a folder as a shop would hand it over."""
    inside = tmp_path / "in"
    inside.mkdir()
    (inside / "b-snapshots.csv").write_text(SNAPSHOTS + ROW)
    (inside / "c-units.csv").write_text(UNITS)
    (inside / "a-events.csv").write_text(EVENTS + "u1,2025-12-01,fluid\n")
    (inside / "README.txt").write_text("not a table\n")
    (inside / ".hidden.csv").write_text("rubbish")
    (inside / "~$open.xlsx").write_text("rubbish")
    return inside


def test_a_folder_is_taken_in_one_go(cli, folder):
    done = cli("import", folder, "--format", "json")
    assert done.code == 0, done.err
    assert [(r["kind"], r["new"]) for r in as_json(done)] == [("units", 1), ("snapshots", 1), ("events", 1)]


def test_a_pattern_is_taken_in_one_go(cli, folder):
    done = cli("import", str(folder / "*s.csv"), "--format", "json")
    assert done.code == 0, done.err
    assert len(as_json(done)) == 3
    assert "no file fits" in cli("import", str(folder / "*.parquet")).error
    assert cli("import", str(folder / "*.parquet")).code == 4


def test_an_empty_folder_is_refused(cli, tmp_path):
    (tmp_path / "none").mkdir()
    refused = cli("import", "none")
    assert refused.code == 4
    assert "no file to read in this folder" in refused.error


def test_standard_input_is_read(cli, monkeypatch):
    class Stdin:
        buffer = io.BytesIO(UNITS.encode())

    monkeypatch.setattr(sys, "stdin", Stdin)
    done = cli("import", "-", "--format", "json")
    assert done.code == 0, done.err
    assert as_json(done)[0]["new"] == 1
    listed = as_json(cli("history", "u1", "--format", "json"))
    assert listed == []


def test_a_mapping_beside_a_file_is_used_and_said(cli, tmp_path):
    (tmp_path / "w.csv").write_text("Truck,Date,Odo km,1-2 apply tow psi\nu1,2025-12-20,1000,1.5\n")
    (tmp_path / "u.csv").write_text(UNITS)
    assert cli("mapping", "draft", "w.csv", "--out", "w.mapping.toml").code == 0
    done = cli("import", "u.csv", "w.csv")
    assert done.code == 0, done.err
    assert "read through the mapping w.mapping.toml beside it" in done.err


def test_a_mapping_among_several_files_is_for_those_that_need_it(cli, tmp_path):
    (tmp_path / "w.csv").write_text("Truck,Date,Odo km,1-2 apply tow psi\nu1,2025-12-20,1000,1.5\n")
    (tmp_path / "u.csv").write_text(UNITS)
    assert cli("mapping", "draft", "w.csv", "--out", "m.toml").code == 0
    done = cli("import", "u.csv", "w.csv", "--mapping", "m.toml")
    assert done.code == 0, done.err
    assert "the mapping was not needed" in done.err
    alone = cli("import", "u.csv", "--mapping", "m.toml")
    assert alone.code == 4


def test_mapping_check_says_column_by_column_and_writes_nothing(cli, tmp_path):
    (tmp_path / "w.csv").write_text("Truck,Date,Odo km,1-2 apply tow psi\nu1,2025-12-20,1000,1.5\n")
    cli("mapping", "draft", "w.csv", "--out", "m.toml")
    good = cli("mapping", "check", "w.csv", "--mapping", "m.toml", "--format", "json")
    assert good.code == 0, good.err
    assert [r["is"] for r in as_json(good)] == ["unit", "taken_at", "odometer", "apply_trim 1-2 tow"]
    text = (tmp_path / "m.toml").read_text()
    (tmp_path / "m.toml").write_text(text.replace('"tow"', '"sport"'))
    bad = cli("mapping", "check", "w.csv", "--mapping", "m.toml", "--format", "json")
    assert bad.code == 4
    assert "cannot be used" in bad.error
    assert not (tmp_path / "driftwatch.duckdb").exists()


def test_a_workbook_with_three_sheets_is_one_file(cli, tmp_path):
    book = openpyxl.Workbook()
    book.remove(book.active)
    for title, text in (
        ("log", EVENTS + "u1,2025-12-01,fluid\n"),
        ("data", SNAPSHOTS + ROW),
        ("fleet", UNITS),
    ):
        sheet = book.create_sheet(title)
        for line in text.splitlines():
            sheet.append(line.split(","))
    book.save(tmp_path / "b.xlsx")
    done = cli("import", "b.xlsx", "--format", "json")
    assert done.code == 0, done.err
    (told,) = as_json(done)
    assert (told["rows"], told["new"], told["kind"]) == (3, 3, "units, snapshots, events")
    assert [part["sheet"] for part in told["sheets"]] == ["fleet", "data", "log"]
    again = as_json(cli("import", "b.xlsx", "--format", "json"))[0]
    assert (again["new"], again["same"]) == (0, 3)


def test_a_workbook_is_taken_whole_or_not_at_all(cli, tmp_path):
    book = openpyxl.Workbook()
    book.remove(book.active)
    for title, text in (("fleet", UNITS), ("log", EVENTS + "u9,2025-12-01,fluid\n")):
        sheet = book.create_sheet(title)
        for line in text.splitlines():
            sheet.append(line.split(","))
    book.save(tmp_path / "b.xlsx")
    assert cli("import", "b.xlsx", "--strict").code == 3
    assert as_json(cli("unit", "list", "--format", "json")) == []


def test_a_reading_sheet_is_made_filled_in_and_taken(cli, tmp_path):
    made = cli("template", "--profile", "generic-6", "--unit", "u1", "--out", "r.xlsx")
    assert (made.code, made.out.strip()) == (0, "r.xlsx")
    book = openpyxl.load_workbook(tmp_path / "r.xlsx")
    sheet = book.worksheets[0]
    for row in sheet.iter_rows():
        if row[0].value == "Read on":
            row[1].value = "2025-12-20 09:20"
        if row[0].value == "Odometer":
            row[1].value = 1000
        if row[0].value == "pack3":
            row[1].value = 26.1
    book.save(tmp_path / "r.xlsx")
    (tmp_path / "u.csv").write_text(UNITS)
    done = cli("import", "u.csv", "r.xlsx", "--format", "json")
    assert done.code == 0, done.err
    assert as_json(done)[1]["new"] == 1
    assert cli("template", "--out", "r.xlsx").code == 2
    assert "ending in .xlsx" in cli("template", "--out", "r.pdf").error


def test_work_on_the_quarantine(cli, tmp_path):
    (tmp_path / "u.csv").write_text(UNITS)
    rows = [ROW, ROW.replace("u1", "u9"), ROW.replace("1-2", "9-9"), ROW.replace("u1,2025", "u1,2999")]
    (tmp_path / "s.csv").write_text(SNAPSHOTS + "".join(rows))
    assert cli("import", "u.csv", "s.csv").code == 3
    assert len(as_json(cli("quarantine", "list", "--unit", "u9", "--format", "json"))) == 1
    fixed = cli("quarantine", "fix", 1, 2, "--set", "unit=u1", "--set", "channel=2-3", "--format", "json")
    assert fixed.code == 0, fixed.err
    assert [r["became"] for r in as_json(fixed)] == ["taken", "taken"]
    still = cli("quarantine", "fix", "--code", "in_the_future", "--format", "json")
    assert still.code == 3
    assert "is in the future" in as_json(still)[0]["reason"]
    assert "no row is chosen" in cli("quarantine", "drop").error
    assert "chosen twice" in cli("quarantine", "drop", 3, "--file", "s.csv").error
    assert "is no change" in cli("quarantine", "fix", 3, "--set", "unit").error
    assert "no row 77" in cli("quarantine", "drop", 77).error
    assert "no row in quarantine is so" in cli("quarantine", "drop", "--unit", "u7").error
    assert cli("quarantine", "drop", "--file", "s.csv", "--note", "typed wrong").out == "dropped 1 row\n"
    assert "the quarantine is empty" in cli("quarantine", "list").err


def test_a_dry_run_says_what_would_be_corrected_and_why_rows_are_set_aside(cli, store, tmp_path):
    (tmp_path / "s.csv").write_text(
        SNAPSHOTS
        + "unit-01,2025-10-29,116000,normal,1-2,apply_trim,91\n"
        + "unit-01,2025-12-20,140000,normal,9-9,apply_trim,5\n"
        + "unit-01,2025-12-20,140000,normal,1-2,apply_trim,5\n"
    )
    dry = cli("import", "s.csv", "--dry-run", "--format", "json", db=store)
    assert dry.code == 3
    (told,) = as_json(dry)
    assert (told["new"], told["same"], told["corrected"], told["quarantined"]) == (1, 0, 1, 1)
    assert [(c["line"], c["field"], c["new_value"]) for c in told["corrections"]] == [(2, "value", "91.0")]
    assert told["problems"][0]["code"] == "unknown_channel"
    assert "line 2: corrected: unit-01 2025-10-29T00:00:00 normal 1-2 apply_trim value, " in dry.err
    assert dry.err.count("becomes 91.0") == 1
    assert "nothing was changed" in dry.err


def test_a_dry_run_of_several_files_says_what_would_become_of_all_of_them(cli, folder, tmp_path):
    dry = cli("import", folder, "--dry-run", "--format", "json")
    assert dry.code == 0, dry.err
    assert [(r["new"], r["dry_run"]) for r in as_json(dry)] == [(1, True)] * 3
    assert not (tmp_path / "driftwatch.duckdb").exists()
    assert cli("init").code == 0
    before = (tmp_path / "driftwatch.duckdb").read_bytes()
    dry = cli("import", folder, "--dry-run", "--format", "json")
    assert [(r["new"], r["quarantined"]) for r in as_json(dry)] == [(1, 0)] * 3
    assert (tmp_path / "driftwatch.duckdb").read_bytes() == before


def test_units_as_a_whole(cli, store, monkeypatch):
    listed = as_json(cli("unit", "list", "--format", "json", db=store))
    assert [(u["unit"], u["snapshots"]) for u in listed] == [
        ("unit-01", 12),
        ("unit-02", 12),
        ("unit-03", 12),
    ]
    noted = cli("unit", "odometer", "unit-01", "--on", "2025-12-01", "--was", "73000", "--in", "mi", db=store)
    assert (noted.code, noted.out) == (0, "noted; 0 stored snapshots were set right\n")
    again = ("unit", "odometer", "unit-01", "--on", "2025-12-02", "--was")
    far = cli(*again, "200000", "--instead-of", "2025-12-01", db=store)
    assert far.code == 2
    assert "is right all the same, confirm it with --anyway" in far.error
    assert cli(*again, "200000", "--instead-of", "2025-12-01", "--anyway", db=store).code == 0
    backward = cli(*again, "5", "--instead-of", "2025-12-02", "--anyway", db=store)
    assert "the old odometer cannot have shown 5 km on 2025-12-02: it read" in backward.error
    back = cli("unit", "odometer-retract", "unit-01", "--on", "2025-12-02", "--reason", "wrong", db=store)
    assert (back.code, back.out) == (0, "taken back; 0 stored snapshots were set right\n")
    moved = cli("unit", "profile", "unit-01", "--to", "generic-8", db=store)
    assert moved.code == 2
    assert "other packs work in" in moved.error
    moved = cli("unit", "profile", "unit-01", "--to", "generic-8", "--anyway", db=store)
    assert (moved.code, moved.out) == (0, "1 unit moved to profile generic-8\n")
    assert (
        "--in"
        in cli("unit", "odometer", "unit-01", "--on", "2025-12-01", "--was", "1", "--in", "m", db=store).error
    )
    monkeypatch.setattr("sys.stdin", io.StringIO("n\n"))
    assert cli("unit", "delete", "unit-02", "--reason", "asked for", db=store).code == 130
    monkeypatch.setattr("sys.stdin", io.StringIO(""))
    alone = cli("unit", "delete", "unit-02", "--reason", "asked for", db=store)
    assert alone.code == 2
    assert "nothing was deleted - give --yes" in alone.error
    gone = cli("unit", "delete", "unit-02", "--reason", "asked for", "--yes", db=store)
    assert gone.code == 0, gone.err
    assert "12 snapshots, 300 readings" in gone.out
    assert len(as_json(cli("unit", "list", "--format", "json", db=store))) == 2
    told = as_json(cli("history", "unit-02", "--format", "json", db=store))
    assert [(r["what"], r["about"]) for r in told] == [("unit deleted", "asked for")]
    assert cli("unit", "readmit", "unit-02", db=store).code == 0
    assert cli("check", db=store).code == 0


def test_who_did_it_is_kept(cli, store, tmp_path, monkeypatch):
    (tmp_path / "e.csv").write_text(EVENTS + "unit-01,2025-01-01,fluid\n")
    assert cli("--db", store, "--by", "anna", "import", "e.csv").code == 0
    monkeypatch.setenv("DRIFTWATCH_BY", "ben")
    assert cli("event", "add", "unit-01", "repair", "--on", "2025-01-02", db=store).code == 0
    told = as_json(cli("history", "unit-01", "--format", "json", db=store))
    logged = {r["about"].split(" ")[3]: r["who"] for r in told if r["what"] == "event logged"}
    assert (logged["fluid"], logged["repair"]) == ("anna", "ben")


def test_an_earlier_assessment_comes_out_again_exactly(cli, store, tmp_path):
    ask = ("assess", "--as-of", "2025-12-31")
    first = cli(*ask, db=store).out
    moment = time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime(time.time() + 1))
    time.sleep(2.1)
    rows = [
        f"unit-01,2025-10-29,116000,normal,{shift},apply_trim,{90 + i}\n"
        for i, shift in enumerate(("1-2", "2-3", "3-4", "4-5", "5-6"))
    ]
    (tmp_path / "later.csv").write_text(SNAPSHOTS + "".join(rows))
    assert cli("import", "later.csv", db=store).code == 0
    assert cli("event", "add", "unit-01", "power", "--on", "2025-11-11", db=store).code == 0
    assert cli(*ask, db=store).out != first
    assert cli("--db", store, "--known-at", moment, *ask).out == first
    assert "past cannot be changed" in cli("--db", store, "--known-at", moment, "import", "later.csv").error
    assert "is not a day" in cli("--db", store, "--known-at", "then", "check").error


# Copies


def test_backup_and_restore(cli, store, tmp_path):
    made = cli("backup", "copy.duckdb", db=store)
    assert made.code == 0, made.err
    assert "already a file" in cli("backup", "copy.duckdb", db=store).error
    assert cli("event", "add", "unit-01", "repair", "--on", "2025-01-02", db=store).code == 0
    assert "--replace" in cli("restore", "copy.duckdb", db=store).error
    back = cli("restore", "copy.duckdb", "--replace", db=store)
    assert back.code == 0, back.err
    assert len(as_json(cli("event", "list", "--format", "json", db=store))) == 1
    aside = [p for p in tmp_path.iterdir() if ".replaced-" in p.name]
    assert str(aside[0]) in back.out
    assert len(as_json(cli("event", "list", "--format", "json", db=aside[0]))) == 2
    assert cli("restore", "none.duckdb", "--replace", db=store).code == 5
    new = cli("restore", "copy.duckdb", db=tmp_path / "new.duckdb")
    assert new.code == 0
    assert cli("check", db=tmp_path / "new.duckdb").code == 0


def test_the_steps_of_the_layout_are_listed_without_changing_anything(cli, store):
    before = store.read_bytes()
    told = as_json(cli("migrations", "--format", "json", db=store))
    assert [(s["number"], s["state"]) for s in told] == [
        (1, "taken"),
        (2, "taken"),
        (3, "taken"),
        (4, "taken"),
        (5, "taken"),
    ]
    assert store.read_bytes() == before


# Waiting


HOLD = """
import sys, time
from driftwatch.store.database import Database
with Database.open(sys.argv[1]) as db:
    print("open", flush=True)
    time.sleep(float(sys.argv[2]))
"""


@pytest.fixture
def hold(store):
    """Let another process have the store for some seconds."""
    others = []

    def hold(seconds):
        other = subprocess.Popen(
            [sys.executable, "-c", HOLD, str(store), str(seconds)], stdout=subprocess.PIPE, text=True
        )
        others.append(other)
        assert other.stdout.readline() == "open\n"

    yield hold
    for other in others:
        other.kill()
        other.communicate()


def test_a_second_process_is_told_and_can_wait(cli, store, hold):
    hold(2)
    busy = cli("unit", "list", db=store)
    assert busy.code == 5
    assert "wait for it with --wait" in busy.error
    assert cli("unit", "list", "--wait", "0.3", db=store).code == 5
    assert cli("unit", "list", "--wait", db=store).code == 0


def test_importers_wait_for_one_another(cli, store, hold, tmp_path):
    (tmp_path / "e.csv").write_text(EVENTS + "unit-01,2025-01-01,fluid\n")
    hold(1)
    assert cli("import", "--wait", "30", "e.csv", db=store).code == 0


@pytest.mark.parametrize(
    ("args", "made"),
    [
        (["import", "a.csv", "--wait"], ["--wait", "600", "import", "a.csv"]),
        (["--wait", "5", "check"], ["--wait", "5", "check"]),
        (["import", "--wait=7", "a.csv"], ["--wait", "7", "import", "a.csv"]),
        (["import", "--wait", "a.csv"], ["--wait", "600", "import", "a.csv"]),
        (["import", "--", "--wait"], ["import", "--", "--wait"]),
        (["check"], ["check"]),
    ],
)
def test_wait_may_stand_anywhere(args, made):
    assert _with_wait_first(args) == made


def test_a_store_is_not_made_twice(cli, tmp_path):
    """Several processes that start at once: one makes the store, the others use it."""
    (tmp_path / "u.csv").write_text(UNITS)
    command = [
        sys.executable,
        "-m",
        "driftwatch",
        "--db",
        str(tmp_path / "n.duckdb"),
        "import",
        "u.csv",
        "--wait",
    ]
    codes = []

    def start():
        done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=False)
        codes.append((done.returncode, done.stderr))

    threads = [threading.Thread(target=start) for _ in range(3)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert [code for code, _ in codes] == [0, 0, 0], codes
    assert cli("check", db=tmp_path / "n.duckdb").code == 0
    assert not [p for p in tmp_path.iterdir() if "partial" in p.name]
    shutil.rmtree(tmp_path, ignore_errors=True)


# The program's own exports


def test_what_the_program_exports_changes_nothing_in_its_own_store_and_is_told_from_readings(cli, store):
    assert cli("event", "add", "unit-01", "fluid", "--on", "2025-05-05", db=store).code == 0
    cli("unit", "odometer", "unit-01", "--on", "2025-12-01", "--was", "73000", "--in", "mi", db=store)
    assert cli("export", "out", "--as", "csv", db=store).code == 0
    told = cli("import", "out", "--format", "json", db=store)
    assert told.code == 4
    rows = {Path(row["file"]).stem: row for row in as_json(told)}
    taken = {name for name, row in rows.items() if row["refused"] is None}
    assert taken == {"units", "snapshots", "events"}
    assert all(rows[name]["same"] == rows[name]["rows"] > 0 for name in taken)
    for name in rows.keys() - taken:
        assert f"{name}.csv: this is the export {name!r} of this program" in rows[name]["refused"]
    assert {
        "fitted",
        "audit",
        "quarantine",
        "files",
        "odometers",
        "settings",
        "profiles",
    } == rows.keys() - taken
    named = cli("import", "out/fitted.csv", "--as", "snapshots", db=store)
    assert (named.code, "the export 'fitted'" in named.error) == (4, True)
    assert cli("check", db=store).code == 0


def test_rows_of_one_line_in_quarantine_are_told_apart_by_their_cell(cli, store, tmp_path):
    (tmp_path / "s.csv").write_text(
        SNAPSHOTS
        + "unit-01,2025-13-01,1,normal,1-2,apply_trim,1\nunit-01,2025-13-01,1,,pack1,clutch_volume,1\n"
    )
    assert cli("import", "s.csv", db=store).code == 3
    shown = cli("quarantine", "list", db=store).out.splitlines()
    assert "sheet" not in shown[0]
    assert "  normal 1-2 apply_trim  " in shown[1]
    assert "  pack1 clutch_volume  " in shown[2]
    listed = as_json(cli("quarantine", "list", "--format", "json", db=store))
    assert [row["cell"] for row in listed] == ["normal 1-2 apply_trim", "pack1 clutch_volume"]
