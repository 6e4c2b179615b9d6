"""What a look back shows, in sentences: its own report and the fleet review share them."""

from __future__ import annotations

from collections.abc import Sequence

from driftwatch.assessment.backtest.results import Alarm, Backtest, Figure
from driftwatch.assessment.backtest.said import HORIZONS
from driftwatch.reporting.hindsight import lead_words
from driftwatch.reporting.texts import count
from driftwatch.wording import day, distance, grouped, listed, measured, number, percent, set_distance, shown

#: With fewer packs than this, a share is said together with what it could be in truth.
FEW_PACKS = 30
#: Horizon at which the forecast is compared with a straight line, months.
COMPARED = 6
#: Up to this share the ranges are called a little too wide.
A_LITTLE = 0.9
_PROMISED = "80\u202f%"


def period(made: Backtest) -> str:
    """Say what was looked at."""
    looks = count(len(made.origins), "month end")
    if made.every > 1 and len(made.origins) > 1:
        looks += f" {made.every} months apart"
    when = day(made.start) if made.start == made.end else f"{day(made.start)} to {day(made.end)}"
    units = count(len(made.units), "unit")
    if len(made.units) < made.fleet:
        units = f"{len(made.units)} of {count(made.fleet, 'unit')}"
    return (
        f"Looked back from {looks}, {when}, on {units}. What would have been said then is held against what "
        f"was read up to {day(made.known)}."
    )


def readings_line(made: Backtest) -> str:
    """Say how many later readings lay in the ranges said."""
    told = [made.figure(f"readings_{m}") for m in HORIZONS]
    told = [f for f in told if f.value is not None]
    if not told:
        return "No reading came long enough after a month end to be held against a forecast."
    held = [c.inside for c in made.checks if c.inside is not None]
    months = listed([str(m) for m in HORIZONS if made.figure(f"readings_{m}").value is not None])
    return (
        f"Of {grouped(len(held))} fill volumes read {months} months later, {percent(sum(held) / len(held))} "
        f"lay in the range that had been forecast for them; {_PROMISED} was promised. {_verdict(told)}"
    )


def line_line(made: Backtest) -> str:
    """Say whether a straight line would have done as well; empty where it cannot be told."""
    own, line = made.figure(f"score_{COMPARED}"), made.figure(f"line_score_{COMPARED}")
    if own.value is None or line.value is None or line.value <= 0.0:
        return ""
    less = 1.0 - own.value / line.value
    against = f"{percent(abs(less))} {'better' if less > 0 else 'worse'} than"
    if abs(less) < 0.02:
        against = "about as well as"
    return (
        f"{COMPARED} months ahead, the forecast's ranges do {against} those of a straight line through the "
        f"same readings (interval score {number(shown(own.value, 'cm3'))} against "
        f"{measured(line.value, 'cm3')}; smaller is better)."
    )


def ranges_line(made: Backtest) -> str:
    """Say how many ranges of remaining distance held."""
    held, opened = made.figure("range_holds"), made.figure("ranges_open")
    are = "is" if opened.value == 1 else "are"
    still = f" {grouped(opened.value)} {are} still open." if opened.value else ""
    if held.value is None:
        return (
            "No range of remaining distance is settled: no pack has reached its limit, or passed the late "
            f"end of its range without it.{still}"
        )
    return (
        f"Of {grouped(held.of)} settled ranges of remaining distance, {percent(held.value)} held; "
        f"{_PROMISED} was promised. {_verdict([held])}{_misses(made)}{still}"
    )


def chances_line(made: Backtest) -> str:
    """Say how many limits came against how many were expected; empty where there is nothing to tell."""
    came = made.figure("limits_within")
    if came.value is None or came.expected is None:
        return ""
    return (
        f"The chances said for the next {set_distance(made.ranges[0].chance_km)} add up to "
        f"{grouped(came.expected, 1)} limits over {grouped(came.of)} looks; {grouped(came.value)} came."
    )


def warning_line(made: Backtest) -> str:
    """Say how long before a limit the alerts stood."""
    n = len(made.reached)
    if not n:
        return "No pack reached its limit in this time, so nothing can be said of the warning before one."
    if n == 1:
        (one,) = made.reached
        said = f"plan {lead_words(one.plan)}; due {lead_words(one.due)}"
        return f"One pack reached its limit. Warning before: {said}.{_coarse(made)}"
    plan = sum(r.plan.on is not None for r in made.reached)
    due = sum(r.due.on is not None for r in made.reached)
    lead_km, lead_days = made.figure("plan_lead_km").value or 0.0, made.figure("plan_lead_days").value or 0.0
    text = (
        f"Of {n} packs that reached their limit, {_all(plan, n)} had been at plan before, without a break, "
        f"and {_all(due, n)} at due."
    )
    if lead_days > 0:
        days = count(round(lead_days), "day")
        text += f" Half of the {n} had been at plan for {distance(lead_km)} or {days}, or for longer."
    return text + _coarse(made)


