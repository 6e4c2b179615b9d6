"""Every command does what its help says, in each of its forms."""

from __future__ import annotations

import csv
import io
import json
import re
from pathlib import Path

import pandas as pd
import pytest

from driftwatch.profile.load import read_profile

#: Commands that list something.
COMMANDS_WITH_FORMAT = [
    ("profile", "list"),
    ("profile", "check", "generic-6"),
    ("event", "list"),
    ("quarantine", "list"),
    ("settings", "list"),
    ("check",),
]
EVENT_COLUMNS = ["event_id", "unit", "happened_at", "kind", "amount", "amount_unit", "note"]


def rows_of(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text)))


def test_version_and_help(cli):
    assert cli("--version").out.startswith("driftwatch 0.")
    shown = cli("--help")
    assert shown.code == 0
    assert "alerts" in shown.out
    assert cli().out == shown.out


@pytest.mark.parametrize("command", COMMANDS_WITH_FORMAT, ids=" ".join)
def test_every_listing_is_printed_in_three_forms(cli, store, command):
    table = cli(*command, db=store)
    assert table.code == 0, table.err
    as_json = cli(*command, "--format", "json", db=store)
    listed = json.loads(as_json.out)
    as_csv = rows_of(cli(*command, "--format", "csv", db=store).out)
    if isinstance(listed, list):
        assert len(listed) == len(as_csv)
    for text in (table.out, as_json.out):
        assert "NaN" not in text
        assert "Infinity" not in text


def test_init_makes_an_empty_store_once(cli, tmp_path):
    db = tmp_path / "new.duckdb"
    made = cli("init", "--zone", "Etc/GMT-1", db=db)
    assert made.code == 0
    assert str(db) in made.out
    assert json.loads(cli("assess", db=db).out)["units"] == []
    zone = next(
        s for s in json.loads(cli("settings", "list", "--format", "json", db=db).out) if s["name"] == "zone"
    )
    assert zone["value"] == "Etc/GMT-1"
    assert "is there already" in cli("init", db=db).error
    assert cli("check", db=db).code == 0


def test_init_with_a_wrong_zone_leaves_no_store(cli, tmp_path):
    refused = cli("init", "--zone", "Nowhere/Land", db=tmp_path / "new.duckdb")
    assert refused.code == 2
    assert "not a time zone" in refused.error
    assert list(tmp_path.iterdir()) == []


def test_the_store_is_found_by_its_default_name_or_the_variable(cli, tmp_path, monkeypatch):
    assert cli("init").code == 0
    assert (tmp_path / "driftwatch.duckdb").is_file()
    monkeypatch.setenv("DRIFTWATCH_DB", str(tmp_path / "other.duckdb"))
    assert cli("init").code == 0
    assert (tmp_path / "other.duckdb").is_file()


# --- profile -----------------------------------------------------------------------------------------------


def test_profile_list_without_a_store_gives_the_builtin_ones(cli):
    listed = json.loads(cli("profile", "list", "--format", "json").out)
    assert [(p["name"], p["gears"], p["packs"], p["shifts"]) for p in listed] == [
        ("generic-6", 6, 5, 10),
        ("generic-8", 8, 6, 14),
    ]


def test_profile_new_show_check_and_use(cli, tmp_path, files):
    made = cli("profile", "new", "own-6", "--from", "generic-6")
    assert made.code == 0
    path = tmp_path / "own-6.toml"
    assert made.out.strip() == "own-6.toml"
    assert read_profile(path).name == "own-6"
    assert "service literature" in path.read_text()
    checked = cli("profile", "check", path)
    assert checked.code == 0
    assert "illustrative" in checked.out
    assert cli("profile", "new", "own-6").code == 2

    (tmp_path / "units.csv").write_text("unit,profile\nu1,own-6\n")
    assert cli("import", "units.csv", "--profile", path).code == 0
    names = [p["name"] for p in json.loads(cli("profile", "list", "--format", "json").out)]
    assert names == ["generic-6", "generic-8", "own-6"]
    shown = cli("profile", "show", "own-6")
    (tmp_path / "again.toml").write_text(shown.out)
    assert read_profile(tmp_path / "again.toml") == read_profile(path)


