"""Ranges, later readings, leads, false alarms and flaps of hand-made courses, counted by hand."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import pytest

from driftwatch.assessment.backtest.alerts import alarms_of, flaps_of, reached_in
from driftwatch.assessment.backtest.forecasts import checks_of, range_of
from driftwatch.assessment.backtest.observed import pack_lives
from driftwatch.assessment.backtest.results import Lead
from driftwatch.assessment.backtest.said import Ahead
from tests.backtest.by_hand import LIMIT, analysis_of, km_at, said
from tests.panel.by_hand import time_of

#: 30.2 cm3 and 0.5 a snapshot: at 36 after 11.6 snapshots, 96 400 km, 23 December 2024.
STRAIGHT = (30.2 + 0.5 * np.arange(20)).tolist()
#: The same, given up at snapshot 10, before the limit: a new life from 26 cm3 on.
RENEWED = [*STRAIGHT[:10], *(26.0 + 0.5 * np.arange(10))]
#: Hardly any wear: 20 snapshots, 76 000 km, no limit.
CALM = (30.0 + 0.02 * np.arange(20)).tolist()


def known(values, life_start=0):
    unit = analysis_of(values, life_start)
    return pack_lives(unit, "pack3", LIMIT, []), unit.panel


def ranged(values, life_start=0, **more):
    return range_of(said(**more), *known(values, life_start))


@pytest.mark.parametrize(
    ("p10", "p90", "outcome", "near"),
    [
        # From snapshot 5 the limit is 26 400 km away; within 0.25 cm3 of it from 24 400 to 28 400.
        (20_000, 30_000, "inside", False),
        (26_399, 30_000, "inside", False),
        (20_000, 26_401, "inside", False),
        (27_000, 40_000, "sooner", True),
        (28_500, 40_000, "sooner", False),
        (10_000, 24_500, "later", True),
        (10_000, 24_300, "later", False),
        (20_000, np.inf, "inside", False),
        (27_000, np.inf, "sooner", True),
        (np.inf, np.inf, "sooner", False),
    ],
)
def test_ranges_of_a_limit_that_was_reached(p10, p90, outcome, near):
    made = ranged(STRAIGHT, last=5, p10=p10, p50=p10, p90=p90)
    assert (made.outcome, made.near) == (outcome, near)
    assert made.settled
    assert made.reached_km == pytest.approx(26_400)
    assert made.odometer_km == km_at(5)
    # The unit's snapshots go on for 56 000 km.
    assert made.whole == (p90 <= 56_000)
    assert made.p90 == (None if np.isinf(p90) else p90)


@pytest.mark.parametrize(
    ("p10", "p90", "outcome"),
    # From snapshot 5 the readings go on for 56 000 km without the limit.
    [(10_000, 55_999, "later"), (10_000, 56_000, "open"), (60_000, 90_000, "open"), (10_000, np.inf, "open")],
)
def test_ranges_of_a_limit_that_was_not(p10, p90, outcome):
    made = ranged(CALM, last=5, p10=p10, p50=p10, p90=p90)
    assert made.outcome == outcome
    assert made.reached_km is None
    assert made.followed_km == 56_000
    assert not made.near


@pytest.mark.parametrize(("p90", "outcome"), [(15_999, "later"), (16_000, "renewed"), (np.inf, "renewed")])
def test_a_rebuild_ends_what_can_be_told(p90, outcome):
    # Snapshot 9 is the last before it: 16 000 km after snapshot 5, at 34.7 cm3.
    made = ranged(RENEWED, life_start=10, last=5, p10=9_000, p50=12_000, p90=p90)
    assert (made.outcome, made.followed_km) == (outcome, 16_000)
    # The new life is asked on its own.
    assert ranged(RENEWED, life_start=10, last=12, p10=9e3, p50=5e4, p90=9e4).outcome == "open"


def test_a_miss_just_short_of_the_limit_is_near():
    # 35.8 cm3 at the end, within 0.25 of the limit, after 36 000 km from snapshot 0.
    short = (31.3 + 0.5 * np.arange(10)).tolist()
    assert ranged(short, last=0, p10=9e3, p50=2e4, p90=35_900).near
    assert not ranged(short, last=0, p10=9e3, p50=2e4, p90=33_000).near


def test_of_a_limit_that_had_been_reached_nothing_is_asked():
    assert ranged(STRAIGHT, last=12, p10=0.0, p50=0.0, p90=0.0) is None
    assert ranged([36.5] * 10, last=5) is None
    assert ranged(STRAIGHT, last=11, p10=0.0, p50=0.0, p90=3_000.0).outcome == "inside"


@pytest.mark.parametrize(
    ("values", "life_start", "last", "came"),
    [
        (STRAIGHT, 0, 5, False),  # 26 400 km away
        (STRAIGHT, 0, 9, False),  # 10 400 km away
        (STRAIGHT, 0, 10, True),  # 6400 km away
        (CALM, 0, 5, False),
        (CALM, 0, 16, False),  # 12 000 km follow
        (CALM, 0, 17, None),  # only 8000 km follow
        (RENEWED, 10, 7, None),  # renewed after 8000 km
        (RENEWED, 10, 6, False),  # 12 000 km follow before
    ],
)
def test_whether_the_limit_came_within_10_000_km(values, life_start, last, came):
    assert ranged(values, life_start, last=last).came is came


def test_later_readings():
    ahead = (
        Ahead(3, 8, 33.0, 34.0, 35.0, 34.3, 36.0),
        Ahead(6, 11, 36.0, 37.0, 38.0, 30.0, 31.0),
        Ahead(12, 17, np.nan, np.nan, np.nan, np.nan, np.nan),
    )
    checks = checks_of(said(5, ahead=ahead), *known(STRAIGHT))
    assert [c.read for c in checks] == pytest.approx([34.2, 35.7, 38.7])
    assert [c.inside for c in checks] == [True, False, None]
    assert [c.read_on for c in checks] == [time_of(k).date() for k in (8, 11, 17)]
    # Hand-solved: 2 wide; 2 wide and 0.3 under, 10 each; the line 1.7 and 0.1 under, then 1 and 4.7 over.
    assert [c.score for c in checks] == pytest.approx([2.0, 5.0, None])
    assert [c.line_score for c in checks] == pytest.approx([2.7, 48.0, None])
    # Of a reading in the next life nothing was said.
    assert [c.months for c in checks_of(said(5, ahead=ahead), *known(RENEWED, 10))] == [3]


# --- alerts -------------------------------------------------------------------------------------------------


def month_end(k: int) -> date:
    """Month end after snapshot k, for a few months from the first one on: twelve a year, as snapshots are."""
    first = date(2024, 2, 1)
    months = first.month - 1 + k
    return date(first.year + months // 12, months % 12 + 1, 1) - timedelta(days=1)


ORIGINS = tuple(month_end(k) for k in range(18))


def course(*states: str, life_start: int = 0):
    """What was said at each month end: snapshot k is the newest at the end of month k."""
    return {
        month_end(k): said(k, state, origin=month_end(k), life_start=life_start)
        for k, state in enumerate(states)
        if state
    }


def test_month_ends_of_these_tests():
    # Snapshot 11 is of 5 December 2024; snapshot 12 of 4 January 2025, after the limit on 23 December.
    assert ORIGINS[0] == date(2024, 1, 31)
    assert ORIGINS[11] == date(2024, 12, 31)
    assert all(time_of(k).date() <= ORIGINS[k] < time_of(k + 1).date() for k in range(17))


def leads(*states: str, values=STRAIGHT, life_start=0):
    lives, panel = known(values, life_start)
    (made,) = reached_in("A", "pack3", lives, panel, course(*states), ORIGINS)
    return made


def test_lead_times_by_hand():
    # The limit came on 23 December 2024 at 96 400 km; the month ends before are those of January to November.
    made = leads(*["clear"] * 6, "watch", "plan", "plan", "due", "due", "due", "due")
    assert (made.day, made.looks) == (date(2024, 12, 23), 11)
    assert made.odometer_km == pytest.approx(96_400)
    # `plan` from 31 August on: 114 days. That day ends 234 days and 16 hours after the first snapshot.
    assert made.plan.on == date(2024, 8, 31)
    assert made.plan.days == 114
    assert made.plan.km == pytest.approx(96_400 - (50_000 + 4000 * (234 + 16 / 24) / 30))
    assert made.due.on == date(2024, 10, 31)
    assert made.due.days == 53
    assert not made.plan.at_least


def test_only_what_stood_until_the_limit_counts():
    made = leads("plan", "plan", *["watch"] * 6, "plan", "watch", "plan", "due")
    assert made.plan.on == date(2024, 11, 30)
    # `due` came with the month end after the limit, 31 December: 8 days late.
    assert made.due == Lead(None, None, None, False, 8)


def test_a_level_that_stood_from_the_first_month_end_on_may_have_stood_for_longer():
    made = leads(*["plan"] * 11)
    assert made.plan.at_least
    assert made.plan.on == date(2024, 1, 31)
    assert made.due == Lead(None, None, None, False, None)


def test_a_month_end_without_a_forecast_breaks_a_lead():
    made = leads(*["plan"] * 5, "", *["plan"] * 5)
    assert made.plan.on == date(2024, 7, 31)
    assert not made.plan.at_least


def test_only_limits_after_a_month_end_in_the_same_life_are_asked():
    lives, panel = known(STRAIGHT)
    assert reached_in("A", "pack3", lives, panel, course(), (date(2024, 12, 31),)) == []
    assert reached_in("A", "pack3", *known(CALM), course("due"), ORIGINS) == []
    # Said in the life before a rebuild, about another pack's worth of plates.
    again = [*STRAIGHT[:3], *STRAIGHT]
    lives, panel = known(again, life_start=3)
    (made,) = reached_in("A", "pack3", lives, panel, course(*["due"] * 3, *["clear"] * 11), ORIGINS)
    assert made.plan.on is None
    # Life from snapshot 3 (9 April 2024), limit 14.6 snapshots in (23 March 2025): April to February.
    assert made.looks == 11


def alarms(*states: str, values=STRAIGHT, life_start=0):
    lives, panel = known(values, life_start)
    return alarms_of(lives, panel, course(*states), ORIGINS, {"plan": 15_000.0, "due": 5_000.0})


def test_alarms_by_hand():
    # `plan` raised at snapshot 7, 18 400 km before: too early. `due` at snapshot 10, 6400 km before.
    made = alarms(*["clear"] * 7, "plan", "plan", "plan", "due", "due")
    assert [(a.level, a.outcome, a.raised_on) for a in made] == [
        ("plan", "false", ORIGINS[7]),
        ("due", "false", ORIGINS[10]),
    ]
    assert [a.came_km for a in made] == pytest.approx([18_400, 6_400])
    assert [a.cleared_on for a in made] == [ORIGINS[12], ORIGINS[12]], "nothing was said at the next one"
    # Within 0.25 cm3 of the limit after 16 400 and 4400 km.
    assert [a.near for a in made] == [False, True]
    made = alarms(*["clear"] * 8, "plan", "plan", "plan", "due")
    assert [(a.level, a.outcome) for a in made] == [("plan", "right"), ("due", "right")]


def test_an_alarm_raised_twice_is_two():
    made = alarms("plan", "clear", "plan", "plan", values=CALM)
    assert [(a.raised_on, a.cleared_on, a.outcome) for a in made] == [
        (ORIGINS[0], ORIGINS[1], "false"),
        (ORIGINS[2], ORIGINS[4], "false"),
    ]


def test_an_alarm_that_cannot_be_settled():
    # Readings go on for 76 000 km: from snapshot 16 on, only 12 000 km follow.
    made = alarms(*["clear"] * 16, "plan", values=CALM)
    assert [a.outcome for a in made] == ["open"]
    # Renewed at snapshot 10, 12 000 km after snapshot 6's reading (snapshot 9 is the last before).
    made = alarms(*["clear"] * 6, *["plan"] * 6, values=RENEWED, life_start=10)
    assert [(a.raised_on, a.outcome) for a in made] == [(ORIGINS[6], "renewed"), (ORIGINS[10], "false")]
    assert made[0].cleared_on == ORIGINS[10], "an alert of the life before is another one"


def test_an_alert_after_the_limit_was_reached_is_no_false_one():
    (plan, due) = alarms(*["clear"] * 13, "due")
    assert plan.outcome == due.outcome == "right"
    assert due.came_km == pytest.approx(-5_600)


def test_flaps_by_hand():
    lives, _ = known(CALM)
    found = flaps_of(lives, course("clear", "watch", "clear", "watch", "plan", "watch", "watch"), ORIGINS)
    assert [(f.on, f.before, f.peak, f.afterwards) for f in found] == [
        (ORIGINS[1], "clear", "watch", "clear"),
        (ORIGINS[4], "watch", "plan", "watch"),
    ]
    # Two months up is no flap, nor is what a rebuild clears, nor a month without a forecast.
    assert flaps_of(lives, course("clear", "plan", "plan", "clear"), ORIGINS) == []
    assert flaps_of(lives, course("clear", "plan", "", "clear"), ORIGINS) == []
    lives, _ = known(RENEWED, 10)
    assert flaps_of(lives, course(*["clear"] * 8, "watch", "plan", "clear"), ORIGINS) == []
