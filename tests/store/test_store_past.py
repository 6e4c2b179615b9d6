"""The store as it was known at an earlier moment, exactly."""

from __future__ import annotations

from datetime import date, datetime

import pandas as pd
import pytest

from driftwatch.errors import StoreError, UsageError
from driftwatch.intake.batch import read_batch
from driftwatch.profile.load import builtin, parse_profile, to_toml
from driftwatch.store import clock
from driftwatch.store.database import Database

from .conftest import snapshots

HEAD = "unit,taken_at,odometer_km,mode,channel,signal,value,fluid_temp_c,learn_count,source"
ORIGIN = ["event_id", "file", "line"]
FRAMES = ("units", "snapshots", "readings", "events")


@pytest.fixture
def clocked(monkeypatch):
    """Set the store's clock to an hour of 1 June 2026."""

    def at(hour):
        monkeypatch.setattr(clock, "now_utc", lambda: datetime(2026, 6, 1, hour))

    return at


def test_every_state_a_store_was_in_can_be_read_again(tmp_path, clocked):
    """Second implementation: records are kept after each step, and compared with what is shown of then."""
    own = parse_profile(to_toml(builtin("generic-6")).replace("generic-6", "mine"))

    def give(db, text, **options):
        path = tmp_path / f"{len(list(tmp_path.iterdir()))}.csv"
        path.write_text(text)
        db.import_batch(read_batch(path, **options))

    steps = [
        lambda db: give(
            db, "unit,profile,site,Plate\nT1,mine,north,A\nT2,generic-6,south,B\n", profiles=[own]
        ),
        lambda db: give(
            db,
            snapshots(
                "T1,2026-01-01,100,tow,1-2,apply_trim,1,80,5,a",
                "T1,2026-02-01,200,tow,1-2,apply_trim,2,,,",
                "T2,2026-01-01,50,,pack1,clutch_volume,36,70,,",
                "T3,2026-01-01,50,,pack1,clutch_volume,36,70,,",
                head=HEAD,
            ),
        ),
        lambda db: db.add_event("T1", "power", "2026-01-15", 40, "N.m", "map"),
        lambda db: give(db, snapshots("T1,2026-02-01,210,tow,1-2,apply_trim,2.5,81,7,b", head=HEAD)),
        lambda db: give(db, "unit,profile,site\nT3,generic-8,west\n"),
        lambda db: give(
            db,
            "unit,happened_at,kind,amount,amount_unit,note\nT1,2026-01-15,power,60,N.m,new map\n"
            "T2,2026-01-20,fluid,,,\n",
        ),
        lambda db: give(db, "unit,profile,site,Plate,in_service_on\nT1,mine,east,C,2025-01-01\n"),
        lambda db: db.change_setting("due_km", 4000),
        lambda db: db.correct_event("E0001", {"happened_at": "2026-01-14T08:30", "note": ""}),
        lambda db: db.correct_event("E0002", {"kind": "repair", "note": "filter"}),
        lambda db: db.retract_event("E0002", "of another vehicle"),
        lambda db: db.correct_event("E0001", {"kind": "load", "amount": "1.5", "amount_unit": "t"}),
        lambda db: give(db, snapshots("T1,2026-02-01,220,tow,1-2,apply_trim,3.5,82,8,c", head=HEAD)),
        lambda db: db.add_profile(parse_profile(to_toml(own).replace('title = "', 'title = "New '))),
        lambda db: db.replace_odometer("T1", datetime(2026, 1, 20), 5000, 200),
        lambda db: db.replace_odometer(
            "T1", datetime(2026, 1, 21), 6000, 210, instead_of=datetime(2026, 1, 20)
        ),
        lambda db: db.retract_odometer("T1", datetime(2026, 1, 21), "of another vehicle"),
        lambda db: db.change_setting("due_km", 3000),
        lambda db: db.change_profile(["T1"], "generic-6"),
        lambda db: db.fix_quarantined(db.quarantine()["quarantine_id"].tolist(), {"unit": "T2"}),
    ]
    kept = []
    with Database.create(tmp_path / "s.duckdb") as db:
        for hour, step in enumerate(steps):
            clocked(hour)
            step(db)
            titles = {name: p.title for name, p in db.profiles().items()}
            noted = db.odometers("T1")
            records, log = db.records(date(2026, 5, 31)), db.events()[ORIGIN]
            kept.append((hour, records, db.settings, titles, db.units(), noted, log))
    clocked(23)
    for hour, records, settings, titles, units, noted, log in kept:
        with Database.open(tmp_path / "s.duckdb", known_at=datetime(2026, 6, 1, hour, 30)) as then:
            shown = then.records(date(2026, 5, 31))
            for name in FRAMES:
                pd.testing.assert_frame_equal(
                    getattr(shown, name), getattr(records, name), obj=f"{hour} {name}"
                )
            assert then.settings == settings
            assert {name: p.title for name, p in then.profiles().items()} == titles
            assert then.units()["extra"].tolist() == units["extra"].tolist()
            pd.testing.assert_frame_equal(then.odometers("T1"), noted)
            pd.testing.assert_frame_equal(then.events()[ORIGIN], log)
            assert then.today() == date(2026, 6, 1)
            listed = then._con.execute("SELECT count(*) FROM reading_list").fetchall()
            assert listed == [(len(records.readings),)]


def test_a_day_stands_for_its_end_in_the_stores_zone(db, give, monkeypatch):
    db.change_setting("zone", "Etc/GMT+5")  # five hours behind UTC
    monkeypatch.setattr(clock, "now_utc", lambda: datetime(2026, 6, 1, 3))
    give("unit,profile\nT1,generic-6\n")
    monkeypatch.setattr(clock, "now_utc", lambda: datetime(2026, 6, 2, 4))
    give(snapshots("T1,2026-01-01,100,tow,1-2,apply_trim,1"))
    monkeypatch.setattr(clock, "now_utc", lambda: datetime(2026, 6, 2, 6))
    give(snapshots("T1,2026-01-02,100,tow,1-2,apply_trim,1"))
    db.close()
    for day, count in ((date(2026, 5, 31), 0), (date(2026, 6, 1), 1), (date(2026, 6, 2), 2)):
        with Database.open(db.path, known_at=day) as then:
            assert len(then.records().readings) == count


def test_what_will_be_known_cannot_be_asked(db):
    db.close()
    for moment in (date(2026, 6, 2), date.max, datetime(2026, 6, 1, 12, 1)):  # it is noon on 1 June
        with pytest.raises(UsageError, match="is in the future"):
            Database.open(db.path, known_at=moment)
    with Database.open(db.path, known_at=datetime(2026, 6, 1, 11, 59)) as then:
        assert then.today() == date(2026, 6, 1)


def test_the_past_cannot_be_changed(db, fleet):
    db.close()
    with Database.open(db.path, known_at=date(2026, 6, 1)) as then:
        with pytest.raises(StoreError, match="reading only"):
            then.change_setting("due_km", 1)
        with pytest.raises(StoreError, match="reading only"):
            then.delete_unit("T1", "")
