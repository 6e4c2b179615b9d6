"""A small invented fleet, and short ways to put files into a store."""

from __future__ import annotations

import shutil
from datetime import datetime

import pytest

from driftwatch.intake.batch import read_batch
from driftwatch.store import clock
from driftwatch.store.database import Database

HEAD = "unit,taken_at,odometer_km,mode,channel,signal,value"


@pytest.fixture(autouse=True)
def _fixed_clock(monkeypatch):
    """It is noon on 1 June 2026, UTC, in every test of the store."""
    monkeypatch.setattr(clock, "now_utc", lambda: datetime(2026, 6, 1, 12))


@pytest.fixture(scope="session")
def empty_store(tmp_path_factory):
    """Make an empty store once; every test works on its own copy."""
    path = tmp_path_factory.mktemp("empty") / "store.duckdb"
    Database.create(path).close()
    return path


@pytest.fixture(scope="session")
def fleet_store(tmp_path_factory, empty_store):
    """The same with two units in it, T1 and T2, both generic-6."""
    folder = tmp_path_factory.mktemp("fleet")
    (folder / "file1.csv").write_text("unit,profile,site\nT1,generic-6,north\nT2,generic-6,south\n")
    shutil.copyfile(empty_store, folder / "store.duckdb")
    with Database.open(folder / "store.duckdb") as store:
        store.import_batch(read_batch(folder / "file1.csv"))
    return folder / "store.duckdb"


@pytest.fixture
def db(tmp_path, request, empty_store, fleet_store):
    """An open store: with the two units if the test asks for the fleet, else empty."""
    template = fleet_store if "fleet" in request.fixturenames else empty_store
    shutil.copyfile(template, tmp_path / "store.duckdb")
    with Database.open(tmp_path / "store.duckdb") as store:
        yield store


@pytest.fixture
def give(db, tmp_path):
    """Import text as a file; the count makes each name different."""
    count = [1]

    def give(text, *, kind=None, mapping=None, profiles=(), name=None, **options):
        count[0] += 1
        path = tmp_path / (name or f"file{count[0]}.csv")
        path.write_text(text)
        return db.import_batch(read_batch(path, kind, mapping, profiles), **options)

    return give


@pytest.fixture
def fleet(give):
    """Import text into the store that has the two units; see `db`."""
    return give


def snapshots(*rows, head=HEAD):
    return "\n".join([head, *rows]) + "\n"


def counts(report):
    assert report.rows == report.new + report.same + report.corrected + report.quarantined
    return report.new, report.same, report.corrected, report.quarantined


def contents(db):
    """Everything in the store, table by table."""
    con = db._con
    names = [
        n for (n,) in con.execute("SELECT table_name FROM duckdb_tables() WHERE NOT temporary").fetchall()
    ]
    return {n: con.execute(f'SELECT * FROM "{n}" ORDER BY ALL').fetchall() for n in sorted(names)}
