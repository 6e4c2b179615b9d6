"""The reference of commands is what the program says, and every command has an example."""

from __future__ import annotations

import shlex
from pathlib import Path

import pytest

from driftwatch.cli.app import app
from driftwatch.cli.reference import leaves, reference

PAGE = Path(__file__).parents[2] / "docs" / "commands.md"
CONTRACT = {
    "demo", "init", "check", "profile list", "profile show", "profile check", "profile new", "import",
    "mapping draft", "event add", "event list", "assess", "alerts", "review", "followup", "explain", "export",
    "backtest", "backup", "restore", "serve",
}  # fmt: skip


def test_the_page_is_what_the_program_says():
    assert PAGE.read_text("utf-8").rstrip("\n") == reference(app).rstrip("\n"), (
        "run `driftwatch command-reference > docs/commands.md`"
    )


def test_the_page_has_the_options_before_the_command():
    head = PAGE.read_text("utf-8").split("\n## ")[0]
    for option in ("--db PATH", "--wait [SECONDS]", "--by NAME", "--known-at DATE", "--version"):
        assert f"| `{option}` |" in head


def test_the_agreed_commands_are_there():
    names = {path.removeprefix("driftwatch ") for path in leaves(app)}
    assert names >= CONTRACT
    assert names - CONTRACT == {
        *("settings list", "settings set", "quarantine list", "quarantine fix", "quarantine drop"),
        *("unit profile", "unit list", "unit delete", "unit readmit", "unit odometer"),
        *("unit odometer-retract", "history"),
        *("migrations", "mapping check", "template", "event correct", "event retract"),
    }


@pytest.mark.parametrize("path", leaves(app))
def test_every_help_has_an_example_of_that_very_command(cli, path):
    words = path.split()[1:]
    shown = cli(*words, "--help")
    assert shown.code == 0
    example = shown.out.split("Example:")[1].split()
    assert example[0] == "driftwatch"
    assert " ".join(words) in " ".join(example)
    for line in shown.out.splitlines():
        assert len(line) <= 100


@pytest.mark.parametrize("path", leaves(app))
def test_every_option_in_an_example_exists(path):
    text = reference(app)
    section = text.split(f"## {path.removeprefix('driftwatch ')}\n")[1].split("\n## ")[0]
    example = section.split("Example: `")[1].split("`")[0]
    for word in shlex.split(example):
        if word.startswith("--") and word != "--db":
            assert f"`{word}" in section, word
