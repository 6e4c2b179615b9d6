"""Many units on all processors: the same answers as one after the other."""

from __future__ import annotations

import pytest

from driftwatch.assessment import processes
from driftwatch.assessment.assess import analyse
from driftwatch.settings import Settings
from tests.assessment.units import quiet_records


@pytest.fixture
def two_processors(monkeypatch):
    monkeypatch.setattr(processes, "_processors", lambda: 2)
    monkeypatch.setattr(processes, "LEAST_UNITS", 2)


def test_processes_change_nothing_that_is_said(two_processors, monkeypatch):
    told: list[int] = []
    records = quiet_records()
    shared = analyse(records, Settings(), progress=lambda what, done, of: told.append(done))
    monkeypatch.setattr(processes, "_processors", lambda: 1)
    alone = analyse(records, Settings())
    assert [a.assessment.to_dict() for a in shared] == [a.assessment.to_dict() for a in alone]
    assert [a.panel.unit for a in shared] == list(records.units["unit"])
    assert told == list(range(1, len(shared) + 1))