def false_line(made: Backtest, level: str) -> str:
    """Say what came of the alerts of one level."""
    mine = [a for a in made.alarms if a.level == level]
    if not mine:
        return f"No {level} alert was raised."
    right, false, opened, renewed = (
        [a for a in mine if a.outcome == outcome] for outcome in ("right", "false", "open", "renewed")
    )
    text = f"{count(len(mine), f'{level} alert')} {_were(mine)} raised."
    late = [a for a in right if a.came_km is None or a.came_km <= 0.0]
    if right or false:
        ahead = len(right) - len(late)
        within = set_distance(mine[0].within_km)
        text += f" {ahead} {'was' if ahead == 1 else 'were'} followed by the limit within {within}"
        text += f", {len(late)} came when it had been reached" if late else ""
        text += f", {len(false)} {_were(false)} not followed by it{_softened(false)}." if false else "."
    if opened:
        text += f" {len(opened)} cannot be judged yet."
    if renewed:
        text += f" {len(renewed)} cannot be judged, since a rebuild came first."
    rate = made.figure(f"{level}_false_rate").value
    if rate:
        text += f" That is one false alert in about {count(max(round(1.0 / rate), 1), 'unit-year')}."
    return text


def flaps_line(made: Backtest) -> str:
    """Say how often alerts flapped."""
    if not made.flaps:
        return "No service state went up at one month end and down again at the next."
    return f"A service state went up at one month end and down again at the next {_times(len(made.flaps))}."


def findings_line(made: Backtest) -> str:
    """Say what became of the findings."""
    kept = made.figure("findings_kept")
    if kept.value is None:
        return "No finding was said with a chance of one half or more."
    changed, gone = (int(made.figure(f"findings_{n}").value or 0) for n in ("changed", "gone"))
    return (
        f"Of {count(kept.of, 'finding')} said with a chance of one half or more, {percent(kept.value)} still "
        f"stand; {_none(changed)} {'is' if changed == 1 else 'are'} put down to another cause today, "
        f"{_none(gone)} {'is' if gone == 1 else 'are'} no longer said."
    )


def delay_line(made: Backtest) -> str:
    """Say how soon changes were said; empty where there are none."""
    days, snapshots = made.figure("delay_days"), made.figure("delay_snapshots")
    if days.value is None or snapshots.value is None:
        return ""
    stand = "change that stands today was" if days.of == 1 else "changes that stand today were"
    return (
        f"{days.of} {stand} first seen in this time. Half of them were said within "
        f"{count(round(days.value), 'day')} of the first snapshot that could show them, from no more than "
        f"{count(round(snapshots.value), 'snapshot')} since the change."
    )


def _verdict(told: Sequence[Figure]) -> str:
    """Say how shares of ranges that held stand to what the ranges promise."""
    low, high = min(f.low or 0.0 for f in told), max(f.high or 0.0 for f in told)
    narrow = any((f.high or 0.0) < (f.expected or 0.0) for f in told)
    wide = any((f.low or 0.0) > (f.expected or 0.0) for f in told)
    if narrow and wide:
        said = "That is too few for one horizon and too many for another."
    elif narrow:
        said = "That is too few: plan with more room than the ranges give."
    elif wide:
        little = "a little " if all((f.value or 0.0) < A_LITTLE for f in told) else ""
        said = f"The ranges are {little}wider than they need be."
    else:
        said = "That is in keeping with it."
    packs = min(f.packs or 0 for f in told)
    if packs < FEW_PACKS:
        said += (
            f" (From {count(packs, 'pack')} only: in truth it may be anything from {percent(low)} to "
            f"{percent(high)}.)"
        )
    return said


def _misses(made: Backtest) -> str:
    """Say to which side the settled ranges missed; empty if none did."""
    missed = [r for r in made.ranges if r.outcome in ("sooner", "later")]
    if not missed:
        return ""
    sooner, near = sum(r.outcome == "sooner" for r in missed), sum(r.near for r in missed)
    text = (
        f" Of those that did not, the limit came sooner in {_none(sooner)} and later in "
        f"{_none(len(missed) - sooner)}"
    )
    return f"{text}; {near} missed by less than one reading's noise." if near else f"{text}."


def _softened(false: Sequence[Alarm]) -> str:
    """Say which false alerts were not far from right; empty if none."""
    late = sum(a.came_km is not None for a in false)
    near = sum(a.near and a.came_km is None for a in false)
    if len(false) == 1:
        near_words = " (it came near, within one reading's noise)" if near else ""
        return " (the limit came later)" if late else near_words
    parts = [f"in {late} the limit came later"] if late else []
    parts += [f"{near} came near, within one reading's noise"] if near else []
    return f" ({listed(parts)})" if parts else ""


def _all(some: int, of: int) -> str:
    return "all" if some == of else "none" if not some else f"{some}"


def _coarse(made: Backtest) -> str:
    """Say how much longer a warning may have been than was seen, where months were left out."""
    if made.every == 1:
        return ""
    return (
        f" The warnings may have been up to {made.every} months longer: no month end between was looked at."
    )


def _none(n: int) -> str:
    return f"{n}" if n else "none"


def _were(rows: Sequence[Alarm]) -> str:
    return "was" if len(rows) == 1 else "were"


def _times(n: int) -> str:
    return "once" if n == 1 else "twice" if n == 2 else "never" if not n else f"{n} times"
