"""The demo makes its files, its store and every report, and says what to open."""

from __future__ import annotations

import json
import re
import shlex
from pathlib import Path

import pytest

from driftwatch.api import open_store
from driftwatch.demo import take_demo
from driftwatch.simulate import scenario

README = (Path(__file__).parents[2] / "README.md").read_text("utf-8")
#: Enough of the invented fleet to have every report; the whole one is the same, only longer.
SOME = {scenario.FOLLOWUP_UNIT, scenario.OWNER_UNIT, "HL-07", "DT-01"}


def readme(words: str) -> list[str]:
    """Give a command of the README's list, without the name of the program."""
    (line,) = re.findall(rf"\| `driftwatch ({words} ?.*?)` \|", README)
    return shlex.split(line)


@pytest.fixture
def small_demo(monkeypatch):
    chosen = tuple(s for s in scenario.sketches() if s.unit in SOME)
    assert {s.unit for s in chosen} == SOME
    monkeypatch.setattr(scenario, "sketches", lambda: chosen)


def test_the_demo_is_whole(cli, tmp_path, small_demo):
    made = cli("demo", "my-demo")
    assert made.code == 0, made.err
    assert "invented" in made.out
    paths = [Path(line.strip()) for line in made.out.splitlines() if line.startswith("  ")]
    for path in paths:
        assert (tmp_path / path).stat().st_size > 0, path
    names = {p.name for p in paths}
    assert "driftwatch.duckdb" in names
    pages = {n.split("-")[0] for n in names if n.endswith(".html")}
    assert pages == {"review", "followup", "explain"}
    written = {p.relative_to(tmp_path) for p in (tmp_path / "my-demo" / "reports").iterdir()}
    assert written == {p for p in paths if "reports" in p.parts}, "every report is named"

    said = json.loads((tmp_path / "my-demo" / "reports" / "assessment.json").read_text())
    assert {u["unit"] for u in said["units"]} == SOME
    told = re.search(r"(\d+) units, (\d+) snapshots, (\d+) events", made.out)
    assert int(told[1]) == len(SOME)
    assert int(told[2]) == sum(u["snapshots"] for u in said["units"])

    then = made.out.strip().splitlines()[-1].removeprefix("Then try: driftwatch ").split()
    assert cli(*then).code == 0
    for word in ("followup", "explain"):
        again = cli(*readme(word), "--as-of", "2026-10-31", db=tmp_path / "my-demo" / "driftwatch.duckdb")
        assert again.code == 0, again.err
        page = next(Path(line) for line in again.out.splitlines() if line.endswith(".html"))
        shipped = tmp_path / "my-demo" / "reports" / page.name
        # As a table: page and JSON also say when they were made.
        assert (tmp_path / page).with_suffix(".csv").read_bytes() == shipped.with_suffix(".csv").read_bytes()

    wrong = json.loads(
        cli("quarantine", "list", "--format", "json", db=tmp_path / "my-demo" / "driftwatch.duckdb").out
    )
    assert f"({len(wrong)} rows" in made.out

    again = cli("demo", "my-demo")
    assert again.code == 2
    assert "there is a store already" in again.error


def test_the_everyday_commands_of_the_readme_work_on_the_demo(cli, tmp_path):
    """Those that say nothing of the fleet; the others cost an assessment of it, and are tried above."""
    files = scenario.write_demo(tmp_path / "files")
    db = tmp_path / "demo.duckdb"
    with open_store(db, create=True) as store:
        take_demo(store, files)
    for words in (
        "event add", "event list", "event correct", "quarantine list", "quarantine fix", "history", "backup",
        "settings set", "check",
    ):  # fmt: skip
        done = cli(*readme(words), db=db)
        assert done.code == 0, (words, done.err)
    log = json.loads(cli("event", "list", "--unit", "HL-03", "--format", "json", db=db).out)
    assert [(e["kind"], e["happened_at"][:10]) for e in log] == [
        ("power", "2026-08-21"),
        ("fluid", "2026-10-20"),
    ]


def test_the_demo_needs_a_folder(cli, tmp_path):
    (tmp_path / "file").write_text("x")
    assert "is a file" in cli("demo", "file").error
