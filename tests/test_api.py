"""The public names are exactly the documented ones, and the Store does what the page says."""

from __future__ import annotations

import inspect
import json
import re
import subprocess
import sys
from datetime import date, datetime
from pathlib import Path

import pandas as pd
import pytest

import driftwatch
from driftwatch.api import Store
from driftwatch.store import clock

PAGE = (Path(__file__).parents[1] / "docs" / "api.md").read_text("utf-8")
HEADER = "unit,taken_at,odometer_km,mode,channel,signal,value\n"


def named(text: str) -> set[str]:
    return set(re.findall(r"`([A-Za-z_]+)", text))


def test_the_public_names_are_the_documented_ones():
    section = PAGE.split("## What a `Store` does")
    code = set(re.findall(r"driftwatch\.(\w+)\(", PAGE))
    classes = {n for n in named(PAGE) if n[0].isupper()} - {"Exception", "ValueError", "OSError"}
    functions = code | {"read_profile"}
    assert set(driftwatch.__all__) == classes | functions
    assert section[1]
    assert list(driftwatch.__all__) == sorted(driftwatch.__all__)


@pytest.mark.parametrize("name", driftwatch.__all__)
def test_every_public_name_is_there_and_described(name):
    value = getattr(driftwatch, name)
    assert inspect.getdoc(value), name
    assert name in dir(driftwatch)


def test_an_unknown_name_is_an_attribute_error():
    with pytest.raises(AttributeError, match="no_such_name"):
        driftwatch.no_such_name  # noqa: B018


def test_every_method_of_the_store_is_documented_with_its_parameters():
    table = PAGE.split("## What a `Store` does")[1].split("## ")[0]
    documented: dict[str, list[str]] = {}
    for row in re.findall(r"^\| (`.*?`) \|", table, re.M):
        for call in re.findall(r"`(\w+)(?:\((.*?)\))?`", row):
            documented[call[0]] = [p.strip() for p in call[1].split(",") if p.strip()]
    public = {n: m for n, m in inspect.getmembers(Store) if not n.startswith("_")}
    assert set(documented) == set(public)
    for name, parameters in documented.items():
        if inspect.isfunction(public[name]):
            assert parameters == [p for p in inspect.signature(public[name]).parameters if p != "self"], name


def test_the_error_table_is_true():
    rows = re.findall(r"^\| `(\w+)` \| .*? \| (\d) \| `(\w+)` \|$", PAGE, re.M)
    assert len(rows) == 12
    for name, code, builtin in rows:
        error = getattr(driftwatch, name)
        assert error.exit_code == int(code)
        assert issubclass(
            error, {"Exception": Exception, "ValueError": ValueError, "OSError": OSError}[builtin]
        )