def test_units_of_several_own_profiles_come_in_one_file(cli, tmp_path):
    assert cli("profile", "new", "own-6", "--from", "generic-6").code == 0
    assert cli("profile", "new", "own-8", "--from", "generic-8").code == 0
    (tmp_path / "units.csv").write_text("unit,profile\nu1,own-6\nu2,own-8\n")
    refused = cli("import", "units.csv", "--profile", "own-8.toml")
    assert refused.code == 4
    assert "give your own with --profile" in refused.err
    taken = cli("import", "units.csv", "--profile", "own-6.toml", "--profile", "own-8.toml")
    assert taken.code == 0, taken.err
    names = [p["name"] for p in json.loads(cli("profile", "list", "--format", "json").out)]
    assert names == ["generic-6", "generic-8", "own-6", "own-8"]


def test_profile_check_lists_every_contradiction(cli, tmp_path):
    text = cli("profile", "show", "generic-6").out
    broken = text.replace('applies = "pack4"', 'applies = "pack9"').replace("lower = -200.0", "lower = 200.0")
    (tmp_path / "own.toml").write_text(broken)
    checked = cli("profile", "check", "own.toml", "--format", "json")
    assert checked.code == 4
    says = [row["says"] for row in json.loads(checked.out)]
    assert sum("pack9" in s for s in says) == 3
    assert any("lower (200)" in s for s in says)
    assert "cannot be used" in checked.error


def test_profile_show_table_names_the_shifts_that_apply_each_pack(cli):
    rows = rows_of(cli("profile", "show", "generic-6", "--format", "csv").out)
    assert next(r for r in rows if r["clutch"] == "pack3")["applied_in"] == "2-3, 4-5, 6-5, 4-3"


# --- import ------------------------------------------------------------------------------------------------


def test_import_takes_files_in_the_right_order_and_makes_the_store(cli, files, tmp_path):
    db = tmp_path / "new.duckdb"
    names = [files / f"{name}.csv" for name in ("events", "snapshots", "units")]
    done = cli("import", *names, "--format", "json", db=db)
    assert done.code == 0, done.err
    assert "made a new store" in done.err
    reports = json.loads(done.out)
    assert [r["kind"] for r in reports] == ["units", "snapshots", "events"]
    assert [r["new"] for r in reports] == [3, 3 * 12 * 25, 1]
    again = json.loads(cli("import", *names, "--format", "json", db=db).out)
    assert [(r["new"], r["same"], r["corrected"]) for r in again] == [(0, 3, 0), (0, 900, 0), (0, 1, 0)]


def test_a_dry_run_changes_nothing(cli, files, store, tmp_path):
    before = cli("event", "list", "--format", "csv", db=store).out
    (tmp_path / "more.csv").write_text("unit,happened_at,kind\nunit-02,2024-10-01,fluid\n")
    dry = cli("import", "more.csv", "--dry-run", db=store)
    assert dry.code == 0
    assert "nothing was changed" in dry.err
    assert cli("event", "list", "--format", "csv", db=store).out == before
    fresh = tmp_path / "none.duckdb"
    assert cli("import", files / "units.csv", "--dry-run", db=fresh).code == 0
    assert not fresh.exists()


def test_a_row_that_cannot_be_right_goes_to_quarantine(cli, store, tmp_path):
    (tmp_path / "more.csv").write_text(
        "unit,happened_at,kind\nunit-02,2024-10-01,fluid\nunit-99,2024-10-01,fluid\n"
    )
    taken = cli("import", "more.csv", db=store)
    assert taken.code == 3
    assert "line 3" in taken.err
    assert "unit-99" in taken.err
    listed = json.loads(cli("quarantine", "list", "--format", "json", db=store).out)
    assert len(listed) == 1
    assert listed[0]["line"] == 3
    assert listed[0]["file"] == "more.csv"
    assert "unit-99" in listed[0]["reason"]


def test_strict_refuses_the_file(cli, store, tmp_path):
    (tmp_path / "more.csv").write_text(
        "unit,happened_at,kind\nunit-02,2024-10-01,fluid\nunit-99,2024-10-01,fluid\n"
    )
    refused = cli("import", "more.csv", "--strict", db=store)
    assert refused.code == 3
    assert "more.csv" in refused.error
    assert len(json.loads(cli("event", "list", "--format", "json", db=store).out)) == 1


def test_a_refused_file_does_not_stop_the_others_and_four_beats_three(cli, store, tmp_path):
    (tmp_path / "bad.csv").write_text("colour,size\nred,3\n")
    (tmp_path / "some.csv").write_text(
        "unit,happened_at,kind\nunit-02,2024-10-01,fluid\nunit-99,2024-10-01,fluid\n"
    )
    done = cli("import", "bad.csv", "some.csv", "--format", "json", db=store)
    assert done.code == 4
    bad, some = json.loads(done.out)
    assert (bad["file"], some["file"]) == ("bad.csv", "some.csv")
    assert bad["refused"]
    assert (some["new"], some["quarantined"]) == (1, 1)


