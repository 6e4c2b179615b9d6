"""Profiles on the page: copied, their limits put in and checked, units moved to them."""

from __future__ import annotations

import re
import tomllib
from dataclasses import replace

import pytest

import driftwatch
from driftwatch.profile.load import builtin, builtin_names
from driftwatch.web import profile_form
from tests.web.conftest import words


def copied(visit):
    visit.post("/profiles", name="mine", **{"from": "generic-6"})
    return profile_form.fields_of(visit.page.reader.facts()[0].profiles["mine"])


def test_profiles_are_listed_and_shown(reading):
    said = reading.text("/profiles")
    for name in builtin_names():
        assert name in said
        shown = reading.text("/profiles/view", name=name)
        for clutch in builtin(name).clutches:
            assert clutch.id in shown
        assert "Example limits." in shown
    file = reading.get("/profiles/file", name="generic-6")
    assert tomllib.loads(file.text)["name"] == "generic-6"
    assert file.headers["content-disposition"] == 'attachment; filename="generic-6.toml"'


def test_a_copy_is_changed_checked_and_kept(visit):
    fields = copied(visit)
    form = visit.get("/profiles/edit", name="mine").text
    assert 'name="service_limit_cm3 2" inputmode="decimal" value="36"' in form
    told = {**fields, "service_limit_cm3 2": "41,5", "limit_source": "manual, page 7", "illustrative": ""}
    said = words(visit.post("/profiles/edit?name=mine", **told, do="check").text)
    # Hand-solved: 24.0 cm3 + 0.1 x 120 cm2 x (2.70 - 1.70) mm = 36.0 cm3, as pack3's clearances say.
    assert "clutch pack3: service_limit_cm3 (41.5) is used, though the clearances would give 36 cm3" in said
    assert visit.page.reader.facts()[0].profiles["mine"].clutch("pack3").limit_cm3 == 36.0
    visit.post("/profiles/edit?name=mine", **told, do="keep")
    kept = visit.page.reader.facts()[0].profiles["mine"]
    assert (kept.clutch("pack3").limit_cm3, kept.limit_source, kept.illustrative) == (
        41.5,
        "manual, page 7",
        False,
    )


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        ({"service_limit_cm3 2": "20"}, "the service limit (20 cm3) must be above the new volume (24 cm3)"),
        ({"service_limit_cm3 2": "much"}, "pack3: Service limit, cm³: 'much' is not a number"),
        ({"service_limit_cm3 2": "-3"}, "greater than 0"),
        ({"applies 0": "pack5"}, "applies and releases the same pack"),
        ({"lower 1": "500", "upper 1": "-500"}, "must be below upper"),
    ],
)
def test_what_contradicts_itself_is_said_and_not_kept(visit, change, reason):
    fields = copied(visit)
    answer = visit.post("/profiles/edit?name=mine", 400, **{**fields, **change}, do="keep")
    assert reason in words(answer.text)
    key, text = next(iter(change.items()))
    shown = re.search(rf'name="{key}"[^>]*value="([^"]*)"', answer.text)
    assert shown is None or shown[1] == text
    assert profile_form.fields_of(visit.page.reader.facts()[0].profiles["mine"]) == fields


def test_a_form_that_is_sent_back_unchanged_is_the_same_profile():
    for name in builtin_names():
        profile = builtin(name)
        assert profile_form.profile_from(profile, profile_form.fields_of(profile)) == profile


@pytest.mark.parametrize(
    ("name", "reason"),
    [
        ("generic-6", "already"),
        ("../x", "must be letters"),
        ("", "must be letters"),
        ("a b", "must be letters"),
    ],
)
def test_a_name_that_cannot_be_is_refused(visit, name, reason):
    assert reason in words(visit.post("/profiles", 400, name=name, **{"from": "generic-6"}).text)


def test_a_built_in_profile_stays_as_it_is(visit):
    visit.get("/profiles/edit", 400, name="generic-6")
    visit.post("/profiles/edit?name=generic-6", 400, do="keep")
    visit.get("/profiles/view", 404, name="nobody")


def test_units_are_moved_to_a_profile_that_their_readings_fit(visit):
    copied(visit)
    assert "1 unit moved to profile mine." in words(
        visit.post("/profiles/move?name=mine", unit="unit-01").text
    )
    assert "2 units moved to profile mine." in words(
        visit.post("/profiles/move?name=mine", **{"from": "generic-6"}).text
    )
    with driftwatch.open(visit.page.settings.db, read_only=True) as store:
        assert set(store.units()["profile"]) == {"mine"}
        assert "unit corrected" in set(store.history("unit-01")["what"])
        assert store.check() == []
    visit.post("/profiles/move?name=mine", 400, unit="nobody")


def test_units_are_not_moved_where_their_readings_do_not_fit(visit):
    with driftwatch.open(visit.page.settings.db) as store:
        profile = store.profiles()["generic-6"]
        store.add_profile(replace(profile, name="two", modes=("normal", "low")))
    answer = visit.post("/profiles/move?name=two", 400, unit="unit-01")
    assert "there are readings in mode tow" in words(answer.text)
    with driftwatch.open(visit.page.settings.db, read_only=True) as store:
        assert set(store.units()["profile"]) == {"generic-6"}


def test_units_are_moved_to_what_seems_another_transmission_only_once_that_is_confirmed(visit):
    asked = visit.post("/profiles/move?name=generic-8", 400, unit="unit-01").text
    assert "seems to be another transmission: other packs work in" in words(asked)
    assert "It is right: move it all the same" in words(asked)
    with driftwatch.open(visit.page.settings.db, read_only=True) as store:
        assert set(store.units()["profile"]) == {"generic-6"}
    said = visit.post("/profiles/move?name=generic-8", unit="unit-01", anyway="yes").text
    assert "1 unit moved to profile generic-8." in words(said)
