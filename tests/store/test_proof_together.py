"""Several processes at one store: importers wait for one another, and readers never see half a file."""

from __future__ import annotations

import json
import subprocess
import sys
from random import Random

import pytest

from driftwatch.intake.batch import read_batches
from driftwatch.store.database import Database

from .children import ROOT

SHIFTS = ("1-2", "2-3", "3-4", "4-5", "5-6", "6-5", "5-4", "4-3", "3-2", "2-1")
ROWS = 600

READER = """
import json, sys, time
from driftwatch.store.database import Database
until = time.monotonic() + float(sys.argv[2])
while time.monotonic() < until:
    with Database.open(sys.argv[1], read_only=True, wait=120) as db:
        told = db._con.execute(
            "SELECT file, count(*) FROM reading_list GROUP BY ALL "
            "UNION ALL SELECT 'files', count(*) FROM files WHERE kind = 'snapshots'").fetchall()
    print(json.dumps(dict(told)), flush=True)
    time.sleep(0.02)
"""


def write_files(folder, importers, each):
    """Files of one snapshot a day; each importer has units of its own, and one that all have."""
    random = Random(11)
    names = [[] for _ in range(importers)]
    for number in range(importers * each):
        who = number % importers
        lines = ["unit,taken_at,odometer_km,mode,channel,signal,value"]
        for day in range(1, 21):
            for mode in ("normal", "tow", "low"):
                month = 1 + number // importers
                head = f"U{who},2026-0{month}-{day:02d},{1000 * month + day}"
                lines += [f"{head},{mode},{shift},apply_trim,{random.gauss(0, 20):.3f}" for shift in SHIFTS]
        path = folder / f"f{number}.csv"
        path.write_text("\n".join(lines) + "\n")
        names[who].append(str(path))
    (folder / "units.csv").write_text(
        "unit,profile\n" + "".join(f"U{i},generic-6\n" for i in range(importers))
    )
    return names


@pytest.mark.parametrize(
    ("each", "seconds"), [pytest.param(1, 6), pytest.param(5, 60, marks=pytest.mark.prove)]
)
def test_four_importers_and_two_readers_at_once(tmp_path, each, seconds):
    names = write_files(tmp_path, 4, each)
    path = tmp_path / "s.duckdb"
    with Database.create(path) as db:
        db.import_batches(read_batches(tmp_path / "units.csv"))
    readers = [
        subprocess.Popen(
            [sys.executable, "-c", READER, str(path), str(seconds)],
            cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        )
        for _ in range(2)
    ]  # fmt: skip
    importers = [
        subprocess.Popen(
            [sys.executable, "-m", "driftwatch", "--db", str(path), "import", "--wait", "300", *files],
            cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        )
        for files in names
    ]  # fmt: skip
    for importer in importers:
        _, said = importer.communicate(timeout=300)
        assert importer.returncode == 0, said
    seen = []
    for reader in readers:
        told, said = reader.communicate(timeout=300)
        assert reader.returncode == 0, said
        seen += [json.loads(line) for line in told.splitlines()]
    for counts in seen:
        files = counts.pop("files", 0)
        assert set(counts.values()) <= {ROWS}
        assert len(counts) == files
    assert len(seen) >= 2
    with Database.open(path) as db:
        assert db.check() == []
        assert len(db.records().readings) == ROWS * 4 * each
        assert len(db.files()) == 4 * each + 1


def test_without_waiting_the_second_is_told_at_once(tmp_path):
    path = tmp_path / "s.duckdb"
    with Database.create(path):
        done = subprocess.run(
            [sys.executable, "-m", "driftwatch", "--db", str(path), "unit", "list"],
            cwd=ROOT, capture_output=True, text=True, check=False,
        )  # fmt: skip
    assert done.returncode == 5
    assert done.stderr.count("\n") == 1
    assert (
        "another process has the store open - close it there and try again, or wait for it with --wait"
        in (done.stderr)
    )
