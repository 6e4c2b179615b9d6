"""One change, one finding: what `tidy` keeps of findings that tell of the same thing; by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from driftwatch.assessment.judge import tidy
from driftwatch.causes.results import CauseFinding, SignalEffect
from driftwatch.panel.panel import Event


def found(
    cause: str, index: int | None, probability: float = 0.9, drift: bool = False, rise: float = 5.0
) -> CauseFinding:
    return CauseFinding(
        cause=cause,
        probability=probability,
        index=index,
        drift=drift,
        change=index,
        clutch=None,
        modes=(),
        shifts=(),
        event=None,
        size=(SignalEffect("apply_trim", "kPa", rise, 0.5), SignalEffect("shift_time", "s", -rise, 0.5)),
        rivals=(),
    )


def test_a_loss_of_pressure_from_the_start_and_a_bend_that_goes_on_with_it_are_one():
    start, bend = found("pressure", None, 0.6, drift=True), found("pressure", 9, 0.9, drift=True)
    assert tidy([start, bend]) == [bend]


def test_a_drift_that_levels_off_is_no_second_loss():
    # The pressure falls, and then the slope bends back: the trims of the second bend go down.
    falls, levels = (found("pressure", i, p, True, r) for i, p, r in ((5, 0.9, 6.0), (15, 0.7, -6.0)))
    assert tidy([falls, levels]) == [falls]


@pytest.mark.parametrize("drift", [False, True])
def test_a_step_of_pressure_the_same_way_is_the_same_loss_and_one_back_is_not(drift):
    loss = found("pressure", 4, 0.9, drift)
    assert tidy([loss, found("pressure", 12, 0.6)]) == [loss]
    back = found("pressure", 12, 0.6, rise=-5.0)
    assert tidy([loss, back]) == [loss, back]


def test_other_causes_are_not_merged_however_alike_they_go():
    changes = [found("fluid", 4), found("fluid", 12, 0.8), found("pressure", 12, 0.7)]
    assert tidy(changes) == changes


@pytest.mark.parametrize("part", ["relearn", "unexplained"])
def test_echoes_at_the_next_snapshot_and_what_is_part_of_a_rebuild_are_left_out(part):
    rebuild, echo, beside = found("rebuild", 8), found("rebuild", 9, 0.5), found(part, 7, 0.8)
    assert tidy([beside, echo, rebuild]) == [rebuild]
    apart = [rebuild, found(part, 11, 0.8)]
    assert tidy(apart) == apart
    unsure = [found(part, 8, 0.6), found("rebuild", 8, 0.4)]
    assert tidy(unsure) == unsure


@pytest.mark.parametrize("cause", ["power", "load", "fluid", "pressure"])
def test_what_nobody_logged_beside_a_likelier_rebuild_is_part_of_it(cause):
    # The new levels hide what else was done: only the log can say it.
    rebuild, beside = found("rebuild", 8, 0.8), found(cause, 7, 0.7)
    assert tidy([beside, rebuild]) == [rebuild]
    logged = replace(beside, event=Event("e1", np.datetime64("2025-03-01"), cause, ""))
    surer, earlier = found(cause, 8, 0.9), found(cause, 6, 0.7)
    falling = found(cause, 8, 0.7, drift=True)
    for other in (logged, surer, earlier, falling):
        assert set(tidy([other, rebuild])) == {other, rebuild}


def test_a_drift_without_a_beginning_is_no_part_of_a_rebuild():
    # Not even of one at the first snapshot after the first.
    loss, rebuild = found("pressure", None, 0.6, drift=True), found("rebuild", 1)
    assert tidy([loss, rebuild]) == [rebuild, loss]


def test_one_cause_at_one_snapshot_after_another_is_one_change_that_came_slowly():
    # The likeliest of a run stays, also where the run's middle is less likely than both its ends.
    run = [found("relearn", 16, 0.92), found("relearn", 17, 0.5), found("relearn", 18, 0.91)]
    later = found("relearn", 20, 0.7)
    assert tidy([*run, later]) == [run[0], later]
    assert tidy([later, *reversed(run)]) == [run[0], later]
