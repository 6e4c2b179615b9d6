"""The page about the store says what is there."""

from __future__ import annotations

import re
from pathlib import Path

from driftwatch.intake import tables
from driftwatch.intake.read_parquet import MOST_VALUES
from driftwatch.intake.read_xlsx import LARGEST_UNPACKED, MOST_CELLS
from driftwatch.intake.rules import A_DAY_KM, FASTEST_KM_A_DAY
from driftwatch.store.engine import CONFIG

ROOT = Path(__file__).parents[2]
PAGE = (ROOT / "docs" / "store.md").read_text("utf-8")
FILES = (ROOT / "docs" / "files.md").read_text("utf-8")


def section(heading):
    return PAGE.split(f"## {heading}\n")[1].split("\n## ")[0]


def test_every_table_is_described(db):
    told = set(re.findall(r"^\| `(\w+)` \|", section("Tables"), re.M))
    there = db._con.execute("SELECT table_name FROM duckdb_tables() WHERE NOT temporary").fetchall()
    assert told == {name for (name,) in there}


def test_every_view_is_described_with_its_columns(db):
    rows = re.findall(r"^\| `(\w+)` \| [^|]+ \| ([^|]+) \|$", section("Views"), re.M)
    views = db._con.execute("SELECT view_name FROM duckdb_views() WHERE NOT internal").fetchall()
    assert {name for name, _ in rows} == {name for (name,) in views}
    for name, text in rows:
        columns = [c for (c,) in db._con.execute(f"SELECT column_name FROM (DESCRIBE {name})").fetchall()]
        told = re.findall(r"`(\w+)`", text)
        if "those of the table" in text:
            assert columns[-len(told) :] == told, name
        else:
            assert columns == told, name


def test_every_test_that_is_named_is_there():
    named = set(re.findall(r"`(test_\w+\.py)`", section("What it promises, and what holds it to that")))
    assert named
    for name in named:
        assert list((ROOT / "tests").rglob(name)), name


def test_the_limits_are_those_of_the_program():
    said = " ".join(FILES.split("## Limits\n")[1].split())
    assert f"more than {LARGEST_UNPACKED // 1_000_000} MB" in said
    assert f"more than {MOST_CELLS // 1_000_000} million cells" in said
    assert f"{tables.MOST_COLUMNS:,}".replace(",", " ") + " columns" in said
    assert f"{tables.LONGEST_CELL:,}".replace(",", " ") + " signs" in said
    assert f"{MOST_VALUES // 1_000_000:,}".replace(",", " ") + " million values" in said
    fastest = f"{FASTEST_KM_A_DAY:,.0f} km a day and {A_DAY_KM:,.0f} km".replace(",", " ")
    assert fastest in " ".join(FILES.split())
    assert CONFIG["memory_limit"].replace("MiB", " MiB") in PAGE


def test_the_views_give_their_units_whatever_the_profile_keeps(db, give):
    from driftwatch.profile.load import builtin, parse_profile, to_toml

    from .conftest import snapshots

    text = to_toml(builtin("generic-6")).replace("generic-6", "us")
    text = text.replace('unit = "kPa"', 'unit = "psi"').replace('unit = "s"', 'unit = "ms"')
    text = text.replace("lower = 0.2\nupper = 1.2", "lower = 200\nupper = 1200")
    give("unit,profile\nT1,us\nT2,generic-6\n", profiles=[parse_profile(text)])
    give(
        snapshots(
            "T1,2026-01-01,5,tow,1-2,apply_trim,2",
            "T1,2026-01-01,5,tow,1-2,shift_time,510",
            "T2,2026-01-01,5,tow,1-2,apply_trim,2",
            "T2,2026-01-01,5,,pack3,clutch_volume,25",
        )
    )
    rows = db._con.execute(
        "SELECT unit, apply_trim_kpa, shift_time_s FROM shift_readings ORDER BY unit"
    ).fetchall()
    # 2 psi = 13.789514 kPa (NIST SP 811, appendix B).
    assert abs(rows[0][1] - 13.789514) < 1e-6
    assert rows[0][2] == 0.51
    assert rows[1] == ("T2", 2.0, None)
    assert db._con.execute("SELECT clutch_volume_cm3 FROM pack_readings").fetchall() == [(25.0,)]
    told = db._con.execute(
        "SELECT DISTINCT unit, signal, value_unit FROM reading_list ORDER BY ALL"
    ).fetchall()
    assert told == [
        ("T1", "apply_trim", "psi"),
        ("T1", "shift_time", "ms"),
        ("T2", "apply_trim", "kPa"),
        ("T2", "clutch_volume", "cm3"),
    ]