def test_importing_the_package_loads_nothing_heavy():
    script = (
        "import sys, driftwatch; "
        "heavy = {'pandas', 'duckdb', 'numpy', 'scipy', 'pint', 'pydantic', 'plotly'}; "
        "print(sorted(heavy & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


@pytest.fixture
def store(tmp_path):
    rows = [
        f"u1,2025-0{m}-10,{50_000 + 3_000 * m},{mode},{channel},{signal},{value + 0.1 * (m % 3)}"
        for m in range(1, 8)
        for mode, channel, signal, value in (
            ("normal", "1-2", "apply_trim", 10.0),
            ("normal", "2-3", "apply_trim", 20.0),
            ("", "pack3", "clutch_volume", 25.0),
        )
    ]
    (tmp_path / "units.csv").write_text("unit,profile,site\nu1,generic-6,yard\nu2,generic-6,\n")
    (tmp_path / "snapshots.csv").write_text(HEADER + "\n".join(rows) + "\n")
    with driftwatch.open(tmp_path / "fleet.duckdb", create=True) as opened:
        opened.import_file(tmp_path / "units.csv")
        report = opened.import_file(tmp_path / "snapshots.csv")
        assert (report.rows, report.new, report.quarantined) == (21, 21, 0)
        yield opened


def test_stored_data_as_frames(store):
    assert list(store.units()["unit"]) == ["u1", "u2"]
    assert len(store.snapshots()) == 7
    assert len(store.readings()) == 21
    assert len(store.readings(as_of="2025-03-31")) == 9  # hand-solved: three months of three cells
    assert len(store.readings(as_of=date(2025, 3, 9))) == 6
    assert store.readings(units=["u2"]).empty
    assert store.quarantine().empty
    assert list(store.files()["kind"]) == ["units", "snapshots"]
    assert store.check() == []
    assert set(store.profiles()) == {"generic-6", "generic-8"}
    assert "fleet.duckdb" in repr(store)


def test_changing_a_frame_changes_nothing_in_the_store(store):
    frame = store.readings()
    frame["value"] = -1.0
    assert (store.readings()["value"] > 0).all()


def test_assessments_follow_what_is_written(store):
    first = store.assess("2025-12-31")
    assert [u.unit for u in first.units] == ["u1", "u2"]
    assert store.assess("2025-12-31", units=["u1"]).units == first.units[:1]
    assert store.assess("2025-12-31") == first
    assert store.analyse("2025-12-31", ["u1"])[0].assessment == first.units[0]
    seen = []
    store.add_event("u1", "fluid", "2025-05-02", note="invented")
    store.assess("2025-12-31", progress=lambda what, done, total: seen.append((what, done, total)))
    assert seen, "after a write, the assessment is made afresh"
    assert seen[-1][1] == seen[-1][2]
    assert list(store.events("u1")["kind"]) == ["fluid"]
    assert isinstance(first.to_frame("clutches"), pd.DataFrame)


def test_asking_for_what_is_not_there(store, tmp_path):
    with pytest.raises(driftwatch.UnknownName, match="u9"):
        store.assess(units=["u9"])
    store.assess("2025-12-31")
    with pytest.raises(driftwatch.UnknownName, match="u9"):
        store.assess("2025-12-31", units=["u1", "u9"])
    with pytest.raises(driftwatch.UsageError, match="soon"):
        store.alerts(at_least="soon")
    with pytest.raises(driftwatch.UsageError, match="pdf"):
        store.export(tmp_path / "out", fmt="pdf")
    with pytest.raises(driftwatch.UsageError, match="is not a day"):
        store.assess("soon")
    assert not (tmp_path / "out").exists()


def test_no_answer_is_told_as_of_a_day_to_come(store, tmp_path, monkeypatch):
    monkeypatch.setattr(clock, "now_utc", lambda: datetime(2026, 6, 1, 12))
    asked = {
        "records": (), "units": (), "snapshots": (), "readings": (), "assess": (), "analyse": (),
        "alerts": (), "backtest": (), "sources": ("u1",), "followup": ("u1", "2025-03-01"),
        "explain": ("u1",), "export": (tmp_path / "out",),
    }  # fmt: skip
    takes = {
        n
        for n, m in inspect.getmembers(Store, inspect.isfunction)
        if "as_of" in inspect.signature(m).parameters
    }
    assert set(asked) == {name for name in takes if not name.startswith("_")}
    for name, first in asked.items():
        with pytest.raises(driftwatch.UsageError, match="2026-06-02 is in the future"):
            getattr(store, name)(*first, as_of="2026-06-02")
    assert not (tmp_path / "out").exists()
    assert store.assess("2026-06-01").as_of == date(2026, 6, 1)
    assert store.assess().as_of == date(2026, 6, 1)
    path = store.path
    store.close()
    with driftwatch.open(path, known_at="2026-05-01") as then:
        with pytest.raises(driftwatch.UsageError, match="2026-05-02 is later than 2026-05-01"):
            then.assess("2026-05-02")
        assert then.assess("2026-05-01").as_of == date(2026, 5, 1)


def test_settings_of_a_store(store):
    assert store.settings.plan_km == 15000
    store.change_setting("plan_km", 12000)
    assert store.settings.plan_km == 12000
    store.change_setting("least_snapshots", 6.0)
    assert store.settings.least_snapshots == 6
    for value in (6.5, float("nan"), float("inf"), "6.0"):
        with pytest.raises(driftwatch.UsageError, match="wants a whole number"):
            store.change_setting("least_snapshots", value)


def test_several_files_at_once(store, tmp_path):
    (tmp_path / "events.csv").write_text("unit,happened_at,kind\nu3,2025-03-01,fluid\n")
    (tmp_path / "more.csv").write_text("unit,profile\nu3,generic-6\n")
    names = ["events.csv", "none.csv", "more.csv"]
    outcomes = store.import_files([tmp_path / name for name in names])
    assert [Path(o.file).name for o in outcomes] == ["none.csv", "more.csv", "events.csv"]
    assert [o.exit_code for o in outcomes] == [4, 0, 0]
    assert isinstance(outcomes[0].error, driftwatch.InputRefused)
    assert list(store.events()["unit"]) == ["u3"]


def test_own_profiles(store, tmp_path):
    text = (Path(driftwatch.__file__).parent / "profile" / "builtin" / "generic-6.toml").read_text()
    (tmp_path / "own.toml").write_text(text.replace('name = "generic-6"', 'name = "own"'))
    assert store.add_profile(tmp_path / "own.toml").name == "own"
    assert store.profiles()["own"] == driftwatch.read_profile(tmp_path / "own.toml")


def test_reports_of_a_unit_that_was_never_read(store, tmp_path):
    """As where the log is kept before the first read-out, or all rows of a unit are in quarantine."""
    (tmp_path / "more.csv").write_text("unit,profile\nnew,generic-6\n")
    store.import_file(tmp_path / "more.csv")
    event = store.add_event("new", "power", "2025-05-02", 100)
    told = {p.suffix: p for p in store.followup("new", event, tmp_path / "out", "2025-06-01")}
    followup = json.loads(told[".json"].read_text("utf-8"))
    assert followup["verdict"] == "drive first"
    assert followup["reason"].startswith("Nothing has been read out since")
    told = {p.suffix: p for p in store.explain("new", event, None, tmp_path / "out", "2025-06-01")}
    assert json.loads(told[".json"].read_text("utf-8"))["answer"] == "can't tell yet"


def test_several_profiles_come_with_a_file(store, tmp_path):
    text = (Path(driftwatch.__file__).parent / "profile" / "builtin" / "generic-6.toml").read_text()
    for name in ("own", "other"):
        (tmp_path / f"{name}.toml").write_text(text.replace('name = "generic-6"', f'name = "{name}"'))
    (tmp_path / "more.csv").write_text("unit,profile\nx1,own\nx2,other\n")
    given = [tmp_path / "own.toml", driftwatch.read_profile(tmp_path / "other.toml")]
    assert store.import_file(tmp_path / "more.csv", profile=given).new == 2
    assert {"own", "other"} <= set(store.profiles())


def test_a_store_that_is_not_there(tmp_path):
    with pytest.raises(driftwatch.StoreMissing):
        driftwatch.open(tmp_path / "none.duckdb")
    with pytest.raises(OSError):
        driftwatch.open(tmp_path / "none.duckdb", read_only=True)


def test_a_read_only_store_is_not_written(store, tmp_path):
    path = store.path
    store.close()
    with driftwatch.open(path, read_only=True) as reader:
        assert len(reader.readings()) == 21
        with pytest.raises(driftwatch.StoreError, match="reading only"):
            reader.add_event("u1", "fluid", "2025-05-02")
