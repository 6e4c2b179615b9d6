"""What a fleet's quantities are learned from: everything, or the oldest part of a large fleet."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from driftwatch.panel import basis
from driftwatch.panel.build import panels
from driftwatch.panel.fingerprint import fingerprint
from tests.panel.by_hand import cell, records, time_of


def fleet(count: int):
    return panels(records(cell(np.arange(float(count)) % 7), count))


def test_a_small_fleet_is_taken_whole():
    made = fleet(12)
    assert basis.basis(made) == made


@pytest.mark.parametrize(
    ("count", "taken"), [(2000, 2000), (2199, 2000), (2200, 2200), (2419, 2200), (2420, 2420)]
)
def test_steps_of_a_tenth(count, taken):
    # Hand-solved: 2000, 2000 x 1.1 = 2200, 2200 x 1.1 = 2420.
    assert basis._step_below(count) == taken


@pytest.mark.parametrize(("count", "taken"), [(4, 4), (5, 4), (6, 6), (8, 6), (9, 9), (12, 9), (13, 13)])
def test_of_a_large_fleet_the_oldest(monkeypatch, count, taken):
    # Hand-solved, each the whole part of 1.5 times the one before: 4, 6, 9, 13.
    monkeypatch.setattr(basis, "ALL_UP_TO", 4)
    monkeypatch.setattr(basis, "STEP", 1.5)
    (whole,) = fleet(count)
    (known,) = basis.basis([whole])
    assert (known.taken_at == whole.taken_at[:taken]).all()
    assert (known.values == whole.values[:taken]).all()
    assert known.usable.shape == known.slips.shape == known.learn_counts.shape == (taken, 1)
    # The oldest part of a history is what it was at the time, to the last bit.
    assert fingerprint([known]) == fingerprint(fleet(taken))


def test_snapshots_of_one_time_are_taken_together(monkeypatch):
    # Two units read on the same days: four snapshots are those of two days, and so are five.
    monkeypatch.setattr(basis, "ALL_UP_TO", 4)
    monkeypatch.setattr(basis, "STEP", 10.0)
    rows = cell([1.0, 2.0, 3.0], unit="A") + cell([1.0, 2.0, 3.0], unit="B")
    made = panels(records(rows, 3, units=("A", "B")))
    assert [len(p.taken_at) for p in basis.basis(made)] == [2, 2]
    monkeypatch.setattr(basis, "ALL_UP_TO", 5)
    assert [len(p.taken_at) for p in basis.basis(made)] == [3, 3]


def test_what_the_fleet_has_only_lately_is_taken_whole(monkeypatch):
    monkeypatch.setattr(basis, "ALL_UP_TO", 6)
    monkeypatch.setattr(basis, "STEP", 10.0)
    late = [r for r in cell(np.arange(8.0), signal="release_trim", unit="B") if r[1] > 5]
    rows = cell(np.arange(8.0), unit="A") + cell(np.arange(8.0), unit="B") + late
    known = basis.basis(panels(records(rows, 8, units=("A", "B"))))
    assert [len(p.taken_at) for p in known] == [3, 8]
    assert {c.signal for p in known for c in p.cells} == {"apply_trim", "release_trim"}


def test_later_log_entries_and_cells_are_not_known(monkeypatch):
    monkeypatch.setattr(basis, "ALL_UP_TO", 6)
    monkeypatch.setattr(basis, "STEP", 10.0)
    late = [r for r in cell(np.arange(8.0), channel="2-3") if r[1] > 5]
    made = records(cell(np.arange(8.0)) + late, 8)
    entries = pd.DataFrame(
        {
            "event_id": ["E1", "E2"], "unit": "A", "happened_at": [time_of(3), time_of(6)], "kind": "power",
            "amount": np.nan, "amount_unit": "", "note": "",
        }
    )  # fmt: skip
    (known,) = basis.basis(panels(replace(made, events=entries)))
    assert [c.channel for c in known.cells] == ["1-2"]
    assert [e.id for e in known.events] == ["E1"]
