"""What became of findings, and how soon they were said, on hand-made findings. All values are hand-solved."""

from __future__ import annotations

from datetime import date

from driftwatch.assessment.backtest.said import SaidFinding
from driftwatch.assessment.backtest.told import delays_of, same_place, what_became
from tests.backtest.by_hand import panel_of

M1, M2, M3, END = date(2024, 3, 31), date(2024, 4, 30), date(2024, 5, 31), date(2024, 8, 31)
#: Snapshots are of 10 January, 9 February, 10 March, 9 April, 9 May, 8 June, 8 July, ...
FEB, MARCH, APRIL, MAY, JUNE = (
    date(2024, 2, 9), date(2024, 3, 10), date(2024, 4, 9), date(2024, 5, 9), date(2024, 6, 8)
)  # fmt: skip


def step(cause, origin, after=FEB, by=MARCH, probability=0.9, unit="A"):
    return SaidFinding(origin, unit, cause, "", probability, after, by)


def drift(cause, origin, after=None, unit="A"):
    return SaidFinding(origin, unit, cause, "", 0.6, after, None)


def wear(origin, after=FEB, clutch="pack3"):
    return SaidFinding(origin, "A", "wear", clutch, 0.8, after, None)


def test_same_place():
    assert same_place(step("power", M1), step("load", M2))
    assert same_place(step("power", M1), step("power", M2, MARCH, APRIL)), "one gap on: the days touch"
    assert not same_place(step("power", M1), step("power", M2, APRIL, MAY))
    assert not same_place(step("power", M1), step("power", M1, unit="B"))
    assert same_place(drift("pressure", M1), drift("pressure", M2, MARCH))
    assert not same_place(drift("pressure", M1), step("pressure", M1))
    assert same_place(wear(M1), wear(M2, date(2024, 4, 11))), "62 days: the same life"
    assert not same_place(wear(M1), wear(M2, date(2024, 4, 12)))
    assert not same_place(wear(M1), wear(M1, clutch="pack2"))
    assert not same_place(wear(M1), step("power", M1))


def fates(said, at_end, renewed=()):
    return [(t.cause, t.fate, t.became, t.times) for t in what_became(said, at_end, renewed)]


def test_kept_also_where_the_day_moved_by_a_gap_each_time():
    said = [step("power", M1), step("power", M2, MARCH, APRIL), step("power", M3, APRIL, MAY)]
    (told,) = what_became(said, [step("power", END, MAY, JUNE)], [])
    assert (told.fate, told.times) == ("kept", 3)
    assert (told.first_on, told.last_on, told.after, told.by) == (M1, M3, FEB, MARCH)


def test_changed_gone_and_kept():
    said = [step("rebuild", M1), step("power", M2), step("fluid", M2, APRIL, MAY), drift("pressure", M2)]
    at_end = [step("power", END)]
    assert fates(said, at_end) == [
        ("rebuild", "changed", "power", 1),
        ("power", "kept", "", 1),
        ("fluid", "gone", "", 1),
        ("pressure", "gone", "", 1),
    ]


def test_the_second_cause_of_a_visit_is_not_changed_into_the_first():
    said = [step("power", M1), step("fluid", M1), step("power", M2)]
    assert fates(said, [step("power", END)]) == [("power", "kept", "", 2), ("fluid", "gone", "", 1)]


def test_a_finding_that_pauses_is_one():
    said = [step("power", M1), step("power", M3)]
    assert fates(said, [step("power", END)]) == [("power", "kept", "", 2)]


def test_wear_ends_with_the_life():
    said = [wear(M1), wear(M2), wear(M2, clutch="pack2")]
    new_life = ("A", "pack3", date(2024, 6, 8))
    assert fates(said, [], [new_life]) == [("wear", "renewed", "", 2), ("wear", "gone", "", 1)]
    assert fates(said, [wear(END), wear(END, clutch="pack2")])[0][1] == "kept"
    # In the new life it is another wear.
    assert fates([wear(M1)], [wear(END, date(2024, 6, 8))], [new_life]) == [("wear", "renewed", "", 1)]


def test_delays():
    panels = {"A": panel_of([30.0] * 9)}
    at_end = [
        step("power", END, MARCH, APRIL),
        step("load", END, MAY, JUNE),
        drift("pressure", END),
        wear(END),
    ]
    said = [
        step("fluid", M2, MARCH, APRIL),
        step("power", M3, MARCH, APRIL),
        step("power", END, MARCH, APRIL),
    ]
    power, load = delays_of(said, at_end, panels, M1)
    # First seen on 9 April, said first on 31 May: 52 days, with the snapshots of 9 April and 9 May.
    assert (power.cause, power.first_on, power.days, power.snapshots) == ("power", M3, 52, 2)
    # Said only at the end: 84 days, with those of 8 June, 8 July and 7 August.
    assert (load.first_on, load.days, load.snapshots) == (END, 84, 3)


def test_changes_first_seen_before_the_first_month_end_are_left_out():
    at_end = [step("power", END), step("load", END, MARCH, APRIL)]
    assert [d.cause for d in delays_of([], at_end, {"A": panel_of([30.0] * 9)}, M1)] == ["load"]


def test_a_change_said_before_its_day_moved_on_is_not_said_before_it_happened():
    panels = {"A": panel_of([30.0] * 9)}
    (made,) = delays_of([step("power", M1)], [step("power", END, MARCH, APRIL)], panels, date(2024, 1, 31))
    assert (made.days, made.snapshots) == (0, 0)
