"""The store as a file: made, opened, brought up to date, refused, locked, full, copied."""

from __future__ import annotations

import subprocess
import sys

import duckdb
import pytest

from driftwatch.errors import (
    StoreBusy,
    StoreDamaged,
    StoreError,
    StoreMissing,
    StoreNewer,
    UnknownName,
    UsageError,
)
from driftwatch.intake.batch import read_batch
from driftwatch.profile.load import builtin, parse_profile, to_toml
from driftwatch.store import migrate
from driftwatch.store.backup import backup, restore
from driftwatch.store.database import Database
from driftwatch.store.engine import meaning_of
from driftwatch.store.migrate import Migration

from .conftest import contents, snapshots

ROW = "T1,2026-03-14,1000,normal,1-2,apply_trim,12.5"


def line_of(error):
    assert "\n" not in str(error.value)
    return str(error.value)


def test_a_new_store_is_empty_and_whole(db):
    assert db.check() == []
    assert db.settings.zone == "UTC"
    record = db._con.execute("SELECT number, name, made_by FROM schema_migrations ORDER BY number").fetchall()
    assert [(number, name) for number, name, _ in record] == [
        (1, "0001_base"),
        (2, "0002_views"),
        (3, "0003_trust"),
        (4, "0004_log"),
        (5, "0005_odometers"),
    ]
    assert all(made_by.startswith("driftwatch") for *_, made_by in record)


def test_every_table_says_what_it_is_for(db):
    silent = db._con.execute(
        "SELECT table_name FROM duckdb_tables() WHERE comment IS NULL AND table_name <> 'schema_migrations'"
    ).fetchall()
    assert silent == []


def test_create_never_touches_what_is_there(tmp_path, db):
    with pytest.raises(UsageError, match="already a file"):
        Database.create(db.path)
    with pytest.raises(StoreError, match="a folder"):
        Database.create(tmp_path)
    with pytest.raises(StoreError, match="no such folder"):
        Database.create(tmp_path / "no" / "store.duckdb")
    assert sorted(p.name for p in tmp_path.iterdir()) == ["store.duckdb"]


def test_open_names_what_is_wrong_in_one_line(tmp_path):
    with pytest.raises(StoreMissing) as missing:
        Database.open(tmp_path / "none.duckdb")
    assert "driftwatch init" in line_of(missing)
    with pytest.raises(StoreError, match="a folder"):
        Database.open(tmp_path)
    (tmp_path / "empty.duckdb").write_bytes(b"")
    with pytest.raises(StoreDamaged, match="empty file"):
        Database.open(tmp_path / "empty.duckdb")
    (tmp_path / "text.duckdb").write_bytes(b"hello " * 5000)
    with pytest.raises(StoreDamaged) as damaged:
        Database.open(tmp_path / "text.duckdb")
    assert "restore a backup" in line_of(damaged)
    duckdb.connect(str(tmp_path / "other.duckdb")).close()
    with pytest.raises(StoreDamaged, match="not a driftwatch store"):
        Database.open(tmp_path / "other.duckdb")
    assert not (tmp_path / "none.duckdb").exists()
    Database.open(tmp_path / "new.duckdb", create=True).close()
    Database.open(tmp_path / "new.duckdb", create=True).close()


def test_a_store_with_a_block_overwritten_is_damaged(tmp_path, fleet, db):
    fleet(snapshots(*(ROW.replace("1-2", s) for s in ("1-2", "2-3", "3-4"))))
    db.close()
    whole = bytearray(db.path.read_bytes())
    # Two headers and the main header take the first 12 KiB; everything behind them is spoilt.
    whole[12288:] = bytes(b ^ 0xFF for b in whole[12288:])
    (tmp_path / "spoilt.duckdb").write_bytes(bytes(whole))
    with pytest.raises(StoreDamaged) as damaged:
        Database.open(tmp_path / "spoilt.duckdb")
    assert "restore a backup" in line_of(damaged)


def test_read_only_refuses_to_write(db, fleet, tmp_path):
    db.close()
    (tmp_path / "s.csv").write_text(snapshots(ROW))
    with Database.open(db.path, read_only=True) as reader:
        assert len(reader.records().units) == 2
        with pytest.raises(StoreError, match="reading only"):
            reader.import_batch(read_batch(tmp_path / "s.csv"))
        with pytest.raises(StoreError, match="reading only"):
            reader.change_setting("zone", "Etc/GMT-1")


# Migrations

NEXT = Migration(6, "0006_more", "CREATE TABLE more (x INTEGER); INSERT INTO more VALUES (1);")


def test_an_older_store_is_brought_up_when_opened_for_writing(db, monkeypatch):
    db.close()
    steps = migrate.known()
    monkeypatch.setattr(migrate, "known", lambda: (*steps, NEXT))
    with pytest.raises(StoreError, match="layout 5 and needs 6"):
        Database.open(db.path, read_only=True)
    with Database.open(db.path) as newer:
        assert migrate.version(newer._con) == 6
    with Database.open(db.path) as again:
        assert again._con.execute("SELECT count(*) FROM more").fetchone() == (1,)
        assert again.check() == []


