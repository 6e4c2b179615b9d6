"""A pack's forecast in words: by when, how far, how much is used up, and why nothing can be said of it."""

from __future__ import annotations

from datetime import date

import numpy as np

from driftwatch.assessment.results import UnitAnalysis
from driftwatch.service.results import ClutchOutlook
from driftwatch.wording import day, distance, month_name, percent

#: A limit that is further off is said to be beyond these: no growth is known well enough for that long.
FAR_YEARS, FAR_KM = 10, 500_000.0
#: A used share under this is none: fitted growth may even be a little below nothing.
_NONE_USED = 0.005
#: Why there is no forecast for any pack of a unit, in a table and in a sentence.
UNTOLD = {
    "unread": ("no volumes", "no fill volumes were read"),
    "too_few": ("too few readings", "there are too few readings so far"),
    "no_limit": ("no limits", "the profile has no limit for the packs that were read"),
    "few_volumes": ("too few volumes", "too few fill volumes were read so far"),
}


def due_words(outlook: ClutchOutlook, read_on: date) -> str:
    """Say by when a limit is reached, as finely as it is known: in days, months or years.

    Parameters
    ----------
    outlook : ClutchOutlook
        Its days may be no earlier than the day it is told on.
    read_on : date
        Day of the last reading, from which the years ahead are counted.

    """
    early, middle, late = (outlook.due_on[q] for q in ("p10", "p50", "p90"))
    if early is None:
        return (
            "not to be expected as things stand"
            if outlook.remaining_km["p10"] is None
            else "no day can be told by its use so far"
        )
    if _is_far(early, read_on):
        return f"not within {FAR_YEARS} years (less than one chance in ten)"
    near = [d for d in (middle, late) if d is not None and not _is_far(d, read_on)]
    width = (max(near) - early if near else early - read_on).days
    said = day if width <= 120 else _month if width <= 1100 else _year
    if middle is None or _is_far(middle, read_on):
        return (
            f"not before {said(early)} (one chance in ten by then); even chance more than {FAR_YEARS} years "
            "away, if ever"
        )
    is_open = late is None or _is_far(late, read_on)
    latest = f"more than {FAR_YEARS} years away" if is_open else said(late or middle)
    if outlook.probably_reached:
        return "very likely reached by now" if late == middle else f"probably reached by now, latest {latest}"
    if is_open:
        return f"{said(early)} at the earliest likely, even chance {said(middle)}, latest {latest}"
    return f"{said(early)} to {latest}, even chance {said(middle)}"


def left_words(outlook: ClutchOutlook) -> tuple[str, str]:
    """Say how far it is from the last reading to the limit, and how near it may be (empty if far too)."""
    if outlook.used >= 1:
        return "none", ""
    early, middle = outlook.remaining_km["p10"], outlook.remaining_km["p50"]
    is_far = middle is None or middle > FAR_KM
    left = f"over {distance(FAR_KM)}" if is_far else f"about {distance(middle)}"
    sooner = early is not None and early <= FAR_KM
    return left, f"1 in 10: under {distance(early)}" if sooner else ""


def used_words(used: float) -> str:
    """Give the share of its allowance that a pack has used; never less than none."""
    return percent(used) if used >= _NONE_USED else "none"


def why_untold(analysis: UnitAnalysis) -> str:
    """Give the key in `UNTOLD` of why no pack of a unit has a forecast; empty where one has."""
    panel = analysis.panel
    if analysis.assessment.clutches:
        return ""
    read = volumes_read(analysis)
    if not read:
        return "unread"
    if analysis.assessment.state == "too_few":
        return "too_few"
    has_limit = any(panel.profile.clutch(pack).limit_cm3 is not None for pack in read)
    return "few_volumes" if has_limit else "no_limit"


def volumes_read(analysis: UnitAnalysis) -> tuple[str, ...]:
    """Give the packs whose fill volume was ever read."""
    panel = analysis.panel
    return tuple(
        c.channel
        for i, c in enumerate(panel.cells)
        if c.signal == "clutch_volume" and np.isfinite(panel.values[:, i]).any()
    )


def _is_far(value: date, read_on: date) -> bool:
    return (value - read_on).days > FAR_YEARS * 365.25


def _month(value: date) -> str:
    return month_name(value.year, value.month)


def _year(value: date) -> str:
    return str(value.year)
