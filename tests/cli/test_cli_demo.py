"""The demo makes its files, its store and every report, and says what to open."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from driftwatch.simulate import scenario

#: Enough of the invented fleet to have every report; the whole one is the same, only longer.
SOME = {scenario.FOLLOWUP_UNIT, scenario.OWNER_UNIT, "HL-07", "DT-01"}


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
    wrong = json.loads(
        cli("quarantine", "list", "--format", "json", db=tmp_path / "my-demo" / "driftwatch.duckdb").out
    )
    assert f"({len(wrong)} rows" in made.out

    again = cli("demo", "my-demo")
    assert again.code == 2
    assert "there is a store already" in again.error


def test_the_demo_needs_a_folder(cli, tmp_path):
    (tmp_path / "file").write_text("x")
    assert "is a file" in cli("demo", "file").error