def test_a_crash_in_a_migration_leaves_the_version_before(db, fleet, monkeypatch):
    before = contents(db)
    db.close()
    steps = migrate.known()
    broken = Migration(
        7, "0007_broken", "CREATE TABLE half (x INTEGER); DELETE FROM units; SELECT error('crash');"
    )
    monkeypatch.setattr(migrate, "known", lambda: (*steps, NEXT, broken))
    with pytest.raises(StoreError):
        Database.open(db.path)
    monkeypatch.setattr(migrate, "known", lambda: (*steps, NEXT))
    with Database.open(db.path) as store:
        assert migrate.version(store._con) == 6
        after = contents(store)
        assert "half" not in after
        assert after["units"] == before["units"]
    repaired = Migration(7, "0007_broken", "CREATE TABLE half (x INTEGER)")
    monkeypatch.setattr(migrate, "known", lambda: (*steps, NEXT, repaired))
    with Database.open(db.path) as store:
        assert migrate.version(store._con) == 7


def test_a_newer_store_is_refused_and_left_alone(db):
    db._con.execute(
        "INSERT INTO schema_migrations VALUES (99, 'later', '', now()::TIMESTAMP, 'driftwatch 9')"
    )
    db.close()
    before = db.path.read_bytes()
    with pytest.raises(StoreNewer) as newer:
        Database.open(db.path)
    assert "layout 99" in line_of(newer)
    assert newer.value.exit_code == 5
    assert db.path.read_bytes() == before


def test_an_altered_migration_is_found_by_check(db):
    db._con.execute("UPDATE schema_migrations SET sha256 = 'other' WHERE number = 1")
    assert [p.code for p in db.check()] == ["layout"]


def test_check_names_contradictions(db, fleet):
    fleet(snapshots(ROW))
    db._con.execute("INSERT INTO readings SELECT * FROM readings")
    db._con.execute("UPDATE units SET profile = 'gone' WHERE unit = 'T2'")
    db._con.execute(
        "INSERT INTO events SELECT 'E1', 'T8', now()::TIMESTAMP, 'other', NULL, '', NULL, '', '', "
        "now()::TIMESTAMP, '', NULL, NULL"
    )
    assert sorted({p.code for p in db.check()}) == ["orphan", "profile", "twice"]


# Another process

HOLD = """
import sys
from driftwatch.store.database import Database
with Database.open(sys.argv[1]) as db:
    print("open", flush=True)
    sys.stdin.read()
"""


