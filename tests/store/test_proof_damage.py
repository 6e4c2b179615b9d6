"""Damage is found and named: cut off, bytes flipped, tables missing, rows that belong to nothing."""

from __future__ import annotations

from random import Random

import duckdb
import pytest

from driftwatch.errors import StoreError
from driftwatch.intake.batch import read_batches
from driftwatch.store.database import Database

from .conftest import contents

SHIFTS = ("1-2", "2-3", "3-4", "4-5", "5-6", "6-5", "5-4", "4-3", "3-2", "2-1")


@pytest.fixture(scope="module")
def whole(tmp_path_factory, fleet_store):
    """A store of some megabytes, as bytes, and what it holds."""
    folder = tmp_path_factory.mktemp("whole")
    random = Random(3)
    lines = ["unit,taken_at,odometer_km,mode,channel,signal,value,source"]
    for day in range(1, 29):
        for month in range(1, 6):
            head = f"T1,2026-0{month}-{day:02d},{10_000 * month + day}"
            lines += [
                f"{head},tow,{shift},apply_trim,{random.gauss(0, 9)},{random.getrandbits(3000):x}"
                for shift in SHIFTS
            ]
    (folder / "a.csv").write_text("\n".join(lines) + "\n")
    path = folder / "s.duckdb"
    path.write_bytes(fleet_store.read_bytes())
    with Database.open(path) as db:
        db.import_batches(read_batches(folder / "a.csv"))
    with Database.open(path) as db:
        return path.read_bytes(), contents(db)


def judged(path, whole):
    """Say what becomes of a store: it is refused, found damaged, or is all there."""
    try:
        with Database.open(path, read_only=True) as db:
            if db.check():
                return "found"
            assert contents(db) == whole, "damage that nobody has noticed"
            return "all there"
    except StoreError as error:
        said = str(error)
    assert "\n" not in said
    assert said.startswith(str(path))
    return "refused"


@pytest.mark.parametrize("times", [15, pytest.param(300, marks=pytest.mark.prove)])
def test_flipped_bytes_are_noticed_or_touch_nothing(times, whole, tmp_path):
    content, told = whole
    random, path = Random(f"flip {times}"), tmp_path / "s.duckdb"
    outcomes = []
    for _ in range(times):
        changed = bytearray(content)
        for _ in range(random.choice((1, 1, 2, 20))):
            changed[random.randrange(len(changed))] ^= 1 << random.randrange(8)
        path.write_bytes(changed)
        outcomes.append(judged(path, told))
    assert outcomes.count("all there") < times  # some bytes belong to no block that is in use


@pytest.mark.parametrize("times", [8, pytest.param(100, marks=pytest.mark.prove)])
def test_a_store_that_is_cut_off_is_refused_or_found(times, whole, tmp_path):
    content, told = whole
    random, path = Random(f"cut {times}"), tmp_path / "s.duckdb"
    for _ in range(times):
        path.write_bytes(content[: random.randrange(1, len(content) - 262_144)])
        assert judged(path, told) in ("refused", "found")


@pytest.mark.parametrize(
    "table", ["readings", "snapshots", "units", "files", "quarantine", "audit", "settings"]
)
def test_a_missing_table_is_named(table, fleet_store, tmp_path):
    path = tmp_path / "s.duckdb"
    path.write_bytes(fleet_store.read_bytes())
    con = duckdb.connect(str(path))
    con.execute(f"DROP TABLE {table}")
    con.close()
    with Database.open(path, read_only=True) as db:
        assert ("missing", table) in [(p.code, p.where) for p in db.check()]


def test_a_missing_view_and_column_are_named(fleet_store, tmp_path):
    path = tmp_path / "s.duckdb"
    path.write_bytes(fleet_store.read_bytes())
    con = duckdb.connect(str(path))
    con.execute("DROP VIEW shift_readings; ALTER TABLE files DROP COLUMN sheet")
    con.close()
    with Database.open(path, read_only=True) as db:
        said = {(p.code, p.where, p.what) for p in db.check()}
    assert ("missing", "shift_readings", "is missing") in said
    assert ("missing", "files", "has no column sheet") in said


@pytest.mark.parametrize(
    ("sql", "where", "says"),
    [
        ("DELETE FROM snapshots WHERE snapshot_id = 1", "readings", "readings have no snapshot"),
        ("DELETE FROM cells WHERE cell_id = 1", "readings", "readings have no cell"),
        ("DELETE FROM units", "snapshots", "snapshots have no unit"),
        ("DELETE FROM readings WHERE snapshot_id = 1", "snapshots", "snapshots have no readings"),
        ("DELETE FROM files", "readings", "name a file that is not recorded"),
        ("UPDATE snapshots SET odometer_km = 1e6 WHERE snapshot_id = 1", "snapshots", "run backwards"),
        ("UPDATE readings SET value = 'nan'", "readings", "not finite"),
        ("INSERT INTO snapshots SELECT * FROM snapshots", "snapshots", "are there twice"),
        ("UPDATE files SET rows = rows + 1", "files", "neither taken nor in quarantine"),
    ],
)
def test_rows_that_contradict_each_other_are_named(sql, where, says, whole, tmp_path):
    path = tmp_path / "s.duckdb"
    path.write_bytes(whole[0])
    con = duckdb.connect(str(path))
    con.execute(sql)
    con.close()
    with Database.open(path, read_only=True) as db:
        found = [(p.where, p.what) for p in db.check()]
    assert any(w == where and says in what for w, what in found), found
