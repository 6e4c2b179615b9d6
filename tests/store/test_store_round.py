"""Out and in again: nothing is lost, and nothing that a file says is ever run."""

from __future__ import annotations

import re
import subprocess
import sys
from datetime import datetime

import pytest

from driftwatch.intake.batch import read_batch
from driftwatch.intake.tables import RISKY
from driftwatch.profile.load import builtin, parse_profile, to_toml
from driftwatch.store.database import Database

from .conftest import counts, snapshots

#: Texts that mean something to a spreadsheet, a shell, SQL, HTML, a format string or a path.
TEXTS = [
    "=1+1", "+1", "-1", "@SUM(A1)", "|calc", "%x", "'=1+1", "''=1+1", "'plain", "'", "a=1", "ok",
    "two\nlines", "tab\there", 'with "quotes"', "semi;colon, comma", "'; DROP TABLE readings; --",
    '"; DELETE FROM units; --', "{unit}", "%s %n", "$(touch x)", "`touch x`", "../../x", "<b>x</b>",
    "Ünïcödé 🚚", "NULL", "nan", "\\N", "C:\\temp", "?", "$1",
]  # fmt: skip

FACTS = (
    "SELECT unit, profile, in_service_on, site, note FROM units",
    "SELECT unit, name, value FROM unit_fields",
    """SELECT unit, taken_at_local, odometer_km, odometer_entered, odometer_unit_entered, fluid_temp_c,
        fluid_temp_entered, fluid_temp_unit_entered FROM snapshots""",
    """SELECT unit, taken_at_local, mode, channel, signal, value, value_entered, unit_entered, learn_count,
        source FROM reading_list""",
    """SELECT event_id, unit, happened_at_local, kind, amount, amount_unit, amount_entered,
        amount_unit_entered, note FROM events""",
)


def facts(db):
    return [sorted(db._con.execute(query).fetchall(), key=repr) for query in FACTS]


def quoted(text):
    """Write a text as CSV has it, and so that it is meant as it is: see `neutral`."""
    text = "'" + text if re.match(RISKY, text) else text
    return '"' + text.replace('"', '""') + '"'


@pytest.fixture
def rich(db, give):
    """A store with every kind of value, in units of all sorts, and texts that somebody may try."""
    own = parse_profile(to_toml(builtin("generic-6")).replace("generic-6", "mine"))
    names = ["T1", "T2", *(f"N{i}" for i in range(len(TEXTS)))]
    rows = [
        f"{n},mine,2020-01-02,{quoted(t)},{quoted(t)},{quoted(t)}"
        for n, t in zip(names[2:], TEXTS, strict=True)
    ]
    rows += ["T1,mine,,north,,", "T2,mine,2021-05-05,south,x,y"]
    rows += [f"{quoted(text)},mine,,,," for text in TEXTS]
    report = give("unit,profile,in_service_on,site,note,=Plate\n" + "\n".join(rows) + "\n", profiles=[own])
    assert report.quarantined == 0
    head = "unit,taken_at,odometer_mi,mode,channel,signal,value,value_unit,fluid_temp_f,learn_count,source"
    give(
        snapshots(
            "T1,2026-01-01T09:20:30.25,1000.1,tow,1-2,apply_trim,1.7,psi,181,7,=cmd",
            "T1,2026-01-01T09:20:30.25,1000.1,,pack3,clutch_volume,2.31,in3,181,,",
            "T1,2026-02-01,1100,tow,1-2,apply_trim,0.1,,,0,'x",
            head=head,
        )
    )
    give(
        snapshots("T2,2026-01-01,0.1,normal,2-3,shift_time,0.3", "T2,2026-01-02,7,normal,2-3,torque_cut,1e-7")
    )
    db.replace_odometer("T2", datetime(2026, 1, 3), 4_000, 5.3)
    give(snapshots("T2,2026-01-04,77.7,normal,2-3,torque_cut,3"))
    db.add_event("T1", "power", "2026-01-15T10:00", 33.3, "lb.ft", "map")
    for i, text in enumerate(TEXTS):
        db.add_event("T2", "other", f"2025-03-{1 + i % 28:02d}", note=text)
    db.add_event("T1", "load", "2026-01-20", 5, "%")
    return db