@pytest.fixture
def held(db, fleet):
    """A store that another process has open for writing, with a row in it."""
    fleet(snapshots(ROW))
    db.close()
    other = subprocess.Popen(
        [sys.executable, "-c", HOLD, str(db.path)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    assert other.stdout.readline() == "open\n"
    yield db.path
    other.communicate(timeout=20)


def test_a_store_in_use_is_busy_but_can_be_backed_up(held, tmp_path):
    for read_only in (True, False):
        with pytest.raises(StoreBusy) as busy:
            Database.open(held, read_only=read_only)
        assert "another process" in line_of(busy)
    with pytest.raises(StoreBusy):
        restore(held, held, replace=True)
    backup(held, tmp_path / "copy.duckdb")
    with Database.open(tmp_path / "copy.duckdb") as copy:
        assert copy.records().readings["value"].tolist() == [12.5]
        assert copy.check() == []


def test_two_processes_can_read_at_once(db, fleet):
    db.close()
    with Database.open(db.path, read_only=True):
        code = (
            "import sys; from driftwatch.store.database import Database as D; "
            "print(len(D.open(sys.argv[1], read_only=True).records().units))"
        )
        out = subprocess.run(
            [sys.executable, "-c", code, str(db.path)], capture_output=True, text=True, check=True
        )
    assert out.stdout == "2\n"


# A full disk

FULL = """
import resource, sys
from driftwatch.errors import StoreError
from driftwatch.intake.batch import read_batch
from driftwatch.store.database import Database
batch = read_batch(sys.argv[2])
db = Database.open(sys.argv[1])
size = db.path.stat().st_size
# No file may grow beyond what the store has now: the system refuses every further write, as a full disk does.
resource.setrlimit(resource.RLIMIT_FSIZE, (size, size))
try:
    db.import_batch(batch)
    db.close()
except StoreError as problem:
    print(problem)
    sys.exit(5)
"""


def test_a_full_disk_is_said_in_one_line_and_nothing_is_half_written(db, fleet, tmp_path):
    fleet(snapshots(ROW))
    before = contents(db)
    db.close()
    # 8 000 readings with long sources that do not compress away.
    from random import Random

    random = Random(7)
    lines = ["unit,taken_at,odometer_km,mode,channel,signal,value,source"]
    lines += [
        f"T2,2026-01-01T{i // 3600:02d}:{i // 60 % 60:02d}:{i % 60:02d},5,tow,1-2,apply_trim,"
        f"{random.uniform(-99, 99)},{random.getrandbits(4000):x}"
        for i in range(8000)
    ]
    (tmp_path / "big.csv").write_text("\n".join(lines) + "\n")
    done = subprocess.run(
        [sys.executable, "-c", FULL, str(db.path), str(tmp_path / "big.csv")], capture_output=True, text=True
    )
    assert done.returncode == 5, done.stderr
    assert done.stdout.count("\n") == 1
    assert "nothing was changed" in done.stdout
    with Database.open(db.path) as after:
        assert contents(after) == before
        assert after.check() == []


@pytest.mark.parametrize(
    ("problem", "kind", "says"),
    [
        (OSError(28, "No space left on device"), StoreError, "disk is full"),
        (
            duckdb.IOException('IO Error: Could not write file "x": No space left on device'),
            StoreError,
            "disk is full",
        ),
        (duckdb.IOException("IO Error: Corrupt database file: computed checksum 1"), StoreDamaged, "damaged"),
        (
            duckdb.OutOfMemoryException("Out of Memory Error: failed to pin block"),
            StoreError,
            "not enough memory",
        ),
        (duckdb.SerializationException("Serialization Error: x"), StoreDamaged, "cannot be read"),
        (PermissionError(13, "Permission denied"), StoreError, "may not be opened"),
    ],
)
def test_errors_of_the_engine_become_one_line(problem, kind, says):
    told = meaning_of(problem, "a.duckdb")
    assert type(told) is kind
    assert says in str(told)
    assert str(told).startswith("a.duckdb")


def test_a_disk_that_fills_up_while_a_store_is_made_leaves_nothing(tmp_path, monkeypatch):
    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(migrate, "migrate", full)
    with pytest.raises(StoreError, match="disk is full"):
        Database.create(tmp_path / "a.duckdb")
    assert list(tmp_path.iterdir()) == []


# Settings and profiles


def test_settings_are_kept_with_what_they_were(db, fleet):
    db.change_setting("due_km", "4000", who="anna")
    db.close()
    with Database.open(db.path) as again:
        assert again.settings.due_km == 4000.0
        assert again.settings.differing() == {"due_km": 4000.0}
        (entry,) = again.audit().itertuples()
        assert (entry.what, entry.field, entry.old_value, entry.new_value, entry.changed_by) == (
            "setting",
            "due_km",
            "5000.0",
            "4000.0",
            "anna",
        )
        with pytest.raises(UnknownName):
            again.change_setting("due_miles", 1)
        again.add_event("T1", "fluid", "2026-01-01")
        with pytest.raises(UsageError, match="zone cannot change"):
            again.change_setting("zone", "Etc/GMT-1")


def test_own_profiles_replace_only_what_still_fits(db, give):
    text = to_toml(builtin("generic-6")).replace("generic-6", "mine")
    db.add_profile(parse_profile(text))
    db.add_profile(parse_profile(text))
    assert db.audit().empty
    give("unit,profile\nT1,mine\n")
    give(snapshots(ROW))
    db.add_profile(parse_profile(text.replace('title = "', 'title = "Changed ')))
    assert db.profiles()["mine"].title.startswith("Changed")
    assert db.audit()["what"].tolist() == ["profile"]
    with pytest.raises(UsageError, match="apply_trim was taken in kPa"):
        db.add_profile(parse_profile(text.replace('"kPa"', '"bar"')))
    with pytest.raises(UsageError, match="built-in"):
        db.add_profile(parse_profile(to_toml(builtin("generic-6")).replace('title = "', 'title = "x')))


# Copies


def test_backup_and_restore_bring_everything_back(db, fleet, tmp_path):
    fleet(snapshots(ROW))
    copy = db.backup(tmp_path / "copies" / "of June" / "copy.duckdb")
    assert copy.exists(), "its folders are made"
    before = contents(db)
    fleet(snapshots(ROW.replace("12.5", "13")))
    db.close()
    with pytest.raises(UsageError, match="already"):
        backup(db.path, copy)
    with pytest.raises(UsageError, match="already a store"):
        restore(copy, db.path)
    restore(copy, db.path, replace=True)
    with Database.open(db.path) as back:
        assert contents(back) == before
        assert back.records().readings["value"].tolist() == [12.5]
    assert sorted(p.suffix for p in tmp_path.iterdir() if "partial" in p.name) == []


def test_a_backup_that_cannot_be_made_leaves_nothing(db, tmp_path):
    with pytest.raises(UsageError, match="a file, not a folder"):
        db.backup(db.path / "copy.duckdb")
    db.close()
    with pytest.raises(StoreMissing):
        backup(tmp_path / "none.duckdb", tmp_path / "copies" / "copy.duckdb")
    assert [p.name for p in tmp_path.iterdir()] == [db.path.name]


def test_a_damaged_backup_is_not_brought_back(db, fleet, tmp_path):
    db.close()
    (tmp_path / "bad.duckdb").write_bytes(b"no store " * 3000)
    before = db.path.read_bytes()
    with pytest.raises(StoreDamaged):
        restore(tmp_path / "bad.duckdb", db.path, replace=True)
    with pytest.raises(StoreMissing, match="no such copy"):
        restore(tmp_path / "none.duckdb", db.path, replace=True)
    assert db.path.read_bytes() == before
