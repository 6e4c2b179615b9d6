"""Properties that the answer of `segment` must have, whatever the series."""

from __future__ import annotations

import datetime as dt
import json
import pickle
import warnings

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from driftwatch import UsageError, segment

steady = settings(derandomize=True, deadline=None, max_examples=25, database=None)


@st.composite
def series(draw) -> np.ndarray:
    """Noise with memory, with a step, a bend, both or neither."""
    rng = np.random.default_rng(draw(st.integers(0, 10_000)))
    n = draw(st.integers(12, 90))
    values = rng.normal(size=n)
    memory = draw(st.sampled_from([0.0, 0.5]))
    for i in range(1, n):
        values[i] += memory * values[i - 1]
    place = draw(st.integers(n // 4, 3 * n // 4))
    values[place:] += draw(st.sampled_from([0.0, 4.0, -8.0]))
    values += draw(st.sampled_from([0.0, 0.3])) * np.maximum(np.arange(n) - place, 0)
    return np.asarray(values)


@given(series(), st.integers(-1000, 1000), st.integers(-12, 12), st.booleans())
@steady
def test_level_and_unit_of_the_values_do_not_matter(values, shift, power, flip):
    factor = 2.0**power * (-1 if flip else 1)
    plain, moved = segment(values), segment(values * factor + shift * factor)
    assert moved.changes == plain.changes
    assert [d.kind for d in moved.details] == [d.kind for d in plain.details]
    assert [d.step for d in moved.details] == pytest.approx(
        [d.step * factor for d in plain.details], rel=1e-6
    )
    assert moved.noise_sd == pytest.approx(plain.noise_sd * abs(factor), rel=1e-6)
    assert moved.fitted == pytest.approx((plain.fitted + shift) * factor, rel=1e-6, abs=1e-6 * abs(factor))


@given(series(), st.integers(-100, 100), st.sampled_from([0.125, 2.0, 3.0, 86400.0]))
@steady
def test_unit_and_start_of_the_positions_do_not_matter(values, start, unit):
    plain, moved = segment(values), segment(values, at=start + unit * np.arange(len(values)))
    assert moved.changes == plain.changes
    assert moved.slopes == pytest.approx(plain.slopes / unit, rel=1e-5, abs=1e-9)
    assert moved.positions == pytest.approx([start + unit * p for p in plain.positions], abs=1e-4 * unit)
    assert moved.memory == pytest.approx(plain.memory, abs=1e-4)


@given(series())
@steady
def test_steps_turn_round_with_the_series(values):
    """A step before value i of n is a step before value n - i of the series read backwards."""
    forth, back = segment(values, model="level"), segment(values[::-1], model="level")
    assert list(back.changes) == sorted(len(values) - i for i in forth.changes)


@given(series(), st.data())
@steady
def test_missing_values_are_as_good_as_left_out(values, data):
    gaps = data.draw(st.sets(st.integers(0, len(values) - 1), max_size=len(values) // 3))
    holed = values.copy()
    holed[list(gaps)] = np.nan
    kept = np.flatnonzero(~np.isnan(holed))
    with_gaps, without = segment(holed), segment(holed[kept], at=kept)
    assert with_gaps.n == len(values)
    assert with_gaps.dropped == len(gaps) + len(with_gaps.spikes)
    if not without.details or not with_gaps.details:
        assert with_gaps.changes == without.changes == ()
    else:
        assert list(with_gaps.changes) == [int(kept[i]) for i in without.changes]


@given(series())
@steady
def test_the_same_series_gives_the_same_answer_and_stays_as_it_was(values):
    before = values.copy()
    first, second = segment(values), segment(values)
    assert (values == before).all()
    assert first.to_dict() == second.to_dict()
    assert pickle.loads(pickle.dumps(first)).to_dict() == first.to_dict()  # noqa: S301


@given(series())
@steady
def test_the_parts_of_an_answer_agree(values):
    found = segment(values)
    assert len(found.levels) == len(found.slopes) == len(found.changes) + 1
    assert list(found.changes) == sorted(set(found.changes))
    assert all(d.index in d.index_set for d in found.details)
    assert all(d.evidence >= -1e-6 for d in found.details)
    assert found.fitted[[0, *found.changes]] == pytest.approx(found.levels)
    for detail in found.details:
        assert (detail.step != 0) == (detail.kind in ("step", "both"))
        assert (detail.bend != 0) == (detail.kind in ("bend", "both"))
        assert detail.step_interval[0] <= detail.step <= detail.step_interval[1]
        assert detail.bend_interval[0] <= detail.bend <= detail.bend_interval[1]
    assert len(found.to_frame()) == len(found.changes)
    json.dumps(found.to_dict())


@given(series(), st.sampled_from([0.01, 0.05, 0.2]))
@steady
def test_a_stricter_rate_never_asks_less(values, rate):
    strict, loose = segment(values, false_alarm_rate=rate / 4), segment(values, false_alarm_rate=rate)
    assert strict.penalty > loose.penalty
    assert not strict.changes or loose.changes


@pytest.mark.parametrize("n", [0, 1, 2, 3, 7, 8, 30, 400])
def test_constant_series_are_silent(n):
    found = segment([4.5] * n)
    assert found.changes == ()
    assert (found.fitted == 4.5).all()
    assert len(found.fitted) == n


@pytest.mark.parametrize("n", [10, 40, 300])
def test_straight_lines_are_silent_and_clean_steps_and_bends_are_seen(n):
    line = 3.0 * np.arange(2 * n)
    assert segment(line).changes == ()
    assert segment(np.r_[np.zeros(n), np.ones(n)]).changes == (n,)
    bent = segment(np.abs(np.arange(2 * n) - n))
    assert bent.changes == (n,)
    assert bent.details[0].kind == "bend"
    assert bent.slopes == pytest.approx([-1, 1])


def test_coarse_values_give_the_changes_of_fine_ones():
    rng = np.random.default_rng(11)
    values = np.r_[rng.normal(size=40), 5 + rng.normal(size=40)]
    assert segment(np.round(values)).changes == segment(values).changes == (40,)


def test_a_single_spike_is_set_aside_and_counted():
    rng = np.random.default_rng(3)
    values = rng.normal(size=60)
    values[25] = 40.0
    found = segment(values)
    assert found.changes == ()
    assert found.spikes == (25,)
    assert found.dropped == 1
    assert "60 values, 1 dropped" in repr(found)


def test_a_plain_cycle_is_no_change():
    rng = np.random.default_rng(4)
    month = np.arange(120)
    values = 10 * np.sin(2 * np.pi * month / 12) + 0.05 * month + rng.normal(size=120)
    assert segment(values).changes == ()
    values[70:] += 12
    assert segment(values).changes == (70,)


@pytest.mark.parametrize(("memory", "drift"), [(0.0, 0.0), (0.5, 0.0), (0.0, 0.05), (0.5, 0.05)])
def test_a_clear_step_is_found_through_memory_and_drift(memory, drift):
    rng = np.random.default_rng(21)
    noise = rng.normal(size=100)
    for i in range(1, 100):
        noise[i] += memory * noise[i - 1]
    values = noise + drift * np.arange(100) + 6.0 * (np.arange(100) >= 55)
    found = segment(values)
    assert found.changes == (55,)
    low, high = found.details[0].step_interval
    assert low < 6 < high


def test_an_accelerating_trend_is_bends_and_not_a_staircase():
    rng = np.random.default_rng(5)
    x = np.arange(80.0)
    values = np.maximum(x - 50, 0) * 0.5 + rng.normal(size=80)
    found = segment(values)
    assert [d.kind for d in found.details] == ["bend"]
    assert abs(found.changes[0] - 50) <= 4


def test_dates_are_positions_in_days():
    rng = np.random.default_rng(6)
    values = np.r_[rng.normal(size=30), 9 + rng.normal(size=30)]
    days = [dt.date(2020, 1, 1) + dt.timedelta(7 * i) for i in range(60)]
    numbers = segment(values, at=7.0 * np.arange(60))
    for dates in (days, pd.DatetimeIndex(days), np.array(days, dtype="datetime64[D]")):
        assert segment(values, at=dates).to_dict() == numbers.to_dict()


@pytest.mark.parametrize("make", [list, tuple, pd.Series, lambda v: pd.array(v, dtype="Float64")])
def test_lists_and_pandas_are_welcome(make):
    values = np.r_[np.arange(20.0) % 3, 20 + np.arange(20.0) % 4]
    assert segment(make(values)).to_dict() == segment(values).to_dict()


@pytest.mark.parametrize(
    ("values", "options", "says"),
    [
        ([1, 2, "a"], {}, "not a number"),
        ("abc", {}, "list or array"),
        (5, {}, "list or array"),
        ([1, np.inf], {}, r"values\[1\] is infinite"),
        ([1e200], {}, "1e\\+200"),
        ([[1, 2], [3, 4]], {}, "2 dimensions"),
        ([1 + 2j], {}, "not a number"),
        ([1, 2, 3], {"at": [3, 2, 1]}, r"at\[1\] comes before at\[0\]"),
        ([1, 2, 3], {"at": [1, 2]}, "2 positions for 3 values"),
        ([1, 2], {"at": [np.nan, 1]}, r"at\[0\]"),
        ([1, 2], {"at": ["a", "b"]}, "not a number"),
        ([1, 2], {"at": [dt.date(2020, 1, 1), None]}, "missing date"),
        ([1, 2], {"false_alarm_rate": 0}, "false_alarm_rate"),
        ([1, 2], {"false_alarm_rate": "low"}, "false_alarm_rate"),
        ([1, 2], {"model": "curve"}, "no model"),
        ([1, 2], {"memory": 1}, "memory"),
        ([1, 2], {"noise_sd": 0}, "noise_sd"),
        ([1, 2], {"penalty": -1}, "penalty"),
        ([1, 2], {"min_size": 0}, "min_size"),
    ],
)
def test_what_cannot_be_is_refused_in_one_line(values, options, says):
    with pytest.raises(UsageError, match=says) as refused:
        segment(values, **options)
    assert "\n" not in str(refused.value)


@pytest.mark.parametrize(
    "options", [{}, {"model": "line"}, {"model": "bend"}, {"penalty": 9.0}, {"noise_sd": 1.0}]
)
def test_short_and_odd_series_are_answered_without_a_warning(options):
    rng = np.random.default_rng(0)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        for n in range(14):
            for values in (rng.normal(size=n), np.arange(n) % 2, np.full(n, np.nan)):
                found = segment(values, **options)
                assert found.n == n
                assert len(found.fitted) == n
        same_place = segment(rng.normal(size=20), at=np.zeros(20), **options)
        assert same_place.n == 20
