"""Each part of the program can be switched off for the scorecard, and is on again afterwards."""

from __future__ import annotations

from functools import lru_cache

import pytest

from driftwatch.assessment.assess import analyse
from driftwatch.settings import Settings
from driftwatch.store.records import Records
from tests.bench.fleets import own_world
from tests.bench.switches import SWITCHES, without

UNITS = 4


@lru_cache(maxsize=1)
def records() -> Records:
    fleet = own_world("generic-6", UNITS, 5, "usual")
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
