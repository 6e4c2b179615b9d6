"""`backtest` from the command line: what is printed, in which form, and what is refused."""

from __future__ import annotations

import csv
import io
import json

import pytest

from driftwatch.assessment.backtest.results import TABLES
from driftwatch.cli.backtesting import What

DAYS = ("--from", "2025-03-31", "--to", "2025-08-31", "--as-of", "2025-11-30", "--every", "2")


def test_the_figures_as_a_table(cli, store):
    done = cli("backtest", *DAYS, db=store)
    assert done.code == 0, done.err
    lines = done.out.splitlines()
    assert lines[0].split()[:3] == ["name", "value", "unit"]
    # Every second month counted back from the last: April, June and August.
    assert next(line for line in lines if line.startswith("month_ends")).split()[1] == "3"
    assert "share of the readings 3 months on that lay in their range" in done.out


def test_all_of_it_as_json(cli, store):
    said = json.loads(cli("backtest", *DAYS, "--format", "json", db=store).out)
    assert said["origins"] == ["2025-04-30", "2025-06-30", "2025-08-31"]
    assert (said["known"], said["every"], len(said["units"])) == ("2025-11-30", 2, 3)
    assert {r["unit"] for r in said["ranges"]} == {"unit-01", "unit-02", "unit-03"}
    figures = {f["name"]: f for f in said["figures"]}
    inside = [c["inside"] for c in said["checks"] if c["months"] == 3 and c["inside"] is not None]
    assert figures["readings_3"]["of"] == len(inside) > 0
    assert figures["readings_3"]["value"] == pytest.approx(sum(inside) / len(inside))


def test_one_kind_of_rows(cli, store):
    one = ("--unit", "unit-02", "--what", "ranges")
    rows = list(csv.DictReader(io.StringIO(cli("backtest", *DAYS, *one, "--format", "csv", db=store).out)))
    assert {row["unit"] for row in rows} == {"unit-02"}
    assert [r["origin"] for r in rows if r["clutch"] == "pack3"] == ["2025-04-30", "2025-06-30", "2025-08-31"]
    same = json.loads(cli("backtest", *DAYS, *one, "--format", "json", db=store).out)
    assert [r["outcome"] for r in same] == [r["outcome"] for r in rows]
    none = cli("backtest", *DAYS, "--unit", "unit-01", "--what", "reached", db=store)
    assert (none.out, none.code) == ("", 0)
    assert "no reached to list" in none.err


def test_every_kind_of_rows_can_be_asked_for():
    assert [w.value for w in What] == list(TABLES)


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (("--from", "2025-08-31", "--to", "2025-03-31"), "does not lie before 2025-03-31"),
        (("--from", "soon"), "is not a day"),
        (("--to", "2026-01-31"), "is in the future"),
        (("--from", "2025-06-02", "--to", "2025-06-29"), "no month end"),
        (("--unit", "unit-09"), "there is no unit 'unit-09'"),
        (("--every", "0"), "every"),
        (("--what", "nothing"), "nothing"),
    ],
)
def test_what_is_refused(cli, store, options, says):
    done = cli("backtest", "--as-of", "2025-11-30", *options, db=store)
    assert done.code == 2
    assert says in done.error


def test_a_store_without_readings(cli, tmp_path):
    assert cli("init", db=tmp_path / "empty.duckdb").code == 0
    done = cli("backtest", db=tmp_path / "empty.duckdb")
    assert done.code == 2
    assert "there are no snapshots to look back on" in done.error


def test_the_report_is_written_beside_what_is_printed(cli, store, tmp_path):
    done = cli("backtest", *DAYS, "--what", "flaps", "--format", "csv", "--out", "new", db=store)
    assert done.code == 0
    names = ["backtest-2025-04-30-2025-08-31.html", "backtest-2025-04-30-2025-08-31.json"]
    assert [line.split("/")[-1] for line in done.err.strip().splitlines()] == names
    assert sorted(p.name for p in (tmp_path / "new").iterdir()) == names
    assert done.out.strip() == "unit,clutch,on,before,peak,afterwards"
    (tmp_path / "file").write_text("x")
    assert "is a file" in cli("backtest", *DAYS, "--out", "file", db=store).error


def test_the_review_has_a_track_record_unless_told_not_to(cli, store, tmp_path):
    with_it = cli("review", "--month", "2025-11", "--out", "with", db=store)
    without = cli("review", "--month", "2025-11", "--out", "without", "--no-backtest", db=store)
    assert with_it.code == without.code == 0
    record, none = (
        json.loads((tmp_path / name / "review-2025-11.json").read_text())["record"]
        for name in ("with", "without")
    )
    assert none is None
    # The last month end is 30 November 2025: the look back is from three months before, and three more.
    assert "from 4 month ends 3 months apart, 30 Nov 2024 to 31 Aug 2025, on 3 units" in record["looked_back"]
    assert record["lines"]
