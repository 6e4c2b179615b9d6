"""Whatever is wrong: one line on standard error, the right exit code, no traceback, nothing half done."""

from __future__ import annotations

import os
import subprocess
import sys
import time

import duckdb
import openpyxl
import pytest

UNITS = "unit,profile\n"
EVENTS = "unit,happened_at,kind\n"
SNAPSHOTS = "unit,taken_at,odometer_km,mode,channel,signal,value\n"
GOOD = "unit-01,2025-12-20,140000,normal,1-2,apply_trim,5\n"


@pytest.mark.parametrize(
    ("args", "words"),
    [
        (["no-such-command"], "no such command"),
        (["assess", "--no-such-option"], "no such option"),
        (["assess", "--as-of", "14.3.2026"], "is not a day"),
        (["assess", "--as-of", "2026-02-30"], "is not a day"),
        (["assess", "--format", "yaml"], "yaml"),
        (["assess", "--unit", "unit-77"], "no unit 'unit-77' - `driftwatch unit list` lists them"),
        (["history", "lorry"], "no unit 'lorry' - `driftwatch unit list` lists them"),
        (["alerts", "--at-least", "soon"], "soon"),
        (["review"], "--month"),
        (["review", "--month", "2025-13"], "is not a month"),
        (["review", "--month", "March"], "is not a month"),
        (["review", "--month", "2999-01"], "has not begun"),
        (["followup", "unit-77"], "unit-77"),
        (["followup", "unit-01", "--since", "2025-1-1"], "is not a day"),
        (["followup", "unit-01", "--since", "no-such-event"], "no-such-event"),
        (["assess", "--as-of", "2999-01-01"], "2999-01-01 is in the future - give a day that has been"),
        (["alerts", "--as-of", "2999-01-01"], "is in the future"),
        (["backtest", "--as-of", "2999-01-01"], "is in the future"),
        (["export", "out", "--as-of", "2999-01-01"], "is in the future"),
        (["followup", "unit-01", "--as-of", "2999-01-01"], "is in the future"),
        (["explain", "unit-01", "--as-of", "2999-01-01"], "is in the future"),
        (["--known-at", "2999-01-01", "alerts"], "is in the future"),
        (["followup", "unit-01", "--since", "2024-09-10", "--as-of", "2024-09-01"], "later --as-of"),
        (["followup", "unit-01", "--since", "0001-01-01"], "is not a day"),
        (["followup", "unit-01", "--since", "2999-01-01"], "future"),
        (["explain", "unit-01", "--on", "2999-01-01"], "future"),
        (["explain", "unit-01", "--event", "1", "--on", "2025-01-01"], "twice"),
        (["explain", "unit-01", "--event", "no-such-event"], "no-such-event"),
        (["explain", "unit-02", "--event", "E0001"], "E0001 is logged for unit unit-01, not for unit-02"),
        (["followup", "unit-02", "--since", "E0001"], "E0001 is logged for unit unit-01, not for unit-02"),
        (["explain", "unit-01", "--event", "E0001", "--as-of", "2024-09-01"], "later --as-of"),
        (["explain", "unit-02"], "--on of `explain`"),
        (["explain", "unit-01", "--on", "soon"], "is not a day"),
        (["export", "out", "--what", "snapshoots"], "no 'snapshoots'"),
        (["event", "add", "unit-01", "power", "--on", "2999-01-01"], "future - give a day that has been"),
        (["event", "add", "unit-01", "power", "--on", "tomorrow"], "is not a day or time"),
        (["event", "add", "unit-01", "tune", "--on", "2025-01-01"], "repair, other - give one of these"),
        (["event", "add", "unit-77", "power", "--on", "2025-01-01"], "unit-77"),
        (["event", "add", "unit-01", "power", "--on", "2025-01-01", "--amount", "much"], "much"),
        (
            [
                "event",
                "add",
                "unit-01",
                "load",
                "--on",
                "2025-01-01",
                "--amount",
                "5",
                "--amount-unit",
                "psi",
            ],
            "psi - give power in N.m, lb.ft or %, and load in kg, lb or %",
        ),
        (["event", "correct", "E0001", "--on", "2999-01-01"], "future - give a day that has been"),
        (["event", "list", "--unit", "unit-77"], "unit-77"),
        (["settings", "set", "plan", "5"], "no setting 'plan'"),
        (
            ["settings", "set", "plan_km", "far"],
            "wants a number, not 'far' - give one from 1 to 1000000 (km)",
        ),
        (["settings", "set", "least_snapshots", "3.7"], "wants a whole number, not '3.7'"),
        (["settings", "set", "plan_km", "-3"], "between 1 and 1000000 (km), not -3"),
        (["settings", "set", "plan_km", "nan"], "plan_km"),
        (["profile", "show", "generic-9"], "no profile 'generic-9'"),
        (["profile", "new", "own", "--from", "generic-9"], "no built-in profile"),
        (["import"], "missing argument"),
        (["import", "x.csv", "--as", "readings"], "'--as': 'readings' is not one of"),
        (["backtest", "--every", "0"], "'--every': must be 1 or more - see"),
        (["backtest", "--every", "often"], "'--every': must be a whole number - see"),
        (["serve", "--port", "70000"], "'--port': must be 65535 or less - see"),
        (["--wait=long", "alerts"], "'--wait': must be a number - see"),
        (["mapping"], "missing command"),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, list) else "",
)
def test_wrong_calls_leave_with_two(cli, store, args, words):
    refused = cli(*args, db=store)
    assert refused.code == 2, refused
    assert words in refused.error
    assert refused.out == ""


