"""The demo's files: made the same each time, readable by the program's own intake, and as described."""

import tomllib
from datetime import date, datetime
from pathlib import Path

import numpy as np
import openpyxl
import pandas as pd
import pytest

from driftwatch.intake.batch import read_batch
from driftwatch.intake.mapping import Mapping
from driftwatch.simulate.demo_files import WRONG_ROWS
from driftwatch.simulate.scenario import DEMO_AS_OF, demo_fleets, write_demo
from driftwatch.store.database import Database

DATA = Path(__file__).parents[2] / "data"


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    return write_demo(tmp_path_factory.mktemp("demo"))


@pytest.fixture(scope="module")
def fleets():
    return demo_fleets()


def cells(path):
    book = openpyxl.load_workbook(path, read_only=True)
    rows = {s.title: [tuple(r) for r in s.iter_rows(values_only=True)] for s in book.worksheets}
    book.close()
    return rows


def test_the_committed_files_are_what_the_command_makes(made):
    committed = DATA / "demo"
    assert {p.name for p in committed.iterdir()} == {p.name for p in made.folder.iterdir()}
    for path in made.folder.iterdir():
        if path.suffix == ".xlsx":
            assert cells(path) == cells(committed / path.name)
        else:
            assert path.read_text("utf-8") == (committed / path.name).read_text("utf-8"), path.name


def test_making_them_again_gives_the_same_bytes(made, tmp_path):
    again = write_demo(tmp_path / "new" / "folder")
    for path in made.folder.iterdir():
        assert path.read_bytes() == (again.folder / path.name).read_bytes(), path.name


def test_the_files_are_small_and_say_that_they_are_invented(made):
    assert sum(p.stat().st_size for p in made.folder.iterdir()) < 2_500_000
    for path, _ in made.imports:
        assert path.name.startswith("invented-")
    assert "invented" in made.readme.read_text("utf-8").splitlines()[0]
    assert "invented" in made.shop_mapping.read_text("utf-8").splitlines()[0]
    assert all("invented" in name for name in cells(made.shop_sheet))
    units = pd.read_csv(made.units)
    assert units["note"].str.startswith("invented").all()


def test_the_intake_recognises_each_file(made):
    kinds = {}
    for path, mapping in made.imports:
        batch = read_batch(path, mapping=Mapping.read(mapping) if mapping else None)
        kinds[path.name] = batch.kind
        assert batch.rows > 10
    assert list(kinds.values()) == ["units", "snapshots", "snapshots", "events"]


def test_the_sheet_read_through_its_mapping_gives_the_simulated_values(made, fleets):
    batch = read_batch(made.shop_sheet, mapping=Mapping.read(made.shop_mapping))
    read = batch.table.data.to_pandas()
    read = read[read["taken_at"] != "end of Sept"].astype({"value": float, "odometer_mi": float})
    # NIST SP 811 (2008), appendix B: 1 psi = 6.894757 kPa, 1 in3 = 16.38706 cm3, 1 mile = 1.609344 km.
    factor = read["value_unit"].map({"psi": 6.894757, "in3": 16.38706, "s": 1.0})
    read = read.assign(value=read["value"] * factor, km=read["odometer_mi"] * 1.609344)
    read["taken_at"] = pd.to_datetime(read["taken_at"], format="ISO8601").dt.as_unit("us")
    south = fleets[1].snapshots
    true = south[south["signal"].isin(read["signal"].unique())]
    keys = ["unit", "taken_at", "mode", "channel", "signal"]
    true = true.astype({k: str for k in keys if k != "taken_at"})
    both = true.merge(read, on=keys, suffixes=("", "_read"))
    assert len(both) == len(true) == len(read)
    rounding = both["signal"].map({"clutch_volume": 0.001, "shift_time": 0.0006}).fillna(0.04)
    # A mistyped value a hundred times too large carries its rounding along.
    assert ((both["value"] - both["value_read"]).abs() <= rounding + 1e-6 * both["value"].abs()).all()
    assert ((both["km"] - both["odometer_km"].astype(float)).abs() < 0.1).all()


def test_the_long_file_holds_the_simulated_values_and_the_wrong_rows(made, fleets):
    rows = pd.read_csv(made.snapshots, dtype=str, keep_default_na=False)
    true = fleets[0].snapshots
    assert len(rows) == len(true) + len(WRONG_ROWS) + 1
    np.testing.assert_allclose(rows["value"][: len(true)].astype(float), true["value"], rtol=1e-5, atol=1e-6)
    twice = rows.duplicated(["unit", "taken_at", "mode", "channel", "signal"], keep=False)
    assert twice.sum() == 2
    assert rows.loc[twice, "value"].nunique() == 2


