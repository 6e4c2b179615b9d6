"""Killed at any moment: the store is whole, and has all or nothing of each file, step and copy.

The process is ended with SIGKILL, which it cannot see coming, at its start and at moments drawn from equal
parts of the time that the work takes. `make prove` does it 200 times each.
"""

from __future__ import annotations

import shutil
from random import Random

import duckdb
import pytest

from driftwatch.intake.batch import read_batches
from driftwatch.store import migrate
from driftwatch.store.backup import backup
from driftwatch.store.database import Database
from driftwatch.store.migrate import Migration

from .children import Forker, steps
from .conftest import contents

FEW, MANY = 4, 200
SHIFTS = ("1-2", "2-3", "3-4", "4-5", "5-6", "6-5", "5-4", "4-3", "3-2", "2-1")
#: What makes a row, whatever numbers and times of import the store has given it.
FACTS = {
    "readings": "SELECT unit, taken_at_local, mode, channel, signal, value, file, line FROM reading_list",
    "snapshots": "SELECT unit, taken_at_local, odometer_km FROM snapshots",
    "units": "SELECT unit, profile FROM units",
    "events": "SELECT unit, happened_at_local, kind, note FROM events",
    "quarantine": "SELECT file, line, code FROM quarantine_list",
}


def facts(db):
    return {name: sorted(db._con.execute(query).fetchall()) for name, query in FACTS.items()}


@pytest.fixture(scope="module")
def forker():
    made = Forker()
    yield made
    made.close()


@pytest.fixture(scope="module")
def files(tmp_path_factory):
    """Six files of some thousand rows each, with a few rows that cannot be right."""
    folder = tmp_path_factory.mktemp("files")
    random = Random(7)
    made = []
    for number in range(1, 6):
        lines = ["unit,taken_at,odometer_km,mode,channel,signal,value,source"]
        for unit in ("T1", "T2"):
            for day in range(1, 26):
                head = f"{unit},2026-0{number}-{day:02d},{1000 * number + 30 * day}"
                for mode in ("normal", "tow", "low"):
                    cells = [f"{head},{mode},{shift},apply_trim" for shift in SHIFTS]
                    lines += [f"{c},{random.gauss(0, 20):.3f},{random.getrandbits(64):x}" for c in cells]
        lines.append(f"T9,2026-0{number}-26,5,tow,1-2,apply_trim,1,")
        path = folder / f"month-{number}.csv"
        path.write_text("\n".join(lines) + "\n")
        made.append(str(path))
    path = folder / "log.csv"
    path.write_text(
        "unit,happened_at,kind,note\n" + "".join(f"T1,2026-01-{d:02d},other,n{d}\n" for d in range(1, 29))
    )
    return [*made, str(path)]


@pytest.fixture(scope="module")
def reference(files, fleet_store, tmp_path_factory):
    """What the store holds when nothing is killed."""
    path = tmp_path_factory.mktemp("reference") / "store.duckdb"
    shutil.copyfile(fleet_store, path)
    with Database.open(path) as db:
        for file in files:
            db.import_batches(read_batches(file))
        return path, facts(db)


def rounds(few, many):
    return [
        pytest.param(few, id=f"{few} times"),
        pytest.param(many, id=f"{many} times", marks=pytest.mark.prove),
    ]


def fresh(source, path):
    """Put a store in its place, as if nothing had ever been there."""
    path.unlink(missing_ok=True)
    path.with_name(f"{path.name}.wal").unlink(missing_ok=True)
    shutil.copyfile(source, path)


def usual_length(forker, task, reset):
    """Give how long a task takes when nothing else holds it up, in seconds."""
    lengths = []
    for _ in range(3):
        reset()
        lengths.append(forker.run(task))
    return min(lengths)


def moments(times, length, random):
    """Give when to kill, in seconds: once at the start, then once in each equal part of the work's time."""
    parts = times - 1
    return [0.0, *(length * (part + random.random()) / parts for part in range(parts))]


@pytest.mark.parametrize("times", rounds(FEW, MANY))
def test_an_import_that_is_killed_has_taken_each_file_whole_or_not(
    times, forker, files, reference, fleet_store, tmp_path
):
    _, whole = reference
    path = tmp_path / "store.duckdb"
    task = {"do": "import", "store": str(path), "files": files}
    length = usual_length(forker, task, lambda: fresh(fleet_store, path))
    random, cut = Random(f"import {times}"), 0
    rows = {f: sum(r[6] == f for r in whole["readings"]) for f in {r[6] for r in whole["readings"]}}
    for number, moment in enumerate(moments(times, length, random)):
        fresh(fleet_store, path)
        killed = forker.run(task, kill_after=moment) is None
        with Database.open(path) as db:
            assert db.check() == [], number
            held = facts(db)
            recorded = set(db.files()["name"]) - {"file1.csv"}
            for name, count in rows.items():
                found = sum(r[6] == name for r in held["readings"])
                assert found == (count if name in recorded else 0), (number, name)
            assert {(q[0]) for q in held["quarantine"]} == recorded - {"log.csv"}
            assert len(held["events"]) == (28 if "log.csv" in recorded else 0)
            cut += killed and len(recorded) < len(files)
            if number % 5 == 0:
                # What was not taken can be taken now, and what was stays as it is.
                for file in files:
                    db.import_batches(read_batches(file))
                assert facts(db) == whole, number
    assert cut > times // 3  # most were really caught in the middle


