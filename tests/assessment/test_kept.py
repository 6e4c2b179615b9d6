"""What was worked out before is taken from the file beside the store, and never changes what is said."""

from __future__ import annotations

import shutil
import sqlite3
from dataclasses import replace
from datetime import date
from pathlib import Path

import pandas as pd
import pytest

import driftwatch
from driftwatch.assessment import assess, judge, kept
from driftwatch.assessment.assess import analyse
from driftwatch.assessment.coding import Coding
from driftwatch.assessment.kept import EACH, Kept
from driftwatch.assessment.results import UnitAnalysis
from driftwatch.panel import basis
from driftwatch.settings import Settings
from driftwatch.simulate import EASY, simulate_fleet
from driftwatch.store.files import fits_of
from driftwatch.store.records import Records
from driftwatch.wording import Wording, written
from tests.assessment.units import profile
from tests.bench.fleets import as_records

UNITS = 5
LAST = date(2026, 10, 31)


@pytest.fixture(scope="module")
def whole() -> Records:
    """A few units to which all kinds of things happen."""
    return as_records(simulate_fleet(profile(), UNITS, 5, EASY, years=1.5), LAST)


@pytest.fixture(scope="module")
def plain(whole: Records) -> list[object]:
    """What is said where nothing is kept."""
    return told(analyse(whole, Settings()))


@pytest.fixture
def file(tmp_path: Path) -> Kept:
    return Kept(tmp_path / "fleet.duckdb.fits")


@pytest.fixture(scope="module")
def once(whole: Records, tmp_path_factory: pytest.TempPathFactory) -> Kept:
    """What was worked out once; to be copied, not changed."""
    made = Kept(tmp_path_factory.mktemp("kept") / "fleet.duckdb.fits")
    analyse(whole, Settings(), kept=made)
    return made


@pytest.fixture
def filled(once: Kept, file: Kept) -> Kept:
    """Give a file with what was worked out of all units, free to be changed."""
    shutil.copyfile(once.path, file.path)
    return file


