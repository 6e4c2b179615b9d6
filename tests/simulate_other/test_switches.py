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
#: Of a few units it is seen as well whether a part is on again.
FEW = 2


@lru_cache(maxsize=2)
def records(units: int) -> Records:
    fleet = other_world("generic-6", units, 5, "hard")
    return fleet.records(fleet.day_at(1.0))


def said(units: int) -> list[object]:
    return [a.assessment.to_dict() for a in analyse(records(units), Settings())]


@lru_cache(maxsize=2)
def before(units: int) -> list[object]:
    """Say it once, with every part on."""
    return said(units)


@pytest.mark.parametrize("part", SWITCHES)
def test_a_part_switched_off_changes_what_is_said_and_is_on_again_afterwards(part):
    with_all, few = before(UNITS), before(FEW)
    without_it = [unit.to_dict() for unit in without(part)(records(UNITS))]
    assert len(without_it) == UNITS
    assert without_it != with_all
    assert said(FEW) == few
