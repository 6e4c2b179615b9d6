"""The year ahead: how many packs are expected to reach their limit in each month."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from math import log
from statistics import NormalDist

from driftwatch.reporting import figures
from driftwatch.reporting.parts import Chart
from driftwatch.service.results import ClutchOutlook

MONTHS_AHEAD = 12
#: Standard normal quantile of 0.9.
_Z90 = NormalDist().inv_cdf(0.9)


def service_calendar(outlooks: Sequence[ClutchOutlook], as_of: date) -> Chart:
    """Draw the packs expected to reach their limit in each of the next twelve months.

    Each pack's chance is shared out by `chance_by` and the packs are added up. What may have happened between
    the last reading and `as_of` goes to the first month.
    """
    months = [_month_after(as_of, k) for k in range(MONTHS_AHEAD + 1)]
    ends = [date.fromordinal(date(y, m, 1).toordinal() - 1) for y, m in months[1:]]
    ahead = [c for c in outlooks if c.used < 1]
    by_end = [sum(chance_by(c.due_on, end, as_of) for c in ahead) for end in ends]
    expected = [now - before for now, before in zip(by_end, [0.0, *by_end[:-1]], strict=True)]
    return figures.calendar(months[:-1], expected, len(outlooks) - len(ahead))


def chance_by(due_on: Mapping[str, date | None], day: date, start: date) -> float:
    """Give the chance that the limit is reached by a day, from the 10, 50 and 90 % days.

    The time from `start` is taken for log-normal with a width of its own on each side of the 50 % day (for
    normal where a day is not after `start`). Where only the 10 % day is known, all that can be said is one
    tenth from then on; where the 90 % day is not, one half from the 50 % day on.
    """
    p10, p50, p90 = (due_on.get(q) for q in ("p10", "p50", "p90"))
    if p10 is None or p50 is None:
        return 0.1 if p10 is not None and day >= p10 else 0.0
    if day >= p50 and p90 is None:
        return 0.5
    side = p10 if day < p50 or p90 is None else p90
    t, middle, edge = (float((d - start).days) for d in (day, p50, side))
    if min(middle, edge) <= 0:
        return NormalDist().cdf(_Z90 * (t - middle) / max(abs(edge - middle), 1.0))
    if t <= 0:
        return 0.0
    width = max(abs(log(edge / middle)), 1e-6)
    return NormalDist().cdf(_Z90 * log(t / middle) / width)


def _month_after(start: date, k: int) -> tuple[int, int]:
    """Give year and month of the k-th month counted from the day after `start`."""
    following = date.fromordinal(start.toordinal() + 1)
    months = following.year * 12 + following.month - 1 + k
    return months // 12, months % 12 + 1
