"""Alerts against what came: how long before, false ones, and those that flapped."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date

import numpy as np

from driftwatch.assessment.backtest.observed import Crossing, Life, day_of, life_at, odometer_on
from driftwatch.assessment.backtest.results import LEVELS, Alarm, Flap, Lead, Reached
from driftwatch.assessment.backtest.said import SaidPack
from driftwatch.assessment.results import SERVICE_STATES
from driftwatch.panel.panel import Panel

#: Month end -> what was said of one pack then; month ends without a forecast are missing.
Course = Mapping[date, SaidPack]


def reached_in(
    unit: str, clutch: str, lives: Sequence[Life], panel: Panel, course: Course, origins: Sequence[date]
) -> list[Reached]:
    """Give the limits that a pack reached, each with how long before it the alerts stood.

    Only those with a month end before them in the same life: nothing could have been said of the others.
    """
    found = []
    for life in lives:
        if life.crossing is None:
            continue
        begun = day_of(panel, life.start)
        looks = [day for day in origins if begun <= day < life.crossing.day]
        if not looks:
            continue
        later = [day for day in origins if day >= life.crossing.day]
        ranks = {d: _rank(course, d, life) for d in (*looks, *later)}
        leads = {
            level: _lead(SERVICE_STATES.index(level), looks, later, ranks, life.crossing, panel)
            for level in LEVELS
        }
        found.append(
            Reached(
                unit=unit,
                clutch=clutch,
                day=life.crossing.day,
                odometer_km=life.crossing.odometer_km,
                early_km=life.crossing.early_km,
                late_km=life.crossing.late_km if np.isfinite(life.crossing.late_km) else None,
                looks=len(looks),
                plan=leads["plan"],
                due=leads["due"],
            )
        )
    return found


def alarms_of(
    lives: Sequence[Life], panel: Panel, course: Course, origins: Sequence[date], within: Mapping[str, float]
) -> list[Alarm]:
    """Give the alerts raised on one pack, and what came of each.

    Parameters
    ----------
    lives : sequence of Life
        Of that pack, as known at the end.
    panel : Panel
        The unit's readings as known at the end.
    course : mapping
        What was said of the pack.
    origins : sequence of date
        All month ends, in order.
    within : mapping
        Level -> distance that it speaks of, km.

    """
    found = []
    for level in LEVELS:
        least = SERVICE_STATES.index(level)
        raised: SaidPack | None = None
        for day in origins:
            said = course.get(day)
            stands = said is not None and said.rank >= least
            same_life = (
                raised is not None
                and said is not None
                and life_at(lives, said.last) is life_at(lives, raised.last)
            )
            if raised is not None and not (stands and same_life):
                found.append(_alarm(level, raised, day, lives, panel, within[level]))
                raised = None
            if stands and raised is None:
                raised = said
        if raised is not None:
            found.append(_alarm(level, raised, None, lives, panel, within[level]))
    return found


def flaps_of(lives: Sequence[Life], course: Course, origins: Sequence[date]) -> list[Flap]:
    """Give each service state that went up at one month end and down again at the next, in one life."""
    found = []
    for days in zip(origins, origins[1:], origins[2:], strict=False):
        said = [course.get(day) for day in days]
        before, peak, afterwards = said
        if before is None or peak is None or afterwards is None:
            continue
        if life_at(lives, before.last) is not life_at(lives, afterwards.last):
            continue
        if before.rank < peak.rank > afterwards.rank:
            found.append(
                Flap(peak.unit, peak.clutch, days[1], before.service, peak.service, afterwards.service)
            )
    return found


def _rank(course: Course, day: date, life: Life) -> int:
    """Rank of the state said on a day of that life; -1 where there was no forecast."""
    said = course.get(day)
    return -1 if said is None or not life.start <= said.last < life.stop else said.rank


def _lead(
    least: int,
    looks: Sequence[date],
    later: Sequence[date],
    ranks: Mapping[date, int],
    crossing: Crossing,
    panel: Panel,
) -> Lead:
    stood = len(looks)
    while stood and ranks[looks[stood - 1]] >= least:
        stood -= 1
    if stood == len(looks):
        late = next((day for day in later if ranks[day] >= least), None)
        return Lead(None, None, None, False, None if late is None else (late - crossing.day).days)
    on = looks[stood]
    km = crossing.odometer_km - odometer_on(panel, on)
    return Lead(on, max(km, 0.0), (crossing.day - on).days, stood == 0, None)


def _alarm(
    level: str, raised: SaidPack, cleared_on: date | None, lives: Sequence[Life], panel: Panel, within: float
) -> Alarm:
    life = life_at(lives, raised.last)
    here = float(panel.odometer_km[raised.last])
    came = None if life.crossing is None else life.crossing.odometer_km - here
    if life.worn_at_start or (came is not None and came <= within):
        outcome = "right"
    elif life.followed_to_km - here >= within:
        outcome = "false"
    else:
        outcome = "renewed" if life.over else "open"
    near = outcome == "false" and life.nearly_km - here <= within
    return Alarm(raised.unit, raised.clutch, level, raised.origin, cleared_on, within, outcome, came, near)