@pytest.mark.parametrize("fmt", ["csv", "parquet"])
def test_what_is_exported_comes_back_without_loss(rich, tmp_path, fmt):
    paths = {p.name: p for p in rich.export(tmp_path / "out", fmt=fmt)}
    with Database.create(tmp_path / "other.duckdb") as other:
        profile = parse_profile(paths["profile-mine.toml"].read_text("utf-8"))
        for name in ("units", "snapshots", "events"):
            report = other.import_batch(read_batch(paths[f"{name}.{fmt}"], profiles=[profile]))
            assert counts(report) == (report.rows, 0, 0, 0), report.problems.to_string()
        assert facts(other) == facts(rich)
        again = other.export(tmp_path / "again", ["units", "snapshots", "events"], fmt)
        assert other.check() == []
        for path in again:
            if path.stem == "units":
                assert path.read_bytes() == paths[path.name].read_bytes()


def test_an_export_taken_by_its_own_store_changes_nothing(rich, tmp_path):
    before = facts(rich)
    for path in rich.export(tmp_path / "out", ["units", "snapshots", "events"], "csv"):
        report = rich.import_batch(read_batch(path))
        assert counts(report) == (0, report.rows, 0, 0)
    assert facts(rich) == before


def test_new_events_get_ids_beyond_those_that_came_along(db, fleet):
    rows = ("T1,2026-01-01,fluid,E0007", "T1,2026-01-02,fluid,", "T1,2026-01-03,fluid,x")
    fleet("\n".join(("unit,happened_at,kind,event_id", *rows)) + "\n")
    assert db.events()["event_id"].tolist() == ["E0007", "E0008", "E0009"]
    fleet("unit,happened_at,kind,event_id\nT2,2026-01-01,fluid,E0007\n")
    assert db.events("T2")["event_id"].tolist() == ["E0010"]


def test_names_of_files_and_columns_are_only_names(db, give, tmp_path):
    give("unit,profile\nT1,generic-6\n")
    for i, text in enumerate(TEXTS):
        name = text.replace("/", "_").replace("\n", " ") + f" {i}.csv"
        column = quoted(text + str(i))
        report = give(f"unit,profile,{column}\nT1,generic-6,value {i}\n", name=name)
        assert counts(report) == (0, 0, 1, 0), text
        assert report.file == name
    assert len(db.units()["extra"][0]) == len(TEXTS)
    assert db.check() == []
    (path,) = db.export(tmp_path / "out", "units", "csv")
    with Database.create(tmp_path / "other.duckdb") as other:
        other.import_batch(read_batch(path))
        assert other.units()["extra"][0] == db.units()["extra"][0]


NO_NETWORK = """
import socket, sys
class Refused:
    def __init__(self, *args, **options):
        raise AssertionError("the network was asked")
socket.socket = socket.create_connection = socket.getaddrinfo = Refused
from driftwatch.cli.main import run
sys.exit(run(sys.argv[1:]))
"""


def test_nothing_asks_the_network(tmp_path):
    (tmp_path / "u.csv").write_text("unit,profile,note\nT1,generic-6,http://example.invalid/x\n")
    for args in (
        ["import", "u.csv"],
        ["check"],
        ["export", "out", "--what", "units"],
        ["backup", "b.duckdb"],
    ):
        done = subprocess.run(
            [sys.executable, "-c", NO_NETWORK, *args],
            cwd=tmp_path,
            capture_output=True,
            text=True,
            check=False,
        )
        assert done.returncode == 0, done.stderr


def test_a_query_cannot_fetch_extensions(db):
    settings = dict(
        db._con.execute(
            "SELECT name, value FROM duckdb_settings() WHERE name LIKE '%extension%' AND name LIKE 'a%'"
        ).fetchall()
    )
    for name in ("autoinstall_known_extensions", "autoload_known_extensions", "allow_community_extensions"):
        assert settings[name] == "false"