def test_a_wide_file_is_read_through_a_drafted_mapping(cli, store, tmp_path):
    wide = (
        "unit,date,odometer km,pack1 volume in3,1-2 apply normal psi\n"
        "unit-01,2025-12-20,130000,2.25,1.5\nunit-02,2025-12-20,180000,2.26,1.6\n"
    )
    (tmp_path / "wide.csv").write_text(wide)
    drafted = cli("mapping", "draft", "wide.csv", "--profile", "generic-6", "--out", "wide.toml", db=store)
    assert drafted.code == 0, drafted.err
    assert (tmp_path / "wide.toml").read_text().rstrip() == cli(
        "mapping", "draft", "wide.csv", db=store
    ).out.rstrip()
    assert cli("mapping", "draft", "wide.csv", "--out", "wide.toml", db=store).code == 2
    taken = cli("import", "wide.csv", "--mapping", "wide.toml", "--format", "json", db=store)
    assert taken.code == 0, taken.err
    assert json.loads(taken.out)[0]["new"] == 4
    assert cli("export", "out", "--what", "snapshots", "--as", "csv", db=store).code == 0
    read = pd.read_csv(tmp_path / "out" / "snapshots.csv")
    volume = read[(read["unit"] == "unit-01") & (read["channel"] == "pack1")]["value"].iloc[-1]
    assert volume == pytest.approx(2.25 * 16.387064, rel=1e-9)  # hand-solved: 1 in3 = 2.54^3 cm3


# --- events and settings -----------------------------------------------------------------------------------


def test_an_event_is_logged_and_listed(cli, store):
    added = cli(
        "event", "add", "unit-02", "load", "--on", "2025-03-14T09:20+01:00", "--amount", 3500,
        "--amount-unit", "lb", "--note", "new trailer", db=store,
    )  # fmt: skip
    assert added.code == 0, added.err
    id_ = added.out.strip()
    listed = rows_of(cli("event", "list", "--unit", "unit-02", "--format", "csv", db=store).out)
    assert list(listed[0]) == EVENT_COLUMNS
    assert (listed[0]["event_id"], listed[0]["kind"], listed[0]["note"]) == (id_, "load", "new trailer")
    assert listed[0]["happened_at"].startswith("2025-03-14T08:20")  # hand-solved: the store's zone is UTC
    assert len(rows_of(cli("event", "list", "--format", "csv", db=store).out)) == 2


def test_a_setting_is_changed_for_this_store(cli, store):
    changed = cli("settings", "set", "plan_km", "20000", db=store)
    assert (changed.code, changed.out) == (0, "plan_km = 20000 (km)\n")
    assert cli("settings", "set", "dates", "iso", db=store).out == "dates = iso\n"
    listed = {s["name"]: s for s in json.loads(cli("settings", "list", "--format", "json", db=store).out)}
    assert (listed["plan_km"]["value"], listed["plan_km"]["default"]) == (20000, 15000)
    assert "must be ordered" in cli("settings", "set", "plan_km", "90000", db=store).error


# --- assess, alerts, reports -------------------------------------------------------------------------------


def test_assess_gives_the_documented_json(cli, store, tmp_path):
    said = json.loads(cli("assess", "--as-of", "2025-12-31", db=store).out)
    assert (said["format"], said["version"], said["as_of"]) == ("driftwatch-assessment", 1, "2025-12-31")
    assert [u["unit"] for u in said["units"]] == ["unit-01", "unit-02", "unit-03"]
    assert {u["snapshots"] for u in said["units"]} == {12}
    one = json.loads(cli("assess", "--as-of", "2025-12-31", "--unit", "unit-02", db=store).out)
    assert one["units"] == [said["units"][1]]
    assert cli("assess", "--as-of", "2025-12-31", "--out", "a.json", db=store).code == 0
    assert json.loads((tmp_path / "a.json").read_text()) == said
    early = json.loads(cli("assess", "--as-of", "2024-04-01", db=store).out)
    assert {u["snapshots"] for u in early["units"]} == {2}
    assert {u["state"] for u in early["units"]} == {"too_few"}
    assert list(tmp_path.glob("*.tmp")) == []


