"""The page on profiles names every key, every built-in profile and every unit of measure."""

from __future__ import annotations

import re
from dataclasses import fields
from pathlib import Path

import pytest

from driftwatch.profile.load import builtin_names, parse_profile
from driftwatch.profile.model import Clutch, Profile, Shift, Signal
from driftwatch.quantities import UNITS, unit_name

PAGE = (Path(__file__).parents[2] / "docs" / "profiles.md").read_text("utf-8")


def keys_in(section: str) -> set[str]:
    cells = re.findall(r"^\| (`\w+`(?:, `\w+`)*) \|", section, re.M)
    return {key for cell in cells for key in re.findall(r"`(\w+)`", cell)}


def test_every_key_is_documented_and_no_other():
    keys = PAGE.split("## The file")[1].split("## What is checked")[0]
    top, clutch, shift, signal = re.split(r"\n`\[+(?:clutch|shift|signal.NAME)\]+`", keys)
    assert keys_in(top) == {f.name for f in fields(Profile)} - {"clutches", "shifts", "signals"}
    assert keys_in(clutch) == {f.name for f in fields(Clutch)}
    assert keys_in(shift) == {f.name for f in fields(Shift)}
    assert keys_in(signal) == {f.name for f in fields(Signal)} - {"name"}


def test_the_example_is_a_profile():
    example = re.search(r"```toml\n(.*?)```", PAGE, re.S)[1]
    assert parse_profile(example).clutch("pack2").limit_cm3 == pytest.approx(
        43.6
    )  # hand-solved: 31 + 140 x 0.09


def test_every_builtin_profile_is_named():
    assert set(re.findall(r"`(generic-\d+)`", PAGE)) == set(builtin_names())


def test_every_unit_of_measure_is_listed():
    listed = re.findall(r"`([^`]+)`", PAGE.split("## Units of measure")[1])
    assert set(UNITS) <= set(listed)
    for text in listed:
        unit_name(text)