@pytest.mark.parametrize(
    "command",
    [
        ["check"],
        ["assess"],
        ["alerts"],
        ["review", "--month", "2025-10"],
        ["followup", "u"],
        ["explain", "u"],
        ["export", "out"],
        ["event", "list"],
        ["event", "add", "u", "power", "--on", "2025-01-01"],
        ["quarantine", "list"],
        ["settings", "list"],
        ["settings", "set", "plan_km", "1"],
    ],
    ids=" ".join,
)
def test_without_a_store_reading_commands_leave_with_five_and_make_none(cli, tmp_path, command):
    refused = cli(*command)
    assert refused.code == 5
    assert "there is no store" in refused.error
    assert not (tmp_path / "driftwatch.duckdb").exists()
    assert not (tmp_path / "out").exists()


def test_an_import_that_takes_nothing_makes_no_store(cli, tmp_path):
    refused = cli("import", "none.csv", "neither.csv")
    assert refused.code == 4
    assert len(refused.err.strip().splitlines()) == 2
    assert list(tmp_path.iterdir()) == []


def refused_file(cli, store, name, words, *more):
    refused = cli("import", name, *more, db=store)
    assert refused.code == 4, refused
    assert words in refused.error
    assert str(name).rsplit("/", 1)[-1] in refused.error
    assert refused.out == ""


def test_files_that_cannot_be_understood_leave_with_four(cli, store, tmp_path):
    refused_file(cli, store, "none.csv", "no such file")
    (tmp_path / "empty.csv").write_text("")
    refused_file(cli, store, "empty.csv", "empty")
    (tmp_path / "folder.csv").mkdir()
    refused_file(cli, store, "folder.csv", "folder")
    (tmp_path / "fake.xlsx").write_text("not a workbook")
    refused_file(cli, store, "fake.xlsx", "not")
    (tmp_path / "fake.parquet").write_bytes(b"PAR0" * 10)
    refused_file(cli, store, "fake.parquet", "not")
    (tmp_path / "picture.csv").write_bytes(bytes(range(256)) * 40)
    refused_file(cli, store, "picture.csv", "")
    (tmp_path / "near.csv").write_text("unit,taken_at,odometer_km,mode,chanel,signal,value\n" + GOOD)
    refused_file(cli, store, "near.csv", "chanel")
    (tmp_path / "u.csv").write_text(UNITS + "u9,generic-9\n")
    assert cli("import", "u.csv", db=store).code in (3, 4)
    (tmp_path / "own.toml").write_text("name = 'x'")
    bad_profile = cli("import", "near.csv", "--profile", "own.toml", db=store)
    assert (bad_profile.code, "own.toml" in bad_profile.error) == (4, True)
    bad_mapping = cli("import", "near.csv", "--mapping", "none.toml", db=store)
    assert (bad_mapping.code, "none.toml" in bad_mapping.error) == (4, True)


@pytest.mark.parametrize(
    ("row", "words"),
    [
        ("unit-99,2025-12-20,140000,normal,1-2,apply_trim,5", "unit-99"),
        ("unit-01,2025-12-20,140000,normal,1-7,apply_trim,5", "1-7"),
        ("unit-01,2025-12-20,140000,normal,1-2,aply_trim,5", "aply_trim"),
        ("unit-01,2025-12-20,140000,normal,1-2,apply_trim,five", "five"),
        ("unit-01,2999-12-20,140000,normal,1-2,apply_trim,5", "future"),
        ("unit-01,20.12.2025,140000,normal,1-2,apply_trim,5", "20.12.2025"),
        ("unit-01,2025-12-20,100,normal,1-2,apply_trim,5", "odometer"),
        ("unit-01,2025-12-20,140000,sport,1-2,apply_trim,5", "sport"),
        ("unit-01,2025-12-20,140000,,pack1,clutch_volume,-4", "clutch_volume"),
    ],
)
def test_rows_that_cannot_be_right_are_named_with_their_line(cli, store, tmp_path, row, words):
    (tmp_path / "more.csv").write_text(SNAPSHOTS + GOOD + row + "\n")
    taken = cli("import", "more.csv", db=store)
    assert taken.code == 3, taken
    assert "more.csv: line 3: " in taken.err
    assert words in taken.err


