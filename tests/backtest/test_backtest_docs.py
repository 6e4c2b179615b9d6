"""The page on the look back says what the program gives."""

from __future__ import annotations

import re
from dataclasses import fields
from datetime import date
from pathlib import Path

import pytest

from driftwatch.assessment.backtest.figures import MEANINGS
from driftwatch.assessment.backtest.observed import CONFIRMING
from driftwatch.assessment.backtest.recent import APART, MOST_UNITS, OLDEST
from driftwatch.assessment.backtest.results import TABLES, Backtest
from driftwatch.assessment.backtest.said import HORIZONS, LIKELY, SLACK_DAYS

PAGE = (Path(__file__).parents[2] / "docs" / "backtest.md").read_text("utf-8")


def rows(heading: str) -> list[tuple[str, str]]:
    section = PAGE.split(f"\n## {heading}\n")[1].split("\n## ")[0].split("\n### ")[0]
    return re.findall(r"(?m)^\| `(\w+)` \| (.+) \|$", section)


def test_every_figure_is_described_as_it_is():
    assert rows("Key figures") == list(MEANINGS.items())


def test_every_kind_of_rows_is_described():
    assert [name for name, _ in rows("The rows")] == list(TABLES)


@pytest.mark.parametrize("what", TABLES)
def test_every_column_is_described(what):
    section = PAGE.split(f"\n### {what}\n")[1].split("\n#")[0]
    told = [
        cell for row in re.findall(r"(?m)^\| (`.+?) \|", section) for cell in re.findall(r"`([\w.]+)`", row)
    ]
    empty = Backtest(
        date(2026, 1, 31), date(2026, 1, 31), date(2026, 2, 28), 1, (), (), 0, "", *((),) * 7, {}, 0.0, ()
    )
    assert sorted(told) == sorted(empty.to_frame(what).columns)


def test_every_key_of_the_whole_is_described():
    section = PAGE.split("## The rows")[1].split("### figures")[0]
    keys = {f.name for f in fields(Backtest)} | {"format", "version"}
    assert keys <= set(re.findall(r"`(\w+)`", section))


def test_the_numbers_on_the_page_are_those_of_the_modules():
    assert f"at least {CONFIRMING} readings" in PAGE
    assert f"{HORIZONS[0]}, {HORIZONS[1]} and {HORIZONS[2]} months on" in PAGE
    assert f"{SLACK_DAYS:g} days off at most" in PAGE
    assert f"said with {LIKELY:g} or more" in PAGE
    assert f"larger than {MOST_UNITS} units on {MOST_UNITS}" in PAGE
    assert OLDEST // APART == 4
    assert APART == 3
    assert "four month ends three months apart" in PAGE
