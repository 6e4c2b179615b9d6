"""What the log adds to each cause's chances, and what it says of a rebuild's visit: solved by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from driftwatch.causes.identify import _hidden
from driftwatch.causes.prior import (
    BESIDE_ODDS,
    DONE_IS_RIGHT,
    LOG_IS_RIGHT,
    SAME_VISIT,
    SAME_VISIT_CLEARED,
    UNLOGGED_PER_YEAR,
    _beside,
    beside_odds,
    log_prior,
    nearness,
)
from driftwatch.causes.results import CauseFinding
from driftwatch.causes.signatures import families
from driftwatch.changes.estimates import Placed
from driftwatch.panel.build import panels
from driftwatch.panel.panel import Event, Panel
from driftwatch.simulate import Action, LogEntry
from tests.assessment.units import known, likely, profile, said_of
from tests.panel.by_hand import DAYS, cell, records, time_of

few = settings(derandomize=True, deadline=None, max_examples=20, database=None)
COUNT, SLACK = 12, 9.0
#: Odds of a cause, given the other one, that was logged for the same visit: 3.8 times those of 0.7; of fluid
#: work, of whose entries three quarters as many acted, 3.8 times those of 0.525.
LOGGED = 3.8 * 0.7 / 0.3
LOGGED_FLUID = 3.8 * 0.525 / 0.475


def entry(kind: str, snapshot: float) -> Event:
    """An entry so many snapshot gaps after the first snapshot; 30 days each."""
    at = time_of(0).to_datetime64() + np.timedelta64(round(snapshot * DAYS * 86_400), "s")
    return Event("E1", at.astype("datetime64[us]"), kind)


def beside(panel: Panel, causes: tuple[str, ...]) -> np.ndarray:
    """Odds of one visit where the log is as usual."""
    return _beside(panel, causes, SLACK, LOG_IS_RIGHT)


def unit(*log: Event) -> Panel:
    return replace(panels(records(cell([1.0] * COUNT), COUNT))[0], events=log)


def test_an_entrys_date_is_wrong_by_laplace_days_of_a_third_of_the_slack():
    # Hand-solved, scale 3 days, entry 15 days before snapshot 6 (in the middle of its gap): within 15 days
    # either way with 1 - exp(-5); in the gap before with exp(-5) (1 - exp(-10)) / 2.
    near = nearness(unit(), entry("power", 5.5), SLACK)
    assert near[6] == pytest.approx(1.0 - np.exp(-5.0))
    assert near[5] == pytest.approx(0.5 * np.exp(-5.0) * (1.0 - np.exp(-10.0)))
    assert near[7] == pytest.approx(near[5])


def test_an_entry_on_the_day_of_a_snapshot_may_belong_to_either_gap():
    # Hand-solved: half of the days by which it may be wrong lie before, half after.
    near = nearness(unit(), entry("power", 5.0), SLACK)
    assert near[5] == pytest.approx(0.5 * (1.0 - np.exp(-10.0)))
    assert near[6] == pytest.approx(near[5])


@few
@given(st.floats(-3.0, 20.0), st.floats(0.0, 60.0))
def test_an_entry_lies_in_one_gap_at_most(snapshot, slack):
    near = nearness(unit(), entry("load", snapshot), slack)
    assert (near >= 0.0).all()
    assert near.sum() <= 1.0 + 1e-12
    assert near[0] == 0.0


def test_two_entries_on_one_day_are_one_visit():
    # Hand-solved: the gap of the entries, and the ones beside it, hold both surely: given one of the two, the
    # other acted with the odds that an entry beside real work is right: of the less likely one, fluid work.
    assert (BESIDE_ODDS, LOG_IS_RIGHT) == (3.8, 0.7)
    assert beside_odds("load", LOG_IS_RIGHT) == pytest.approx(LOGGED)
    assert beside_odds("fluid", LOG_IS_RIGHT) == pytest.approx(LOGGED_FLUID)
    odds = beside(unit(entry("power", 5.5), entry("fluid", 5.5)), ("power", "fluid"))
    # The date is off by more than 15, 45 or 75 days with the chances e^-5, e^-15, e^-25, half to each side.
    away = np.array([0.5 * (np.exp(-5.0) + np.exp(-25.0)), np.exp(-15.0)])
    sure = 1.0 - away[[0, 1, 0]]
    np.testing.assert_allclose(odds[5:8], SAME_VISIT * (1.0 - sure) + LOGGED_FLUID * sure, rtol=1e-6)
    np.testing.assert_allclose(odds[[1, 2, 10, 11]], SAME_VISIT, rtol=1e-7)


def test_one_entry_alone_says_nothing_of_another_cause():
    for log in ((), (entry("power", 5.5),), (entry("power", 5.5), entry("other", 5.5))):
        np.testing.assert_allclose(beside(unit(*log), ("power", "fluid")), SAME_VISIT)


def test_clearing_beside_other_work_is_rarer_unless_it_is_logged():
    alone = beside(unit(entry("power", 5.5)), ("relearn", "power"))
    cleared = beside(unit(entry("relearn", 5.5)), ("relearn", "power"))
    both = beside(unit(entry("power", 5.5), entry("relearn", 5.5)), ("relearn", "power"))
    np.testing.assert_allclose(alone, SAME_VISIT_CLEARED)
    # At a logged clearing, other work is as likely as beside any; elsewhere, clearing stays rare.
    assert cleared[6] == pytest.approx(SAME_VISIT, rel=1e-2)
    assert cleared[1] == pytest.approx(SAME_VISIT_CLEARED, rel=1e-2)
    assert both[6] == pytest.approx(LOGGED, rel=1e-2)


def test_entries_half_a_year_apart_are_two_visits():
    odds = beside(unit(entry("power", 2.5), entry("fluid", 8.5)), ("power", "fluid"))
    # But for the chance of e^-15 / 2 that one is off by a gap and a half, in which the odds are LOGGED_FLUID.
    np.testing.assert_allclose(odds, SAME_VISIT, rtol=1.01 * LOGGED_FLUID / SAME_VISIT * np.exp(-15.0) / 2.0)


def test_order_of_a_pair_does_not_matter_to_its_visit():
    panel = unit(entry("power", 5.5), entry("load", 6.2))
    np.testing.assert_allclose(
        beside(panel, ("power", "load")),
        beside(panel, ("load", "power")),
    )


def prior_of(panel: Panel, causes: tuple[str, ...]) -> np.ndarray:
    """Prior odds of the first family that stands for these causes, its share taken out."""
    every = families(panel, known().fleet)
    row = next(i for i, f in enumerate(every) if f.causes == causes)
    return np.exp(log_prior(panel, every, SLACK)[row]) / every[row].share


def test_prior_odds_of_a_cause_alone_and_of_a_pair():
    # Hand-solved: 30 days of the yearly rate, and at the gap of an entry the odds of a right one beside it.
    rate = DAYS / 365.25
    quiet, logged = unit(), unit(entry("power", 5.5), entry("fluid", 5.5))
    power, fluid = UNLOGGED_PER_YEAR["power"] * rate, UNLOGGED_PER_YEAR["fluid"] * rate
    np.testing.assert_allclose(prior_of(quiet, ("power",))[1:], power)
    np.testing.assert_allclose(prior_of(quiet, ("power", "fluid"))[1:], SAME_VISIT * max(power, fluid))
    right = LOG_IS_RIGHT * (1.0 - np.exp(-5.0))
    alone = power + right / (1.0 - right)
    assert prior_of(logged, ("power",))[6] == pytest.approx(alone)
    assert prior_of(logged, ("power", "fluid"))[6] == pytest.approx(alone * LOGGED_FLUID, rel=2e-2)
    assert prior_of(logged, ("power",))[0] == 0.0


def test_beside_real_work_a_careless_log_is_believed_less_than_a_careful_one():
    # Hand-solved: 3.8 x 0.25 / 0.75 and 3.8 x 0.9 / 0.1 to one; where nothing is logged it does not matter.
    panel = unit(entry("power", 5.5), entry("load", 5.5))
    for right, odds in ((0.25, 3.8 / 3.0), (0.9, 34.2)):
        found = _beside(panel, ("power", "load"), SLACK, right)
        assert found[6] == pytest.approx(odds, rel=1e-2)
        assert found[1] == pytest.approx(SAME_VISIT)


@pytest.mark.parametrize("share", [0.2, 0.9])
def test_entries_count_as_far_as_this_fleets_are_right(share):
    # Hand-solved: odds of the share, for work that fleets log more or less carefully, and of three quarters
    # of it for fluid work; a relearn as ever.
    panel = unit(entry("load", 5.5), entry("fluid", 7.5), entry("relearn", 9.5))
    every = families(panel, known().fleet)
    here = 1.0 - np.exp(-5.0)
    for cause, snapshot, right in (
        ("load", 6, share),
        ("relearn", 10, DONE_IS_RIGHT),
        ("fluid", 8, 0.75 * share),
    ):
        row = next(i for i, f in enumerate(every) if f.causes == (cause,))
        odds = np.exp(log_prior(panel, every, SLACK, share)[row, snapshot]) / every[row].share
        rate = UNLOGGED_PER_YEAR[cause] * DAYS / 365.25
        assert odds == pytest.approx(rate + right * here / (1.0 - right * here))


@few
@given(st.floats(0.2, 10.8), st.integers(-3000, 3000))
def test_prior_odds_do_not_depend_on_the_calendar(snapshot, days):
    panel = unit(entry("rebuild", snapshot))
    by = np.timedelta64(days, "D")
    later = replace(
        panel,
        taken_at=panel.taken_at + by,
        events=tuple(replace(e, happened_at=e.happened_at + by) for e in panel.events),
    )
    np.testing.assert_allclose(prior_of(later, ("rebuild",)), prior_of(panel, ("rebuild",)))


# --- what a rebuild hides -----------------------------------------------------------------------------------


def hidden(*log: Event, index: int = 6) -> list[CauseFinding]:
    return _hidden(unit(*log), 0, Placed(0, index), 0.6, SLACK, LOG_IS_RIGHT)


def test_what_the_log_says_was_done_at_a_rebuild_is_a_finding():
    found = hidden(entry("fluid", 5.5))
    assert [(f.cause, f.index, f.drift) for f in found] == [("fluid", 6, False)]
    # Hand-solved: of a rebuild of 0.6, as far as an entry of fluid work is right beside real work.
    assert found[0].probability == pytest.approx(0.6 * LOGGED_FLUID / (1.0 + LOGGED_FLUID))
    assert found[0].event is not None
    assert found[0].event.kind == "fluid"
    assert (found[0].size, found[0].modes, found[0].shifts) == ((), (), ())


def test_each_entry_that_a_rebuild_hides_is_a_finding():
    assert {f.cause for f in hidden(entry("power", 5.5), entry("load", 5.6))} == {"power", "load"}


@pytest.mark.parametrize("kind", ["relearn", "rebuild", "repair", "other"])
def test_entries_that_are_part_of_a_rebuild_or_name_nothing_are_not_hidden_by_it(kind):
    assert hidden(entry(kind, 5.5)) == []


def test_an_entry_of_another_visit_is_not_hidden():
    assert hidden(entry("fluid", 3.5)) == []
    assert len(hidden(entry("fluid", 6.5))) == 1  # the snapshot beside: the same visit, placed one gap early


@pytest.mark.parametrize("seed", [3, 4])
def test_fluid_that_is_logged_with_a_rebuild_is_told_with_its_entry_and_without_a_size(seed):
    packs = tuple(c.id for c in profile().clutches)
    log = (LogEntry(400.0, "rebuild"), LogEntry(400.0, "fluid"))
    said = said_of(Action("rebuild", 400.0, packs=packs), log=log, seed=seed)
    rebuild, fluid = (next(f for f in said.findings if f.cause == c) for c in ("rebuild", "fluid"))
    assert (fluid.event, fluid.size, fluid.by) == ("E0002", (), rebuild.by)
    # The quiet fleet says nothing of its log.
    assert fluid.probability <= LOGGED_FLUID / (1.0 + LOGGED_FLUID)
    assert "The log has a fluid entry" in fluid.sentence
    assert {f.cause for f in likely(said)} <= {"rebuild", "fluid"}


def test_without_an_entry_nothing_is_said_to_be_hidden():
    packs = tuple(c.id for c in profile().clutches)
    said = said_of(Action("rebuild", 400.0, packs=packs), log=(LogEntry(400.0, "rebuild"),))
    assert {f.cause for f in likely(said)} == {"rebuild"}