def test_an_unknown_unit_of_measure_is_named(cli, store, tmp_path):
    (tmp_path / "more.csv").write_text(
        "unit,taken_at,odometer_km,mode,channel,signal,value,value_unit\n"
        "unit-01,2025-12-20,140000,normal,1-2,apply_trim,5,furlong\n"
    )
    taken = cli("import", "more.csv", db=store)
    assert taken.code == 3
    assert "furlong" in taken.err


def test_a_workbook_for_a_store_and_a_store_that_is_no_store(cli, tmp_path):
    (tmp_path / "text.duckdb").write_text("this is not a store, whatever its name says" * 500)
    openpyxl.Workbook().save(tmp_path / "book.duckdb")
    (tmp_path / "nothing.duckdb").write_bytes(b"")
    (tmp_path / "folder.duckdb").mkdir()
    (tmp_path / "table.csv").write_text(UNITS + "u1,generic-6\n")  # which the engine would read as a database
    for name in ("text.duckdb", "book.duckdb", "nothing.duckdb", "folder.duckdb", "table.csv"):
        refused = cli("assess", db=tmp_path / name)
        assert refused.code == 5, name
        assert name in refused.error
        assert "not a store" in refused.error


def test_what_cannot_be_brought_back_is_told_of_the_copy(cli, store, tmp_path):
    (tmp_path / "table.csv").write_text(UNITS + "u1,generic-6\n")
    (tmp_path / "text.duckdb").write_text("this is not a store, whatever its name says" * 500)
    for name, words in (
        ("none.duckdb", "there is no such copy - give one that `driftwatch backup` made"),
        ("table.csv", "this is not a store, or it is damaged - use another copy"),
        ("text.duckdb", "this is not a store, or it is damaged - use another copy"),
    ):
        refused = cli("restore", name, "--replace", db=store)
        assert (refused.code, refused.error) == (5, f"driftwatch: {name}: {words}")


def test_a_foreign_database_is_no_store(cli, tmp_path):
    with duckdb.connect(str(tmp_path / "other.duckdb")) as con:
        con.execute("CREATE TABLE t (a INTEGER)")
    refused = cli("assess", db=tmp_path / "other.duckdb")
    assert refused.code == 5
    assert "other.duckdb" in refused.error


def test_output_places_that_cannot_be(cli, store, tmp_path):
    (tmp_path / "file").write_text("x")
    for args in (
        ["review", "--month", "2025-10", "--out", "file"],
        ["review", "--month", "2025-10", "--out", "file/below"],
        ["export", "file"],
        ["assess", "--out", "no/such/folder/a.json"],
        ["assess", "--out", "."],
        ["profile", "new", "own", "--out", "no/such/folder/own.toml"],
    ):
        refused = cli(*args, db=store)
        assert refused.code == 2, args
        assert refused.error
    assert (tmp_path / "file").read_text() == "x"


def test_terminal_control_in_data_is_not_passed_on(cli, store, tmp_path):
    (tmp_path / "more.csv").write_text(EVENTS + "unit-\x1b[2J01,2025-10-01,fluid\n")
    taken = cli("import", "more.csv", db=store)
    assert "\x1b" not in taken.err + taken.out
    refused = cli("assess", "--unit", "\x1b[2Jx", db=store)
    assert "\x1b" not in refused.error


# --- in a process of its own -------------------------------------------------------------------------------


def process(*args, cwd, db=None, limit=None, **kwargs):
    code = "import sys; from driftwatch.cli import main; main(sys.argv[1:])"
    if limit is not None:
        code = f"import resource; resource.setrlimit(resource.RLIMIT_FSIZE, ({limit}, {limit})); " + code
    front = [] if db is None else ["--db", str(db)]
    env = {k: v for k, v in os.environ.items() if not k.startswith("DRIFTWATCH")}
    return subprocess.Popen(
        [sys.executable, "-c", code, *front, *map(str, args)],
        cwd=cwd,
        env=env,
        stdout=kwargs.pop("stdout", subprocess.PIPE),
        stderr=subprocess.PIPE,
        text=True,
        **kwargs,
    )


def finished(running) -> tuple[int, str, str]:
    out, err = running.communicate(timeout=60)
    assert "Traceback" not in err
    return running.returncode, out or "", err


def test_python_m_driftwatch(tmp_path):
    done = subprocess.run(
        [sys.executable, "-m", "driftwatch", "--version"],
        capture_output=True,
        text=True,
        cwd=tmp_path,
        check=True,
    )
    assert done.stdout.startswith("driftwatch 0.")


