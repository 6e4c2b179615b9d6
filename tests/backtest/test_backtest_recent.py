"""The short look back of the review: which month ends, which units, and when there is too little."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pandas as pd
import pytest

from driftwatch.assessment.backtest import recent
from driftwatch.assessment.backtest.recent import last_year
from driftwatch.settings import Settings
from tests.panel.by_hand import cell, records

SETTINGS = Settings()


def fleet(units: int = 1, snapshots: int = 24, as_of: date = date(2025, 12, 31)):
    """Units read every 30 days from 10 January 2024 on."""
    names = tuple(f"U{k:03d}" for k in range(units))
    volumes = [30.0 + 0.1 * (k % 3) for k in range(snapshots)]
    trims = [10.0 + k % 4 for k in range(snapshots)]
    rows = [
        row
        for name in names
        for row in (
            *cell(volumes, mode="", channel="pack3", signal="clutch_volume", unit=name),
            *cell(trims, unit=name),
        )
    ]
    known = records(rows, snapshots, units=names, as_of=as_of)
    until = pd.Timestamp(as_of) + pd.Timedelta(days=1)
    return replace(
        known,
        snapshots=known.snapshots[known.snapshots["taken_at"] < until].reset_index(drop=True),
        readings=known.readings[known.readings["taken_at"] < until].reset_index(drop=True),
    )


@pytest.mark.parametrize(
    ("as_of", "origins"),
    [
        (date(2025, 12, 31), ["2024-12-31", "2025-03-31", "2025-06-30", "2025-09-30"]),
        # In a month that is not over, the last month end counts as the end of the year.
        (date(2025, 12, 30), ["2024-11-30", "2025-02-28", "2025-05-31", "2025-08-31"]),
        # The fifth snapshot is of 9 May 2024: what lies before cannot be looked back from.
        (date(2024, 12, 31), ["2024-06-30", "2024-09-30"]),
        (date(2024, 8, 31), ["2024-05-31"]),
    ],
)
def test_the_month_ends_of_the_year_before(as_of, origins):
    made = last_year(fleet(as_of=as_of), SETTINGS)
    assert [day.isoformat() for day in made.origins] == origins
    assert (made.known, made.every) == (as_of, 3)


@pytest.mark.parametrize(
    ("snapshots", "as_of"), [(24, date(2024, 7, 31)), (4, date(2025, 12, 31)), (0, date(2025, 12, 31))]
)
def test_too_little_to_look_back_on(snapshots, as_of):
    known = fleet(as_of=as_of)
    frames = {"snapshots": known.snapshots, "readings": known.readings}
    kept = {n: f[f["taken_at"].rank(method="dense") <= snapshots] for n, f in frames.items()}
    known = replace(known, **kept)
    assert last_year(known, SETTINGS, now=lambda: pytest.fail("nothing is to be analysed")) is None


def test_a_large_fleet_is_looked_at_in_part_evenly(monkeypatch):
    monkeypatch.setattr(recent, "MOST_UNITS", 4)
    made = last_year(fleet(9, as_of=date(2024, 8, 31)), SETTINGS)
    assert made.units == ("U000", "U003", "U006")
    assert made.fleet == 9
    whole = last_year(fleet(4, as_of=date(2024, 8, 31)), SETTINGS)
    assert len(whole.units) == whole.fleet == 4
