"""A disk that fills up in the middle: one line, exit code 5, and nothing half written.

The quota is a limit on the size of files: the system refuses every write beyond it, as a full disk does. It
is set so that it is met at different places of the work.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
from random import Random

import pytest

from driftwatch.intake.batch import read_batches
from driftwatch.store.database import Database

from .children import ROOT
from .conftest import contents

UNDER_QUOTA = """
import resource, signal, sys
from driftwatch.cli.main import run
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, (int(sys.argv[1]), int(sys.argv[1])))
sys.exit(run(sys.argv[2:]))
"""


def under_quota(quota, *args):
    return subprocess.run(
        [sys.executable, "-c", UNDER_QUOTA, str(quota), *map(str, args)],
        cwd=ROOT, capture_output=True, text=True, check=False,
    )  # fmt: skip


@pytest.fixture(scope="module")
def big(tmp_path_factory):
    """A file whose rows do not pack well: some 16 MB in the store."""
    random = Random(7)
    lines = ["unit,taken_at,odometer_km,mode,channel,signal,value,source"]
    lines += [
        f"T2,2026-01-01T{i // 3600:02d}:{i // 60 % 60:02d}:{i % 60:02d},5,tow,1-2,apply_trim,"
        f"{random.uniform(-99, 99)},{random.getrandbits(8000):x}"
        for i in range(8000)
    ]
    path = tmp_path_factory.mktemp("big") / "big.csv"
    path.write_text("\n".join(lines) + "\n")
    return path


@pytest.mark.parametrize("times", [3, pytest.param(40, marks=pytest.mark.prove)])
def test_an_import_that_meets_a_full_disk_takes_nothing(times, big, fleet_store, tmp_path):
    path = tmp_path / "s.duckdb"
    shutil.copyfile(fleet_store, path)
    with Database.open(path) as db:
        before = contents(db)
        small = path.stat().st_size
        db.import_batches(read_batches(big))
        whole = {n: len(rows) for n, rows in contents(db).items()}
    large = path.stat().st_size
    random, met = Random(f"disk {times}"), 0
    for number in range(times):
        shutil.copyfile(fleet_store, path)
        path.with_name("s.duckdb.wal").unlink(missing_ok=True)
        quota = random.randrange(small, large + 2_000_000)
        done = under_quota(quota, "--db", path, "import", big)
        assert done.returncode in (0, 5), (number, done.stderr)
        assert "Traceback" not in done.stderr
        with Database.open(path) as db:
            assert db.check() == []
            if done.returncode == 5:
                met += 1
                assert done.stderr.strip().count("\n") == 0, done.stderr
                held = contents(db)
                assert held == before or {n: len(rows) for n, rows in held.items()} == whole
            else:
                assert {n: len(rows) for n, rows in contents(db).items()} == whole
    assert met


@pytest.mark.parametrize("times", [2, pytest.param(20, marks=pytest.mark.prove)])
def test_a_copy_that_meets_a_full_disk_is_not_there(times, big, fleet_store, tmp_path):
    path, target = tmp_path / "s.duckdb", tmp_path / "copy.duckdb"
    shutil.copyfile(fleet_store, path)
    with Database.open(path) as db:
        db.import_batches(read_batches(big))
    content = path.read_bytes()
    random = Random(f"copy {times}")
    for _ in range(times):
        for command in (["backup", target], ["restore", path]):
            store = path if command[0] == "backup" else tmp_path / "new.duckdb"
            done = under_quota(random.randrange(4096, len(content) - 1_000_000), "--db", store, *command)
            assert done.returncode == 5, done.stderr
            assert done.stderr.strip().count("\n") == 0, done.stderr
        assert sorted(p.name for p in tmp_path.iterdir()) == ["s.duckdb"]
        assert path.read_bytes() == content