def test_alerts_name_the_worn_pack_and_leave_with_ten_where_asked(cli, store):
    listed = cli("alerts", "--as-of", "2025-12-31", "--at-least", "watch", "--format", "json", db=store)
    assert listed.code == 0
    clutches = [(a["unit"], a["clutch"]) for a in json.loads(listed.out) if a["kind"] == "clutch"]
    assert ("unit-02", "pack3") in clutches
    assert {unit for unit, _ in clutches} == {"unit-02"}
    worn = cli("alerts", "--as-of", "2025-12-31", "--exit-code", db=store)
    assert worn.code == 10
    assert worn.out.splitlines()[0].split()[:3] == ["unit", "site", "urgency"]
    assert any(line.split()[0] == "unit-02" and "pack3" in line for line in worn.out.splitlines()[1:])
    header = cli("alerts", "--as-of", "2024-04-01", "--format", "csv", db=store).out.strip()
    assert header.startswith("unit,site,urgency,kind,clutch,by_when,due_p10,due_p50,due_p90,chance")
    none = cli("alerts", "--as-of", "2024-04-01", "--exit-code", db=store)
    assert none.code == 0


def test_alerts_do_not_call_well_what_could_not_be_judged(cli, store):
    # Read every 60 days from 8 January 2024, the log has one entry, and a judgement needs five snapshots.
    early = cli("alerts", "--as-of", "2020-01-01", db=store)
    assert (early.code, early.out) == (0, "")
    assert early.err.splitlines() == [
        "nothing can be said of any unit",
        "3 of 3 units could not be judged: 3 without a snapshot by 1 Jan 2020 (unit-01, unit-02 and unit-03)",
    ]
    few = cli("alerts", "--as-of", "2024-04-01", "--format", "json", db=store)
    assert json.loads(few.out) == []
    assert "3 of 3 units could not be judged: 3 with too few readings" in few.err
    unknown = cli("--known-at", "2020-01-01", "alerts", db=store)
    assert unknown.err.strip() == "nothing can be said: no unit was known by 1 Jan 2020"
    calm = cli("alerts", "--as-of", "2024-10-31", "--at-least", "due", db=store)
    assert calm.err.strip() == "nothing needs anyone now"
    old = cli("alerts", "--as-of", "2026-06-01", "--dates", "iso", db=store)
    assert "3 of 3 units not read for more than 75 days (unit-01, unit-02 and unit-03)" in old.err


def test_some_units_that_could_not_be_judged_are_named(cli, store, tmp_path):
    (tmp_path / "u.csv").write_text("unit,profile\nunit-09,generic-6\n")
    assert cli("import", "u.csv", db=store).code == 0
    some = cli("alerts", "--as-of", "2024-10-31", "--at-least", "due", db=store)
    assert some.err.splitlines() == [
        "nothing needs anyone now, of the units that could be judged",
        "1 of 4 units could not be judged: 1 without a snapshot by 31 Oct 2024 (unit-09)",
    ]


def test_followup_and_explain_as_of_an_earlier_day(cli, store, tmp_path):
    for command, name in (
        ("followup", "followup-unit-01-2024-09-10"),
        ("explain", "explain-unit-01-2024-09-10"),
    ):
        made = {}
        for day in ("2024-12-31", "2025-06-30"):
            done = cli(command, "unit-01", "--as-of", day, "--out", day, db=store)
            assert done.code == 0, done.err
            made[day] = (tmp_path / day / f"{name}.json").read_text("utf-8")
        assert made["2024-12-31"] != made["2025-06-30"]
        assert all(f'"as_of": "{day}"' in text for day, text in made.items())


def test_a_table_shows_whole_seconds_and_plain_days(cli, store):
    listed = cli("event", "list", db=store).out
    assert re.search(r"2024-09-10 +power", listed)
    told = cli("history", "unit-01", db=store).out + cli("migrations", db=store).out
    assert re.search(r"\d\d:\d\d:\d\d  ", told)
    assert not re.search(r"00:00:00|:\d\d\.\d|\dT\d", told + listed)
    kept = json.loads(cli("event", "list", "--format", "json", db=store).out)
    assert kept[0]["happened_at"] == "2024-09-10T00:00:00", "data stay as they are"


def test_reports_are_written_where_wanted(cli, store, tmp_path):
    written = cli("review", "--month", "2025-10", "--out", "month", db=store)
    assert written.code == 0, written.err
    assert {Path(p).suffix for p in written.out.split()} == {".html", ".csv", ".ics", ".json"}
    followed = cli("followup", "unit-01", "--since", "2024-09-10", "--out", "shop", db=store)
    assert followed.code == 0, followed.err
    explained = cli("explain", "unit-01", "--out", "owner", db=store)
    assert explained.code == 0, explained.err
    for text in (written.out, followed.out, explained.out):
        for path in text.split():
            assert (tmp_path / path).stat().st_size > 0
    page = next(p for p in followed.out.split() if p.endswith(".html"))
    assert "unit-01" in (tmp_path / page).read_text("utf-8")


