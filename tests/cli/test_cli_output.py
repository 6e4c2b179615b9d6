"""Progress shows on a terminal only; tables, CSV and JSON hold the same."""

from __future__ import annotations

import csv
import io
import json
import sys
from datetime import date

import numpy as np
import pytest

from driftwatch.cli import output
from driftwatch.cli.output import Format


class Terminal(io.StringIO):
    def isatty(self):
        return True


def test_no_progress_where_nobody_looks(monkeypatch):
    monkeypatch.setattr(sys, "stderr", io.StringIO())
    with output.progress() as show:
        assert show is None


def test_progress_on_a_terminal_goes_to_standard_error(monkeypatch, capsys):
    screen = Terminal()
    monkeypatch.setattr(sys, "stderr", screen)
    monkeypatch.setenv("TERM", "xterm")
    with output.progress() as show:
        show("assessing [bold]units", 1, 4)
        show("assessing [bold]units", 4, 4)
    assert "assessing [bold]units" in screen.getvalue()
    assert capsys.readouterr().out == ""


ROWS = [
    {"unit": "u,1", "km": 1234.5, "on": date(2026, 3, 14), "list": ["a", "b"], "hidden": 1},
    {"unit": "u\x1b[31m2", "km": np.nan, "on": None, "list": [], "hidden": None},
]
COLUMNS = ["unit", "km", "on", "list"]


def test_a_table_lines_up_and_shows_no_control_signs():
    first, second, third = output.table_text(ROWS, COLUMNS, Format.table).splitlines()
    assert first.split() == COLUMNS
    assert second.split() == ["u,1", "1234.5", "2026-03-14", "a,", "b"]
    assert "\x1b" not in third
    assert second.index("2026") == first.index("on")


def test_a_long_text_is_not_cut_where_there_is_no_terminal():
    text = output.table_text([{"reason": "x" * 3000}], ["reason"], Format.table)
    assert "x" * 3000 in text


def test_csv_and_json():
    rows = list(csv.reader(io.StringIO(output.table_text(ROWS, COLUMNS, Format.csv))))
    assert rows == [
        COLUMNS,
        ["u,1", "1234.5", "2026-03-14", "a, b"],
        ["u\x1b[31m2", "", "", ""],
    ]
    parsed = json.loads(output.table_text(ROWS, COLUMNS, Format.json))
    assert parsed[0]["hidden"] == 1
    assert parsed[1]["km"] is None


@pytest.mark.parametrize("form", list(Format))
def test_no_rows(form, capsys):
    output.table([], COLUMNS, form, empty="nothing")
    shown = capsys.readouterr()
    assert shown.out.strip() == {"table": "", "json": "[]", "csv": "unit,km,on,list"}[form.value]
    assert shown.err.strip() == ("nothing" if form is Format.table else "")