@pytest.fixture
def worked(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Units worked out anew, in order."""
    units: list[str] = []

    def noted(panel, known, settings):
        units.append(panel.unit)
        return judge.judge_unit(panel, known, settings)

    monkeypatch.setattr(assess, "judge_unit", noted)
    return units


def told(analyses: tuple[UnitAnalysis, ...]) -> list[object]:
    return [a.assessment.to_dict() for a in analyses]


def without_newest(records: Records, unit: str) -> Records:
    """Give the records as they were before a unit's last snapshot."""
    last = records.snapshots.loc[records.snapshots["unit"] == unit, "taken_at"].max()

    def cut(frame: pd.DataFrame) -> pd.DataFrame:
        return frame[~((frame["unit"] == unit) & (frame["taken_at"] == last))].reset_index(drop=True)

    return replace(records, snapshots=cut(records.snapshots), readings=cut(records.readings))


def test_the_same_again_is_not_worked_out_again_and_is_said_alike(whole, plain, file, worked):
    assert told(analyse(whole, Settings(), kept=file)) == plain
    assert len(worked) == UNITS
    del worked[:]
    again = analyse(whole, Settings(), kept=file)
    assert told(again) == plain
    assert worked == []
    for one, other in zip(again, analyse(whole, Settings()), strict=True):
        assert (one.panel.usable == other.panel.usable).all()
        assert (one.panel.slips == other.panel.slips).all()
        assert (one.fit is None) == (other.fit is None)
        if one.fit is not None:
            assert (one.fit.fitted == other.fit.fitted).all()


def test_new_readings_of_one_unit_have_that_one_worked_out(whole, file, worked, monkeypatch):
    # A fleet is large from here on: what was learned from its older readings stands.
    count = len(whole.snapshots)
    monkeypatch.setattr(basis, "ALL_UP_TO", count - 40)
    monkeypatch.setattr(basis, "STEP", 2.0)
    unit = str(whole.units["unit"].iloc[3])
    analyse(without_newest(whole, unit), Settings(), kept=file)
    del worked[:]
    after = told(analyse(whole, Settings(), kept=file))
    assert worked == [unit]
    assert after == told(analyse(whole, Settings()))


def test_in_a_small_fleet_new_readings_concern_all(whole, file, worked):
    unit = str(whole.units["unit"].iloc[3])
    analyse(without_newest(whole, unit), Settings(), kept=file)
    del worked[:]
    analyse(whole, Settings(), kept=file)
    assert len(worked) == UNITS


@pytest.mark.parametrize(
    ("change", "anew"),
    [
        ({"false_alarm_rate": 0.01}, UNITS),
        ({"least_probability": 0.3}, UNITS),
        ({"units": "us"}, 0),
        ({"stale_days": 5.0}, 0),
    ],
)
def test_settings_count_where_they_change_what_is_worked_out(whole, filled, worked, change, anew):
    other = replace(Settings(), **change)
    after = told(analyse(whole, other, kept=filled))
    assert len(worked) == anew
    assert after == told(analyse(whole, other))


def test_another_day_and_another_way_of_writing_need_no_new_work(whole, plain, filled, worked):
    later = replace(whole, as_of=date(2027, 3, 1))
    with written(Wording("us", "iso")):
        after = told(analyse(later, Settings(), kept=filled))
        assert worked == []
        assert after == told(analyse(later, Settings()))
    assert after != plain


def test_another_version_of_the_program_starts_anew(whole, filled, worked, monkeypatch):
    monkeypatch.setattr(kept, "_program", lambda: "another")
    analyse(whole, Settings(), kept=filled)
    assert len(worked) == UNITS


@pytest.mark.parametrize("damage", ["not a database", "cut", "other text", "other kind"])
def test_a_damaged_file_is_only_slower(whole, plain, filled, worked, damage):
    if damage == "not a database":
        filled.path.write_bytes(b"something else " * 1000)
    elif damage == "cut":
        filled.path.write_bytes(filled.path.read_bytes()[:5000])
    else:
        text = '{"$kind":"Judged","usable":1' if damage == "other text" else '["x"]'
        with sqlite3.connect(filled.path) as opened:
            opened.execute("UPDATE kept SET text = ?", (text,))
    assert told(analyse(whole, Settings(), kept=filled)) == plain
    assert len(worked) == UNITS
    del worked[:]
    assert told(analyse(whole, Settings(), kept=filled)) == plain
    assert worked == []


def test_a_place_that_cannot_be_written_is_done_without(whole, plain, tmp_path):
    nowhere = Kept(tmp_path / "no such folder" / "fits")
    assert told(analyse(whole, Settings(), kept=nowhere)) == plain


def test_old_entries_and_those_of_other_units_go(file):
    for turn in range(EACH + 2):
        file.add([(f"mark {turn}", "A", "text")])
    file.add([("of B", "B", "text")])
    file.tidy(["mark 2"], ["A", "B"])
    file.add([("newest", "A", "text")])
    file.tidy([], ["A", "B"])
    # Of A the three used last; the one that was served again counts as used then.
    every = [f"mark {turn}" for turn in range(EACH + 2)]
    assert file.present([*every, "newest", "of B"]) == {"mark 2", f"mark {EACH + 1}", "newest", "of B"}
    file.tidy([], ["A"])
    assert file.present(["of B", "newest"]) == {"newest"}
    assert file.text("newest") == "text"
    assert file.text("of B") is None


def test_more_marks_than_one_question_takes(file):
    marks = [f"m{i}" for i in range(1203)]
    file.add([(mark, mark, mark) for mark in marks])
    assert file.present([*marks, "another"]) == set(marks)


def test_what_is_worked_out_is_written_as_it_comes(whole, file, worked, monkeypatch):
    monkeypatch.setattr(assess, "AT_A_TIME", 2)

    def stop(what: str, done: int, of: int) -> None:
        if done == UNITS - 1:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        analyse(whole, Settings(), kept=file, progress=stop)
    del worked[:]
    analyse(whole, Settings(), kept=file)
    assert len(worked) == UNITS - 4


def test_a_store_keeps_what_it_worked_out_beside_itself(whole, tmp_path, worked):
    path = tmp_path / "fleet.duckdb"
    rows = whole.readings.merge(whole.snapshots, on=["unit", "taken_at"])
    whole.units[["unit", "profile"]].to_csv(tmp_path / "units.csv", index=False)
    rows.drop(columns=["source"]).to_csv(tmp_path / "snapshots.csv", index=False)
    with driftwatch.open(path, create=True) as store:
        store.import_file(tmp_path / "units.csv")
        store.import_file(tmp_path / "snapshots.csv")
        first = store.assess(LAST).to_dict()
    assert fits_of(path).exists()
    del worked[:]
    with driftwatch.open(path) as store:
        assert store.assess(LAST).to_dict() == first
        assert worked == []
        store.delete_unit(str(whole.units["unit"].iloc[0]), "asked for")
    assert not fits_of(path).exists()


def test_nothing_but_known_kinds_is_read_or_written():
    coding = Coding((Wording,))
    assert coding.thing(coding.text(Wording("us", "iso"))) == Wording("us", "iso")
    with pytest.raises(TypeError):
        coding.text(Settings())
    for text in (
        '{"$kind":"Settings"}',
        '{"$kind":"Wording","other":1}',
        "{",
        '{"$array":"AA==","of":"O","shape":[1]}',
    ):
        with pytest.raises(ValueError, match=r".+"):
            coding.thing(text)
