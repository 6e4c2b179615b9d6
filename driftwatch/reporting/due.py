"""The year ahead: how many packs are expected to reach their limit in each month, and at which site."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from math import log
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray
from scipy.stats import poisson_binom

from driftwatch.reporting.parts import Chart, Table
from driftwatch.reporting.picture import BLUE, GREEN, GREY, INK, ORANGE, PATTERN, PURPLE, RED, Picture
from driftwatch.reporting.texts import chart_text, count, shorten
from driftwatch.service.results import ClutchOutlook
from driftwatch.wording import month_name, name

MONTHS_AHEAD = 12
#: Standard normal quantile of 0.9.
_Z90 = NormalDist().inv_cdf(0.9)
#: Sites that are told apart; the packs of the others stand together.
MOST_SITES = 5
NO_SITE, OTHERS = "no site", "other sites"
#: Colour and pattern of each site, the one with the most first.
_LOOKS = ((BLUE, ""), (ORANGE, "/"), (GREEN, "x"), (PURPLE, "-"), (RED, "."), (GREY, "\\"))
#: Chances below this do not move a count.
_NOTHING = 1e-9


@dataclass(frozen=True)
class Expected:
    """Packs expected to reach their limit in the months ahead.

    Attributes
    ----------
    months : tuple of (year, month)
        In order.
    sites : tuple of str
        The site with the most expected first; where there are many, the rest are put together.
    by_site : array (sites, months)
        Expected number of packs.
    low, high : tuple of int
        10 and 90 % quantiles of the number of packs in each month, over all sites.
    year : (float, int, int)
        Expected number over all the months, and its 10 and 90 % quantiles.
    listed : (float, int)
        Of the expected number, what the packs at `watch`, `plan` or `due` make up, and how many those are.
    reached : int
        Packs already at their limit; not counted.

    """

    months: tuple[tuple[int, int], ...]
    sites: tuple[str, ...]
    by_site: NDArray[np.float64]
    low: tuple[int, ...]
    high: tuple[int, ...]
    year: tuple[float, int, int]
    listed: tuple[float, int]
    reached: int


def service_calendar(packs: Sequence[tuple[str, ClutchOutlook]], as_of: date) -> Chart:
    """Draw the packs expected to reach their limit in each of the next twelve months, by site."""
    return _drawn(expected_packs(packs, as_of))


def expected_packs(packs: Sequence[tuple[str, ClutchOutlook]], as_of: date) -> Expected:
    """Add up each pack's chances, month by month.

    Each pack's chance is shared out by `chance_by`. What may have happened between the last reading and
    `as_of` goes to the first month. The number of packs in a month follows the Poisson-binomial law of their
    chances (that of a sum of unlike yes-or-no events), with packs taken to be independent of each other.

    Parameters
    ----------
    packs : sequence of (site, ClutchOutlook)
        Every pack with a forecast; an empty site is allowed.
    as_of : date
        The months begin with that of the following day.

    """
    months = [_month_after(as_of, k) for k in range(MONTHS_AHEAD + 1)]
    ends = [date.fromordinal(date(y, m, 1).toordinal() - 1) for y, m in months[1:]]
    ahead = [(site, c) for site, c in packs if c.used < 1]
    by_end = np.array([[chance_by(c.due_on, end, as_of) for end in ends] for _, c in ahead])
    by_end = by_end.reshape(len(ahead), MONTHS_AHEAD)
    chances = np.diff(by_end, axis=1, prepend=0.0)
    sites = np.array([site.strip() or NO_SITE for site, _ in ahead], dtype=object)
    totals = {site: float(chances[sites == site].sum()) for site in dict.fromkeys(sites)}
    ranked = sorted(totals, key=lambda s: (-totals[s], s))
    if len(ranked) > MOST_SITES + 1:
        sites = np.where(np.isin(sites, ranked[:MOST_SITES]), sites, OTHERS)
        ranked = [*ranked[:MOST_SITES], OTHERS]
    shown = tuple(ranked) or (NO_SITE,)
    low, high = zip(*(_count_range(chances[:, k]) for k in range(MONTHS_AHEAD)), strict=True)
    whole = by_end[:, -1] if len(ahead) else np.zeros(0)
    near = np.array([c.service != "clear" for _, c in ahead], dtype=bool)
    return Expected(
        months=tuple(months[:-1]),
        sites=shown,
        by_site=np.array([chances[sites == site].sum(axis=0) for site in shown]),
        low=low,
        high=high,
        year=(float(whole.sum()), *_count_range(whole)),
        listed=(float(whole[near].sum()), int(near.sum())),
        reached=len(packs) - len(ahead),
    )


def _drawn(ahead: Expected) -> Chart:
    """Draw the months as bars, a site on the other, with a band for how many packs may come."""
    names = [month_name(y, m) for y, m in ahead.months]
    days = [date(y, m, 1).isoformat() for y, m in ahead.months]
    totals = ahead.by_site.sum(axis=0).tolist()
    several = len(ahead.sites) > 1
    picture = Picture(
        330 if several else 300,
        margin={"l": 56, "r": 16, "t": 40 if several else 24, "b": 56},
        barmode="stack",
        showlegend=several,
        legend={"orientation": "h", "x": 0, "y": 1.0, "yanchor": "bottom", "traceorder": "normal"},
    )
    for k, site in enumerate(ahead.sites):
        told = chart_text(shorten(site, 24))
        colour, shape = _LOOKS[k % len(_LOOKS)]
        picture.bars(
            days,
            [round(e, 3) for e in ahead.by_site[k].tolist()],
            name=told,
            marker={"color": colour, "pattern": PATTERN | {"shape": shape}},
            hovertemplate=f"%{{x|%B %Y}}, {told}: %{{y:.1f}} packs expected<extra></extra>",
        )
    picture.scatter(
        days,
        [round(t, 3) for t in totals],
        mode="markers",
        marker={"color": INK, "size": 5},
        error_y={
            "type": "data",
            "symmetric": False,
            "array": [round(max(h - t, 0.0), 3) for h, t in zip(ahead.high, totals, strict=True)],
            "arrayminus": [round(max(t - b, 0.0), 3) for b, t in zip(ahead.low, totals, strict=True)],
            "color": INK,
            "thickness": 1.4,
            "width": 5,
        },
        hovertemplate="%{x|%B %Y}: %{y:.1f} packs expected in all<extra></extra>",
    )
    picture.axis("xaxis", type="date", tickformat="%b\n%Y", dtick="M1", ticklabelmode="instant")
    picture.axis("yaxis", title={"text": "packs expected"}, rangemode="tozero")
    if max(*totals, *ahead.high) < 1:
        picture.axis("yaxis", range=[0, 1.08])
    rows = tuple(
        (
            n,
            *(f"{e:.2f}" for e in ahead.by_site[:, k].tolist()),
            *((f"{totals[k]:.2f}",) if several else ()),
            f"{ahead.low[k]} to {ahead.high[k]}",
        )
        for k, n in enumerate(names)
    )
    columns = (*ahead.sites, "All") if several else ("Packs expected",)
    return Chart(
        "calendar",
        "Service calendar",
        _calendar_says(ahead, names, totals),
        picture.height,
        picture.figure(),
        Table(
            "Packs expected to reach their limit, and the number that comes in eight cases of ten",
            ("Month", *columns, "Number"),
            rows,
        ),
    )


def _calendar_says(ahead: Expected, names: Sequence[str], totals: Sequence[float]) -> str:
    whole, low, high = ahead.year
    if whole < 0.05:
        says = "No pack is expected to reach its limit in the next twelve months."
    else:
        peak = max(range(len(totals)), key=lambda i: totals[i])
        most = f", the most in {names[peak]} ({totals[peak]:.1f})" if totals[peak] > 1.3 * whole / 12 else ""
        number = f"{low}" if low == high else f"{low} to {high}"
        says = (
            f"About {whole:.1f} packs are expected to reach their limit in these twelve months ({number} in "
            f"eight cases of ten){most}. Each pack's chance is spread over the months it may fall in, so a "
            "month can hold part of a pack; the thin line is how many may come in that month."
        )
        of_listed, n = ahead.listed
        if whole - of_listed >= 0.05:
            says += (
                f" The {count(n, 'pack')} at watch, plan or due {'makes' if n == 1 else 'make'} up "
                f"{of_listed:.1f} of that; the rest is"
                if n
                else " No pack is at watch, plan or due: that is"
            ) + " made up of smaller chances of packs that are not listed."
        if len(ahead.sites) > 1:
            of_site = ahead.by_site.sum(axis=1).tolist()
            says += f" Most of them at {name(ahead.sites[0])} ({of_site[0]:.1f})."
    if ahead.reached:
        says += (
            f" {ahead.reached} already at the limit {'is' if ahead.reached == 1 else 'are'} not counted here."
        )
    return says


def _count_range(chances: NDArray[np.float64]) -> tuple[int, int]:
    """Give the 10 and 90 % quantiles of how many of some independent events happen."""
    some = chances[chances > _NOTHING]
    if not len(some):
        return 0, 0
    # By the distribution function: SciPy's quantiles take no more than some sixty chances.
    up_to = poisson_binom(np.minimum(some, 1.0)).cdf(np.arange(len(some) + 1))
    low, high = np.searchsorted(up_to, [0.1, 0.9])
    return int(low), int(high)


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
