"""Prior odds of each cause at each snapshot: how often it happens, and what the log says.

A logged event is a hint with room for error: it may be misdated, may have had no effect, and changes
happen that nobody logged. So every cause keeps a small rate of its own (changes per year; from experience,
no source), and an entry adds the chance that it is right, spread over the snapshots around its date.
"""

from __future__ import annotations

import numpy as np

from driftwatch.causes.signatures import Family
from driftwatch.panel.panel import Event, Floats, Panel

#: Unlogged changes per unit and year.
UNLOGGED_PER_YEAR = {
    "power": 0.06,
    "load": 0.06,
    "fluid": 0.06,
    "relearn": 0.05,
    "rebuild": 0.02,
    "pressure": 0.036,
    "unexplained": 0.02,
    "": 0.1,
}
#: Chance that a logged event really acted.
LOG_IS_RIGHT = 0.7
#: The same of values that were cleared and of a rebuild: who notes them has done them.
DONE_IS_RIGHT = 0.85
#: In a visit in which something else acted, the odds of it are so many times as high: wrong entries seldom
#: meet with real work.
BESIDE_ODDS = 3.8
#: Work of which entries are wrong, or without effect, more often in one fleet than in another, with how often
#: they acted against entries of power and load, by which a fleet's log is judged.
OFTEN_WRONG = {"power": 1.0, "load": 1.0, "fluid": 0.75}
#: What an entry may stand for.
MEANINGS: dict[str, dict[str, float]] = {
    "power": {"power": LOG_IS_RIGHT, "relearn": 0.1},
    "load": {"load": LOG_IS_RIGHT},
    "fluid": {"fluid": LOG_IS_RIGHT},
    "relearn": {"relearn": DONE_IS_RIGHT},
    "rebuild": {"rebuild": DONE_IS_RIGHT, "relearn": 0.05},
    "repair": {"unexplained": 0.3, "pressure": 0.2, "relearn": 0.1, "rebuild": 0.05},
    "other": {"unexplained": 0.1},
}
#: Without counts of shifts, a seldom-driven mode that learns a change late looks as if it had been cleared.
CLEARED_UNCOUNTED = 0.01
#: Given one of two causes, the chance that the other acts in the same visit without being logged.
SAME_VISIT = 0.05
#: The same of a relearn that nobody logged: clearing is a step of its own, and is noted.
SAME_VISIT_CLEARED = 0.01


def log_prior(
    panel: Panel, families: tuple[Family, ...], slack_days: float, right: float = LOG_IS_RIGHT
) -> Floats:
    """Log prior odds of every family at every snapshot, shape (K, T); -inf at the first snapshot.

    `right` is the chance that an entry of power or load acted.
    """
    gaps = np.diff(panel.days, prepend=panel.days[:1]) / 365.25
    odds = {cause: rate * gaps for cause, rate in UNLOGGED_PER_YEAR.items()}
    for event in panel.events:
        near = nearness(panel, event, slack_days)
        for cause, chance in MEANINGS.get(event.kind, {}).items():
            often_wrong = cause == event.kind and cause in OFTEN_WRONG
            share = (right * OFTEN_WRONG[cause] if often_wrong else chance) * near
            odds[cause] = odds[cause] + share / (1.0 - np.minimum(share, 0.95))
    rows = []
    for family in families:
        parts = family.causes or ("",)
        row = odds[parts[0]]
        if len(parts) == 2:
            # Both in one visit: where one acted, the other did as well.
            row = np.maximum(row, odds[parts[1]]) * _beside(panel, parts, slack_days, right)
            if "relearn" in parts and not np.isfinite(panel.learn_counts).any():
                row = row * CLEARED_UNCOUNTED
        rows.append(row * family.share)
    with np.errstate(divide="ignore"):
        return np.log(np.stack(rows))


def beside_odds(cause: str, right: float) -> float:
    """Odds that an entry acted in a visit in which something else did; for `right` see `log_prior`."""
    acted = right * OFTEN_WRONG.get(cause, 1.0)
    return BESIDE_ODDS * acted / (1.0 - acted)


def _beside(panel: Panel, causes: tuple[str, ...], slack_days: float, right: float) -> Floats:
    """Odds, given one of two causes at a snapshot, that the other acted in the same visit, shape (T,).

    Two entries on nearly the same day are one visit: if one of them is misdated, so is the other.
    """
    logged = {}
    for cause in causes:
        mass = np.zeros(len(panel.days))
        for event in panel.events:
            if event.kind == cause:
                near = nearness(panel, event, slack_days)
                mass += near + np.r_[near[1:], 0.0] + np.r_[0.0, near[:-1]]
        logged[cause] = np.minimum(mass, 1.0)
    both = np.minimum(*logged.values())
    odds = min(beside_odds(cause, right) for cause in causes)
    # At a clearing that was logged, other work is as likely as at any.
    noted = logged.get("relearn", 1.0)
    unlogged = SAME_VISIT_CLEARED + (SAME_VISIT - SAME_VISIT_CLEARED) * noted
    return np.asarray(unlogged * (1.0 - both) + odds * both)


def nearness(panel: Panel, event: Event, slack_days: float) -> Floats:
    """Chance that the event's true time lies in the gap before each snapshot, shape (T,).

    The logged date is wrong by a Laplace-distributed number of days of scale a third of the slack.
    """
    at = (event.happened_at - panel.taken_at[0]) / np.timedelta64(1, "D")
    scale = max(slack_days / 3.0, 0.25)
    away = (panel.days - float(at)) / scale
    below = np.where(
        away < 0, 0.5 * np.exp(np.minimum(away, 0.0)), 1.0 - 0.5 * np.exp(-np.maximum(away, 0.0))
    )
    mass = np.diff(below, prepend=below[:1])
    return np.asarray(mass)