def test_followup_and_explain_of_a_unit_without_log(cli, store):
    for command in ("followup", "explain"):
        refused = cli(command, "unit-03", db=store)
        assert refused.code == 2, command
        assert "unit-03" in refused.error
    assert cli("explain", "unit-03", "--on", "2024-09-10", db=store).code == 0


def test_a_store_with_little_in_it_is_no_error(cli, tmp_path):
    """Nothing at all; a unit without a snapshot; a single reading."""
    db = tmp_path / "bare.duckdb"
    assert cli("init", db=db).code == 0
    (tmp_path / "u.csv").write_text("unit,profile\nu1,generic-6\n")
    (tmp_path / "s.csv").write_text(
        "unit,taken_at,odometer_km,mode,channel,signal,value\nu1,2025-01-03,1000,normal,1-2,apply_trim,3\n"
    )
    commands = (
        ["assess", "--format", "csv"],
        ["alerts"],
        ["review", "--month", "2025-02", "--out", "r"],
        ["export", "e", "--as", "csv"],
        ["export", "e"],
        ["check"],
    )
    for file in ("", "u.csv", "s.csv"):
        if file:
            assert cli("import", file, db=db).code == 0
        for command in commands:
            done = cli(*command, db=db)
            assert done.code == 0, (file, command, done.err)
    for command in (["followup", "u1", "--since", "2025-01-01"], ["explain", "u1", "--on", "2025-01-01"]):
        assert cli(*command, db=db).code == 0, command


def test_exported_text_is_not_run_by_a_spreadsheet(cli, tmp_path):
    db = tmp_path / "odd.duckdb"
    (tmp_path / "u.csv").write_text("unit,profile\n=1+1,generic-6\n")
    (tmp_path / "s.csv").write_text(
        "unit,taken_at,odometer_km,mode,channel,signal,value\n=1+1,2025-01-03,1000,normal,1-2,apply_trim,3\n"
    )
    assert cli("import", "u.csv", "s.csv", db=db).code == 0
    assert cli("export", "e", "--as", "csv", db=db).code == 0
    for name in ("units", "snapshots", "fitted"):
        text = (tmp_path / "e" / f"{name}.csv").read_text()
        assert "'=1+1" in text, name


def test_export_writes_what_is_stored_and_what_is_fitted(cli, store, tmp_path):
    done = cli("export", "out", db=store)
    assert done.code == 0, done.err
    names = {Path(p).name for p in done.out.split()}
    assert names == {"fitted.parquet"} | {
        f"{n}.parquet"
        for n in (
            "units",
            "snapshots",
            "events",
            "files",
            "quarantine",
            "audit",
            "settings",
            "odometers",
            "profiles",
            "fitted",
        )
    }
    fitted = pd.read_parquet(tmp_path / "out" / "fitted.parquet")
    readings = pd.read_parquet(tmp_path / "out" / "snapshots.parquet")
    assert len(fitted) == len(readings) == 900
    # A fitted mean stays within a few spreads of the reading it belongs to.
    assert ((fitted["value"] - fitted["fitted"]).abs() <= 6 * fitted["noise_sd"]).mean() > 0.99


@pytest.mark.parametrize("form", ["csv", "parquet"])
def test_fitted_values_join_the_snapshots_they_belong_to(cli, store, tmp_path, form):
    # Read as any program reads them: every snapshot here has a day and no time.
    assert cli("export", "out", "--as", form, "--what", "snapshots", "--what", "fitted", db=store).code == 0
    read = pd.read_csv if form == "csv" else pd.read_parquet
    fitted, readings = (read(tmp_path / "out" / f"{name}.{form}") for name in ("fitted", "snapshots"))
    cell = ["unit", "taken_at", "odometer_km", "mode", "channel", "signal", "value", "value_unit"]
    assert len(fitted.merge(readings, on=cell, validate="one_to_one")) == len(readings)


def test_fitted_values_keep_their_types_where_there_is_none(cli, store, tmp_path):
    assert cli("export", "all", "--what", "fitted", db=store).code == 0
    assert cli("export", "none", "--what", "fitted", "--as-of", "2020-01-01", db=store).code == 0
    of_all, of_none = (pd.read_parquet(tmp_path / name / "fitted.parquet") for name in ("all", "none"))
    assert len(of_all) > len(of_none) == 0
    assert list(of_none.dtypes.items()) == list(of_all.dtypes.items())
