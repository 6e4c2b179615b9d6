"""What came: levels, crossings and lives of hand-made packs. All expected values are hand-solved."""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from sklearn.isotonic import IsotonicRegression

from driftwatch.assessment.backtest.observed import level, life_at, odometer_on, pack_lives, volumes
from tests.backtest.by_hand import LIMIT, NOISE, analysis_of, km_at, panel_of

NAN = float("nan")


def lives_of(values, life_start=0, rebuilt=(), starts=()):
    return pack_lives(analysis_of(list(values), life_start, rebuilt), "pack3", LIMIT, list(starts))


def test_level_by_hand():
    # 3 and 1 are pooled to 2; 5 and 4 to 4.5; where nothing was read there is no level.
    np.testing.assert_allclose(level(np.array([3.0, 1.0, NAN, 5.0, 4.0, 6.0])), [2, 2, NAN, 4.5, 4.5, 6])
    assert np.isnan(level(np.full(3, NAN))).all()


@given(st.lists(st.floats(20, 40), min_size=1, max_size=30))
def test_level_is_isotonic_regression(values):
    # Second implementation: scikit-learn.
    y = np.array(values)
    theirs = IsotonicRegression().fit_transform(np.arange(len(y)), y)
    np.testing.assert_allclose(level(y), theirs, atol=1e-9)


def test_crossing_of_a_straight_pack():
    # 30.2 cm3 and 0.5 a snapshot: 36 is reached at 11.6 snapshots, 348 days after 10 January 2024 08:00.
    (life,) = lives_of(30.2 + 0.5 * np.arange(20))
    assert (life.start, life.stop, life.over, life.worn_at_start) == (0, 20, False, False)
    assert life.crossing.odometer_km == pytest.approx(km_at(11.6))
    assert life.crossing.day == date(2024, 12, 23)
    # One reading's noise (0.25 cm3) is half a snapshot's growth.
    assert life.crossing.early_km == pytest.approx(km_at(11.1))
    assert life.crossing.late_km == pytest.approx(km_at(12.1))
    assert life.followed_to_km == km_at(19)
    assert NOISE == 0.25


def test_a_lone_high_reading_is_no_crossing():
    flat = np.full(12, 35.0)
    flat[5] = 36.8  # with the five lower ones after it, the level is 35.26 at most
    (life,) = lives_of(flat)
    assert life.crossing is None
    assert life.nearly_km == np.inf
    last = np.full(12, 35.0)
    last[11] = 36.8  # nothing after it tells whether that was chance
    (life,) = lives_of(last)
    assert life.crossing is None
    assert km_at(10) < life.nearly_km < km_at(11)
    confirmed = np.append(last, 36.4)
    (life,) = lives_of(confirmed)
    # 36.8 and 36.4 are pooled to 36.6: from 35.0 at snapshot 10 the limit lies 1.0 / 1.6 of the way.
    assert life.crossing.odometer_km == pytest.approx(km_at(10.625))


def test_a_pack_at_its_limit_from_the_start_has_no_crossing():
    (life,) = lives_of(36.5 + 0.1 * np.arange(8))
    assert life.worn_at_start
    assert life.crossing is None


def test_gaps_in_the_readings_are_bridged_in_proportion():
    values = 30.2 + 0.5 * np.arange(20)
    values[11:13] = NAN  # 35.7 and 36.2: from 35.2 at snapshot 10 to 36.7 at snapshot 13
    (life,) = lives_of(values)
    assert life.crossing.odometer_km == pytest.approx(km_at(10 + 3 * 0.8 / 1.5))
    (empty,) = lives_of([*[NAN] * 5, 30.0])
    assert empty.followed_to_km == km_at(5)


def test_a_found_rebuild_ends_a_life():
    values = np.concatenate([30.2 + 0.5 * np.arange(10), 26.0 + 0.5 * np.arange(10)])
    old, new = lives_of(values, life_start=10)
    assert (old.start, old.stop, old.over, old.crossing) == (0, 10, True, None)
    assert (new.start, new.stop, new.over, new.crossing) == (10, 20, False, None)
    assert life_at((old, new), 9) is old
    assert life_at((old, new), 10) is new
    assert old.followed_to_km == km_at(9)


def test_a_limit_reached_before_the_rebuild_counts():
    values = np.concatenate([33.2 + 0.5 * np.arange(10), 26.0 + 0.5 * np.arange(5)])
    old, new = lives_of(values, life_start=10)
    assert old.crossing.odometer_km == pytest.approx(km_at(5.6))
    assert new.crossing is None


def test_a_logged_rebuild_ends_a_life_where_none_was_found():
    values = 30.0 + 0.1 * np.arange(10)
    # Snapshot 6 is of 8 July 2024, 08:00.
    for at, first in (("2024-07-08T07:59", 6), ("2024-07-08", 6), ("2024-07-08T08:01", 7)):
        assert [life.start for life in lives_of(values, rebuilt=(at,))] == [0, first]
    assert len(lives_of(values, rebuilt=("2030-01-01",))) == 1, "after all that was read"
    assert len(lives_of(values, rebuilt=("2020-01-01",))) == 1, "before all that was read"


def test_a_rebuild_both_found_and_logged_is_one():
    values = np.concatenate([30.2 + 0.5 * np.arange(10), 26.0 + 0.5 * np.arange(10)])
    # Snapshot 10 is of 5 November 2024; logged a week late, after it.
    assert [life.start for life in lives_of(values, life_start=10, rebuilt=("2024-11-12",))] == [0, 10]


def test_lives_before_the_last_are_known_from_the_month_ends_within_them():
    values = 30.0 + 0.1 * np.arange(20)
    # At the end the life began at 15. Month ends within the one before (snapshots up to 12) said 8; an
    # older one said 5, and was corrected since.
    starts = [(6, 5), (9, 8), (12, 8), (16, 8), (19, 15)]
    assert [life.start for life in lives_of(values, life_start=15, starts=starts)] == [0, 5, 8, 15]
    assert [life.start for life in lives_of(values, life_start=15, starts=[(12, 8), (16, 8)])] == [0, 8, 15]
    assert [life.start for life in lives_of(values, life_start=0, starts=starts)] == [0]


def test_readings_left_out_are_not_taken():
    panel = panel_of([30.0, 31.0, 32.0])
    panel.usable[1, 0] = False
    np.testing.assert_array_equal(volumes(panel, "pack3"), [30.0, NAN, 32.0])


def test_odometer_between_snapshots():
    panel = panel_of([30.0, 31.0, 32.0])
    # The end of 10 January lies 16 of 720 hours after the first snapshot.
    assert odometer_on(panel, date(2024, 1, 10)) == pytest.approx(50_000 + 4000 * 16 / 720)
    assert odometer_on(panel, date(2023, 1, 1)) == 50_000
    assert odometer_on(panel, date(2025, 1, 1)) == 58_000
