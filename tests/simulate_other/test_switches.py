"""Each part of the program can be switched off for the scorecard, and is on again afterwards."""

from __future__ import annotations

from functools import lru_cache

import pytest

from driftwatch.assessment.assess import analyse
from driftwatch.settings import Settings
from driftwatch.store.records import Records
from tests.bench.fleets import other_world
from tests.bench.switches import SWITCHES, without

#: A fleet with something for each part: two causes in one visit, and enough logged to learn from.
UNITS = 8


@lru_cache(maxsize=1)
def records() -> Records:
    fleet = other_world("generic-6", UNITS, 5, "hard")
    return fleet.records(fleet.day_at(1.0))


@lru_cache(maxsize=1)
def whole() -> list[object]:
    return [a.assessment.to_dict() for a in analyse(records(), Settings())]


@pytest.mark.parametrize("part", SWITCHES)
def test_a_part_switched_off_changes_what_is_said_and_is_on_again_afterwards(part):
    before = whole()
    said = [unit.to_dict() for unit in without(part)(records())]
    assert len(said) == UNITS
    assert said != before
    assert [a.assessment.to_dict() for a in analyse(records(), Settings())] == before
