"""Days, times, months, numbers: read strictly, refused in one line. All expected values are hand-solved."""

from __future__ import annotations

import math
from datetime import date, datetime, timedelta, timezone

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from driftwatch.days import as_day, as_moment, as_number, month_days
from driftwatch.errors import UsageError
from driftwatch.plain import one_line, plain, to_json


def test_what_is_read():
    assert as_day(" 2026-03-14 ") == date(2026, 3, 14)
    assert as_day(date(2026, 3, 14)) == date(2026, 3, 14)
    assert as_day(datetime(2026, 3, 14, 9)) == date(2026, 3, 14)
    assert as_moment("2026-03-14") == date(2026, 3, 14)
    assert as_moment("2026-03-14T09:20") == datetime(2026, 3, 14, 9, 20)
    zone = timezone(timedelta(hours=1))
    assert as_moment("2026-03-14T09:20+01:00") == datetime(2026, 3, 14, 9, 20, tzinfo=zone)
    assert month_days("2024-02") == (date(2024, 2, 1), date(2024, 2, 29))
    assert as_number("-1.5e3") == -1500.0


@pytest.mark.parametrize(
    "text",
    [
        "",
        "14.3.2026",
        "0001-01-01",
        "2026-3-14",
        "2026-02-30",
        "20260314",
        "2026-03-14T10",
        "x",
        "٢٠٢٦-٠٣-١٤",
    ],
)
def test_what_is_no_day(text):
    with pytest.raises(UsageError, match="write it as 2026-03-14"):
        as_day(text)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "0001-01-01T00:00+01:00",
        "2026-03-14T",
        "2026-03-14T25:00",
        "2026-03-14 9",
        "noon",
        "20260314T0920",
    ],
)
def test_what_is_no_moment(text):
    with pytest.raises(UsageError):
        as_moment(text)


@pytest.mark.parametrize(
    "text", ["", "2026", "0001-01", "2026-13", "2026-00", "2026-3", "03-2026", "2026-03-01"]
)
def test_what_is_no_month(text):
    with pytest.raises(UsageError, match="is not a month"):
        month_days(text)


@pytest.mark.parametrize("text", ["", "much", "nan", "inf", "1,5", "1 000"])
def test_what_is_no_number(text):
    with pytest.raises(UsageError, match="is not a number"):
        as_number(text)


@given(st.text(max_size=30))
def test_any_text_is_read_or_refused(text):
    for read in (as_day, as_moment, month_days, as_number):
        try:
            read(text)
        except UsageError as error:
            line = str(error)
            assert "\n" not in line


def test_plain_values_for_json():
    given_ = {
        "a": np.float64(1.5), "b": math.nan, "c": math.inf, "d": pd.NaT, "e": pd.NA, "f": np.int64(3),
        "g": date(2026, 3, 14), "h": (True, None), "i": pd.Timestamp("2026-03-14T09:20"), "j": np.bool_(True),
    }  # fmt: skip
    assert plain(given_) == {
        "a": 1.5, "b": None, "c": None, "d": None, "e": None, "f": 3, "g": "2026-03-14", "h": [True, None],
        "i": "2026-03-14T09:20:00", "j": True,
    }  # fmt: skip
    assert to_json({"x": math.nan}) == '{\n  "x": null\n}'


def test_one_line_of_anything():
    assert one_line("a\nb\x1b[2J\tc") == "a b [2J c"