@pytest.fixture(scope="module")
def older_store(reference, tmp_path_factory):
    """A store of the first two steps with the same data, as an earlier version left it."""
    source, _ = reference
    path = tmp_path_factory.mktemp("older") / "store.duckdb"
    con = duckdb.connect(str(path))
    migrate.migrate(con, migrate.known()[:2])
    con.execute(f"ATTACH '{source}' AS now (READ_ONLY)")
    names = [
        n
        for (n,) in con.execute(
            "SELECT table_name FROM duckdb_tables() WHERE database_name = 'store'"
        ).fetchall()
    ]
    for name in sorted(set(names) - {"schema_migrations"}):
        columns = con.execute(
            f"SELECT string_agg(column_name, ', ') FROM duckdb_columns() "
            f"WHERE table_name = '{name}' AND database_name = 'store'"
        ).fetchall()[0][0]
        con.execute(f"INSERT INTO {name} SELECT {columns} FROM now.{name}")
    con.execute("DETACH now")
    con.close()
    return path


def test_an_older_store_is_brought_up_with_all_its_data(older_store, reference, tmp_path):
    shutil.copyfile(older_store, tmp_path / "store.duckdb")
    with Database.open(tmp_path / "store.duckdb") as db:
        assert facts(db) == reference[1]
        assert db.check() == []
        assert db.quarantine()["quarantine_id"].tolist() == [1, 2, 3, 4, 5]
        assert set(db.quarantine()["unit"]) == {"T9"}
        assert db._con.execute("SELECT count(*) FROM shift_readings").fetchall()[0][0] == 7500
        assert set(db.files()["way"]) == {"import"}


@pytest.mark.parametrize("times", rounds(FEW, MANY))
def test_a_migration_that_is_killed_has_taken_each_step_whole_or_not(
    times, forker, older_store, reference, tmp_path, monkeypatch
):
    path = tmp_path / "store.duckdb"
    task = {"do": "migrate", "store": str(path)}
    length = usual_length(forker, task, lambda: fresh(older_store, path))
    known = steps()
    slow = known[-1].number
    monkeypatch.setattr(migrate, "known", lambda: known)
    random, seen = Random(f"migrate {times}"), set()
    for number, moment in enumerate(moments(times, length, random)):
        fresh(older_store, path)
        forker.run(task, kill_after=moment)
        con = duckdb.connect(str(path))
        at = migrate.version(con)
        seen.add(at)
        tables = {n for (n,) in con.execute("SELECT table_name FROM duckdb_tables()").fetchall()}
        assert ("quarantine_done" in tables, "slow" in tables) == (at >= 3, at >= slow), number
        plus = con.execute("SELECT count(*) FROM readings WHERE ends_with(source, '+')").fetchall()[0][0]
        assert plus == (7500 if at >= slow else 0), number
        con.close()
        with Database.open(path) as db:  # takes the steps that are still to come
            assert db.check() == [], number
            held = facts(db)
            assert held == reference[1], number
    assert len(seen) > 1  # it was caught before and after steps


@pytest.mark.parametrize("times", rounds(FEW, MANY))
@pytest.mark.parametrize("in_use", [False, True], ids=["", "in use"])
def test_a_backup_that_is_killed_is_whole_or_not_there(times, in_use, forker, reference, tmp_path):
    source, whole = reference
    path, target = tmp_path / "store.duckdb", tmp_path / "copy.duckdb"
    shutil.copyfile(source, path)
    before = path.read_bytes()
    task = {"do": "backup", "store": str(path), "target": str(target)}
    writer = Database.open(path) if in_use else None
    length = usual_length(forker, task, lambda: target.unlink(missing_ok=True))
    random = Random(f"backup {times}")
    there = 0
    for number, moment in enumerate(moments(times, length, random)):
        target.unlink(missing_ok=True)
        forker.run(task, kill_after=moment)
        if target.exists():
            there += 1
            with Database.open(target, read_only=True) as copy:
                assert copy.check() == [], number
                assert facts(copy) == whole, number
    assert there < times
    if writer is not None:
        writer.close()
    assert path.read_bytes() == before
    target.unlink(missing_ok=True)
    backup(path, target)  # what a killed one has left behind is in nobody's way
    with Database.open(target, read_only=True) as copy:
        assert contents(copy)["readings"]


def test_the_slow_step_is_the_last_one():
    assert isinstance(steps()[-1], Migration)
    assert [s.number for s in steps()] == list(range(1, len(steps()) + 1))
