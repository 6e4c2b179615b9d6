"""The short look back that the fleet review cites: the year before, a quarter at a time."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import timedelta

from driftwatch.assessment.backtest.cut import first_judged, month_ends
from driftwatch.assessment.backtest.results import Backtest
from driftwatch.assessment.backtest.run import Progress, backtest
from driftwatch.assessment.results import UnitAnalysis
from driftwatch.settings import Settings
from driftwatch.store.records import Records

#: Month ends are so many months apart; the newest lies so many before the last day known, the oldest a year.
APART = 3
OLDEST = 12
#: Of a larger fleet, so many units are looked at, evenly through the list, so that the effort stays bounded.
MOST_UNITS = 200


def last_year(
    records: Records,
    settings: Settings,
    now: Callable[[], Sequence[UnitAnalysis]] | None = None,
    progress: Progress | None = None,
) -> Backtest | None:
    """Look back on the year before the last day known; None if no unit could be judged three months before.

    Parameters and errors as for `driftwatch.assessment.backtest.run.backtest`. Costs at most as much as four
    assessments of the fleet, or of `MOST_UNITS` units.
    """
    known = month_ends(records.as_of - timedelta(days=400), records.as_of)[-(OLDEST + 1) :]
    start, end = known[0], known[-(APART + 1)]
    judged = first_judged(records.readings, settings.least_snapshots)
    if judged is None or judged > end:
        return None
    names = [str(unit) for unit in records.units["unit"]]
    step = -(-len(names) // MOST_UNITS)
    units = names[::step] if step > 1 else None
    return backtest(records, settings, max(start, judged), end, APART, units, now, progress)
