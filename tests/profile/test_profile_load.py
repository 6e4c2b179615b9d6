"""Profiles read from TOML and written back; every refusal is one line naming file and key."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from driftwatch.errors import ProfileError, UnknownName
from driftwatch.profile.load import (
    builtin,
    builtin_names,
    builtin_text,
    parse_profile,
    read_profile,
    to_toml,
)
from driftwatch.profile.model import Signal

SMALL = """
name = "small"
modes = ["normal"]
[[clutch]]
id = "A"
new_volume_cm3 = 20
piston_area_cm2 = 120.0
new_clearance_mm = 1.5
limit_clearance_mm = 2.5
[[clutch]]
id = "B"
[[shift]]
id = "1-2"
applies = "A"
releases = "B"
[signal.clutch_volume]
unit = "cc"
[signal.apply_trim]
unit = "PSI"
lower = -30
upper = 30.0
[signal.fill_time]
unit = "ms"
on = "pack"
"""


def refused(text: str) -> str:
    with pytest.raises(ProfileError) as error:
        parse_profile(text, "own.toml")
    line = str(error.value)
    assert line.startswith("own.toml: ")
    assert "\n" not in line
    assert error.value.exit_code == 4
    return line


def test_a_small_profile_is_read_with_defaults():
    profile = parse_profile(SMALL, "own.toml")
    assert (profile.name, profile.title, profile.modes) == ("small", "small", ("normal",))
    assert profile.clutch("A").limit_cm3 == pytest.approx(32.0)  # hand-solved: 20 + 120 cm2 x 1.00 mm
    assert profile.clutch("B").limit_cm3 is None
    assert profile.signal("clutch_volume").unit == "cm3"
    assert profile.signal("apply_trim") == Signal("apply_trim", "psi", -30.0, 30.0, None)
    assert profile.signal("fill_time").per_pack
    assert not profile.signal("apply_trim").per_pack
    assert not profile.illustrative
    assert "does not say where its limits come from" in profile.limit_source


def test_builtin_names_and_unknown_ones():
    assert builtin_names() == ["generic-6", "generic-8"]
    with pytest.raises(UnknownName, match="generic-6, generic-8"):
        builtin("generic-9")


@pytest.mark.parametrize("name", ["generic-6", "generic-8"])
def test_builtin_text_tells_the_user_to_put_in_their_own_limits(name):
    comments = " ".join(line.strip("# ") for line in builtin_text(name).splitlines() if line.startswith("#"))
    assert "ILLUSTRATIVE" in comments
    assert "service literature" in comments


@pytest.mark.parametrize("text", [builtin_text("generic-6"), builtin_text("generic-8"), SMALL])
def test_what_is_written_is_read_back_the_same(text):
    profile = parse_profile(text)
    assert parse_profile(to_toml(profile)) == profile


@given(st.text(max_size=60))
def test_any_title_survives_the_way_out_and_back(title):
    profile = replace(parse_profile(SMALL), title=title or "t", note=title)
    assert parse_profile(to_toml(profile)) == profile


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('name = "small"', "", "key name is missing"),
        ('name = "small"', 'name = "a b/c"', "key name is 'a b/c', but must be letters"),
        ('name = "small"', 'name = "small"\ntitel = "x"', "key titel is not known, did you mean 'title'?"),
        ("new_volume_cm3 = 20", "new_volum_cm3 = 20", "clutch[1].new_volum_cm3 is not known, did you mean"),
        ("new_volume_cm3 = 20", 'new_volume_cm3 = "20"', "key clutch[1].new_volume_cm3"),
        ("new_volume_cm3 = 20", "new_volume_cm3 = true", "key clutch[1].new_volume_cm3"),
        ("new_volume_cm3 = 20", "new_volume_cm3 = -1", "key clutch[1].new_volume_cm3"),
        ("new_volume_cm3 = 20", "new_volume_cm3 = nan", "key clutch[1].new_volume_cm3"),
        ("new_volume_cm3 = 20", "new_volume_cm3 = inf", "key clutch[1].new_volume_cm3"),
        ('id = "1-2"', 'id = "first"', "key shift[1].id is 'first', but must be"),
        ('releases = "B"', "", "key shift[1].releases is missing"),
        ('releases = "B"', 'releases = "C"', "releases 'C', which is not a clutch"),
        ('modes = ["normal"]', "modes = []", "key modes must list at least 1"),
        ('modes = ["normal"]', 'modes = "normal"', "key modes"),
        ('unit = "ms"', "", "key signal.fill_time.unit is missing"),
        ('unit = "ms"', 'unit = "furlong"', "unit 'furlong' is not known"),
        ('on = "pack"', 'on = "gear"', "key signal.fill_time.on"),
        ("[signal.fill_time]", "[signal.Fill-Time]", "small letters"),
        ("upper = 30.0", "upper = -40.0", "lower (-30) must be below upper (-40)"),
        ("[[shift]]", "[[shift", "not TOML"),
    ],
)
def test_each_slip_is_named_with_its_key(old, new, words):
    assert old in SMALL
    assert words in refused(SMALL.replace(old, new, 1))


def test_other_kinds_of_text_are_refused():
    refused("")
    refused("unit,taken_at\n1,2\n")
    refused("a = " + "[" * 5000)
    assert "(and " in refused('name = "x"')


def test_files_that_are_no_profile(tmp_path):
    for path, words in [
        (tmp_path, "is a folder"),
        (tmp_path / "none.toml", "there is no such file"),
        (tmp_path / "latin.toml", "is not UTF-8"),
        (tmp_path / "big.toml", "far too large"),
    ]:
        if path.name == "latin.toml":
            path.write_bytes(b"title = '\xe9'")
        if path.name == "big.toml":
            path.write_bytes(b"#" * 1_000_001)
        with pytest.raises(ProfileError, match=words) as error:
            read_profile(path)
        assert str(path) in str(error.value)


def test_a_byte_order_mark_does_no_harm(tmp_path):
    path = tmp_path / "own.toml"
    path.write_bytes(b"\xef\xbb\xbf" + SMALL.encode())
    assert read_profile(path).name == "small"


@given(st.text(max_size=200))
def test_any_text_is_a_profile_or_one_line(text):
    assert refused(text)