def test_nothing_is_later_than_the_day_it_is_told_but_for_the_mistyped_year(made):
    rows = pd.read_csv(made.snapshots, dtype=str)
    later = rows[rows["taken_at"].str[:10] > DEMO_AS_OF.isoformat()]
    assert list(later["taken_at"].str[:4]) == ["2062"]
    assert pd.read_csv(made.events)["happened_at"].max() <= DEMO_AS_OF.isoformat()
    times = [row[1] for rows in cells(made.shop_sheet).values() for row in rows[1:]]
    assert max(t for t in times if isinstance(t, datetime)).date() <= DEMO_AS_OF


def test_snapshots_are_taken_in_working_hours_about_monthly(fleets):
    for fleet in fleets:
        hours = fleet.heads["taken_at"].dt.hour
        assert hours.between(7, 16).all()
        gaps = fleet.heads.groupby("unit", observed=True)["taken_at"].diff().dt.days.dropna()
        assert gaps.median() == pytest.approx(30, abs=2)
        assert gaps.max() < 50


def test_a_store_takes_all_but_the_rows_that_the_readme_lists(made, tmp_path):
    with Database.create(tmp_path / "demo.duckdb") as store:
        reports = [
            store.import_batch(read_batch(path, mapping=Mapping.read(mapping) if mapping else None))
            for path, mapping in made.imports
        ]
        aside = store.quarantine()
        records = store.records(made.as_of)
    # Hand-counted from data/README.md; both values of the cell given twice are put aside, and the row
    # without a date has two readings.
    listed = (
        "unknown_unit in_the_future odometer_backwards unknown_channel value_not_a_number value_impossible "
        "unknown_signal cell_twice cell_twice not_a_time not_a_time no_readings"
    )
    assert sorted(aside["code"]) == sorted(listed.split())
    assert [r.quarantined for r in reports] == [0, 9, 3, 0]
    assert all(r.rows == r.new + r.quarantined for r in reports)
    assert len(records.units) == 24


def test_random_slips_stay_within_what_is_possible(fleets):
    # So that what is quarantined is exactly what the README lists. Bounds: physical, far outside the normal.
    values = pd.concat([f.snapshots for f in fleets])
    by_signal = values.groupby(values["signal"].astype(str))["value"].agg(["min", "max"])
    assert by_signal.loc["shift_time", "min"] >= 0
    assert by_signal.loc["shift_time", "max"] <= 30
    assert by_signal.loc["torque_cut"].between(0, 100).all()
    assert by_signal.loc["clutch_volume", "min"] > 0.1


def test_every_cause_acts_logged_or_not(fleets):
    truth = pd.concat([f.truth for f in fleets])
    causes = {"wear", "power", "load", "fluid", "relearn", "rebuild", "pressure"}
    assert set(truth["cause"]) == causes
    assert set(truth.loc[truth["logged"], "cause"]) == {"power", "load", "fluid", "relearn", "rebuild"}
    assert {"power", "load", "fluid", "rebuild"} <= set(truth.loc[~truth["logged"], "cause"])
    together = truth.groupby(["unit", "at"])["cause"].agg(set)
    assert {"power", "fluid"} in list(together)
    assert sum(len(f.units) for f in fleets) == 24


def test_one_clutch_is_about_to_need_service_and_one_unit_has_too_little(fleets):
    north = fleets[0]
    last = north.packs.groupby(["unit", "clutch"])[["remaining_km"]].last().dropna()
    assert list(last.index) == [("HL-02", "pack3")]
    assert 0 < last["remaining_km"].iloc[0] < 15_000
    counts = north.snapshots.groupby("unit", observed=True)["taken_at"].nunique()
    assert list(counts[counts < 5].index) == ["HL-11"]


def test_the_events_to_follow_up_and_explain_are_in_the_log(made):
    log = pd.read_csv(made.events)
    lines = set(zip(log["unit"], log["kind"], log["happened_at"], strict=True))
    for unit, kind, on in (
        (made.owner_unit, made.owner_event_kind, made.owner_event_on),
        (made.followup_unit, made.followup_event_kind, made.followup_event_on),
    ):
        assert isinstance(on, date)
        assert (unit, kind, on.isoformat()) in lines
    assert made.month == "2026-10"


def test_the_readme_tells_of_every_unit_and_file(made, fleets):
    text = (DATA / "README.md").read_text("utf-8")
    for fleet in fleets:
        assert all(unit in text for unit in fleet.units["unit"])
    assert all(path.name in text for path, _ in made.imports)
    assert "python -m driftwatch.simulate.scenario data/demo" in text


def test_the_mapping_names_each_cell_of_the_eight_speed_once(made, fleets):
    content = tomllib.loads(made.shop_mapping.read_text("utf-8"))
    named = {(c["channel"], c["signal"], c.get("mode", "")) for c in content["cell"]}
    # Hand-counted: 6 packs, and 14 shifts x 3 signals x 2 modes.
    assert len(named) == len(content["cell"]) == 6 + 14 * 3 * 2
