"""What is still to be driven: rounds at each throttle step, and how far that is."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from driftwatch.reporting.context.followup import LearnRow
from driftwatch.reporting.driving import drive_plan, more_driving, spread
from tests.words import plain


def row(shift, wants, km=100.0, mode="tow"):
    return LearnRow(mode, shift, 4, wants, km if wants else None, "")


# Hand-solved: what does not divide by three goes to the gentler steps.
@pytest.mark.parametrize(
    ("wants", "rounds"), [(1, [1]), (2, [1, 1]), (3, [1, 1, 1]), (7, [3, 2, 2]), (8, [3, 3, 2])]
)
def test_rounds_are_spread_over_the_throttle_steps(wants, rounds):
    assert [n for _, n in spread(wants)] == rounds


@given(st.integers(1, 200))
def test_no_round_is_lost_and_the_gentler_step_never_has_fewer(wants):
    rounds = [n for _, n in spread(wants)]
    assert sum(rounds) == wants
    assert rounds == sorted(rounds, reverse=True)


def test_shifts_are_named_with_what_they_want_or_counted_where_that_would_be_long():
    few = drive_plan((row("1-2", 2), row("2-3", 2), row("3-4", 1), row("4-3", 0)), 10.0)
    assert plain(few[0].sentence) == (
        "In tow: 1-2 and 2-3: 2 more each; 3-4: 1 more each. Go up through the gears and back down once at a "
        "quarter throttle and once at half throttle. By its use so far that is about 100 km more."
    )
    assert (few[0].shifts, few[0].km) == (("1-2", "2-3", "3-4"), 100.0)
    many = drive_plan(tuple(row(f"{k}-{k + 1}", k) for k in range(1, 7)), 10.0)
    assert many[0].sentence.startswith("In tow: 6 shifts want 1 to 6 more each, as the table has it. Go up")


def test_each_mode_is_a_step_of_its_own_and_one_that_has_learned_is_none():
    plan = drive_plan((row("1-2", 3, mode="normal"), row("1-2", 0), row("1-2", 5, mode="low")), 10.0)
    assert [step.mode for step in plan] == ["normal", "low"]


def test_shifts_that_are_not_counted_get_the_usual_number():
    plan = drive_plan((LearnRow("tow", "1-2", None, None, None, "not counted"),), 10.0)
    assert "1-2: about 10 each, then read out (shifts are not counted)" in plan[0].sentence
    assert [n for _, n in plan[0].rounds] == [4, 3, 3]


def test_how_far_that_is_by_the_use_so_far():
    assert more_driving((row("1-2", 0),)) == ""
    assert plain(more_driving((row("1-2", 3, 240.0), row("2-3", 1, 20.0)))) == (
        "By its use so far that is about 200 km more."
    )
    assert plain(more_driving((row("1-2", 3, 4.0),))) == "By its use so far that is about 100 km more."
    for far in (None, 9000.0):
        assert "very long" in more_driving((row("1-2", 3, far), row("2-3", 1, 20.0)))