def test_a_store_in_use_leaves_with_five(store, tmp_path):
    with duckdb.connect(str(store)):
        code, _, err = finished(process("assess", cwd=tmp_path, db=store))
    assert code == 5
    assert "another process has the store open" in err
    assert len(err.strip().splitlines()) == 1


def test_a_newer_store_leaves_with_five(cli, store):
    from driftwatch.store import migrate

    with duckdb.connect(str(store)) as con:
        table = next(
            name
            for (name,) in con.execute("SELECT table_name FROM duckdb_tables()").fetchall()
            if "migration" in name or "version" in name
        )
        columns = [c[0] for c in con.execute(f"DESCRIBE {table}").fetchall()]
        number = len(migrate.known()) + 5
        con.execute(f"CREATE TEMP TABLE last AS SELECT * FROM {table} ORDER BY {columns[0]} DESC LIMIT 1")
        con.execute(f"UPDATE last SET {columns[0]} = {number}")
        con.execute(f"INSERT INTO {table} SELECT * FROM last")
    refused = cli("assess", db=store)
    assert refused.code == 5
    assert "knows only up to" in refused.error


def test_a_full_disk_leaves_with_five_and_the_store_as_it_was(store, files, tmp_path):
    lines = [f"unit-01,2025-12-{d:02d},14{d:02d}00,normal,{s},apply_trim,{v}" for d in range(5, 29)
             for s in ("1-2", "2-3", "3-4") for v in (7,)]  # fmt: skip
    (tmp_path / "more.csv").write_text(SNAPSHOTS + "\n".join(lines) + "\n")
    before = store.read_bytes()
    code, _, err = finished(process("import", "more.csv", cwd=tmp_path, db=store, limit=4096))
    assert code == 5, err
    assert err.strip().splitlines()[-1].startswith("driftwatch: ")
    after = finished(process("event", "list", "--format", "csv", cwd=tmp_path, db=store))
    assert after[0] == 0
    assert store.read_bytes()[:4096] == before[:4096]
    code, _, err = finished(
        process("export", "o", "--what", "snapshots", "--as", "csv", cwd=tmp_path, db=store, limit=4096)
    )
    assert code == 5, err
    assert len(err.strip().splitlines()) == 1


def test_a_reader_that_leaves_early_is_no_error(store, tmp_path):
    running = process("event", "list", "--format", "json", cwd=tmp_path, db=store)
    running.stdout.close()
    running.stdout = None
    code, _, err = finished(running)
    assert (code, err) == (0, "")


def test_a_terminal_that_lacks_a_sign_ends_nothing(tmp_path):
    env = {**os.environ, "PYTHONIOENCODING": "ascii"}
    done = subprocess.run(
        [sys.executable, "-m", "driftwatch", "--db", "none-\u00e9\u4e2d.duckdb", "assess"],
        capture_output=True, text=True, cwd=tmp_path, env=env,
    )  # fmt: skip
    assert done.returncode == 5
    assert done.stderr.startswith("driftwatch: none-\\xe9\\u4e2d.duckdb: there is no store")


def test_an_interrupt_is_one_line(store, tmp_path):
    script = (
        "import driftwatch.api as api, sys\n"
        "def wait(*a, **k):\n"
        "    raise KeyboardInterrupt\n"
        "api.Store.assess = wait\n"
        "from driftwatch.cli import main\n"
        "main(sys.argv[1:])\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", script, "--db", str(store), "assess"],
        capture_output=True,
        text=True,
        cwd=tmp_path,
    )
    assert done.returncode == 130
    assert done.stderr.strip() == "driftwatch: stopped; whatever was not finished has not been kept"


def test_a_fault_of_the_program_is_one_line_too(cli, store, monkeypatch):
    from driftwatch.api import Store

    def fault(*args, **kwargs):
        raise RuntimeError("first line\nsecond line")

    monkeypatch.setattr(Store, "assess", fault)
    broken = cli("assess", db=store)
    assert broken.code == 1
    assert broken.err.count("\n") == 1
    assert "RuntimeError: first line" in broken.err
    monkeypatch.setenv("DRIFTWATCH_DEBUG", "1")
    assert "Traceback" in cli("assess", db=store).err


def test_help_is_quick_and_loads_nothing_heavy(tmp_path):
    script = (
        "import sys\n"
        "from driftwatch.cli.main import run\n"
        "run(['--help']); run(['import', '--help'])\n"
        "heavy = {'pandas', 'duckdb', 'statsmodels', 'sklearn', 'scipy', 'plotly', 'pint', 'numpy'}\n"
        "print(sorted(heavy & set(sys.modules)), file=sys.stderr)\n"
    )
    start = time.monotonic()
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, cwd=tmp_path, check=True
    )
    assert done.stderr.strip() == "[]"
    assert time.monotonic() - start < 10
