"""What is said of findings, clutches and units, in plain sentences with the certainty they deserve."""

from __future__ import annotations

from datetime import date

from driftwatch.assessment.results import Effect, Rival
from driftwatch.panel.panel import Event
from driftwatch.service.results import ClutchOutlook
from driftwatch.wording import (
    as_set,
    day,
    distance,
    listed,
    month_name,
    number,
    per_distance,
    percent,
    rate,
    rough,
    shown,
    unit_sign,
)

CAUSE_WORDS = {
    "wear": "wear of {clutch}",
    "power": "a change of engine power",
    "load": "a change of load",
    "fluid": "fluid or filter work",
    "relearn": "a relearn (learned values cleared and learned again)",
    "rebuild": "a rebuild",
    "pressure": "a change of supply pressure",
    "unexplained": "a change that fits none of the known causes",
}
SHORT_WORDS = {
    "wear": "wear",
    "power": "power",
    "load": "load",
    "fluid": "fluid",
    "relearn": "a relearn",
    "rebuild": "a rebuild",
    "pressure": "supply pressure",
    "unexplained": "none of the known causes",
}
SIGNAL_WORDS = {
    "clutch_volume": "clutch volumes",
    "apply_trim": "apply trims",
    "release_trim": "release trims",
    "shift_time": "shift times",
    "torque_cut": "torque cuts",
}


def certainty(probability: float) -> str:
    """Put a probability, in whole per cent as it is shown, into a word that can open a sentence."""
    for least, words in (
        (97, "Almost certainly"),
        (85, "Very likely"),
        (65, "Probably"),
        (40, "Perhaps"),
    ):
        if round(100 * probability) >= least:
            return words
    return "Possibly, but less likely than not,"


def finding_sentence(
    cause: str,
    probability: float,
    after: date | None,
    by: date | None,
    clutch: str | None,
    modes: tuple[str, ...],
    event: Event | None,
    size: tuple[Effect, ...],
    rivals: tuple[Rival, ...],
    drift: bool,
) -> str:
    """Say what happened, when, how much, what the log says, and what else it could be."""
    what = CAUSE_WORDS[cause].format(clutch=clutch)
    if cause == "pressure" and drift:
        what = "a slow " + _direction(size, "loss of supply pressure", "drift of supply pressure")
    text = f"{certainty(probability)} {what} {_when(after, by, drift)}"
    moved = [_moved(e, drift) for e in size if e.low > 0 or e.high < 0]
    if moved and cause not in ("relearn", "wear"):
        text += f": {listed(moved)}{_where(modes)}"
    text += "."
    if event is not None:
        text += f" The log has {_entry(event)}."
    elif cause != "wear" and not drift:
        text += " Nothing in the log accounts for it."
    open_ = [f"{SHORT_WORDS[r.cause]} ({percent(r.probability)})" for r in rivals if r.probability >= 0.05]
    if open_:
        text += f" Still possible instead: {listed(open_)}."
    return text


def wear_sentence(probability: float, outlook: ClutchOutlook, read_on: date) -> str:
    """Say how worn a pack was when it was last read, and how sure that is."""
    return (
        f"{certainty(probability)} {outlook.clutch} has used a good part of its allowance by wear: about "
        f"{percent(outlook.used)} since its present life began, growing "
        f"{number(rate(outlook.growth_cm3_per_10000km, 'cm3'))} {per_distance('cm3')}. "
        f"{clutch_sentence(outlook, read_on)}"
    )


def clutch_sentence(outlook: ClutchOutlook, read_on: date) -> str:
    """Say how far a pack still had to go when it was last read."""
    p10, p50, p90 = (outlook.remaining_km[k] for k in ("p10", "p50", "p90"))
    if outlook.service == "due" and (p50 is None or p50 <= 0):
        return "It is at its service limit now."
    if p50 is None or p50 > 300_000:
        return "At this rate its limit is a long way off."
    until = distance(p90) if p90 is not None else "much further"
    between = f" (eight chances in ten: {distance(p10 or 0.0)} to {until})"
    due = outlook.due_on["p50"]
    when = f", about {month_name(due.year, due.month)}" if due is not None else ""
    if outlook.probably_reached:
        when = ": by its use so far, probably by now"
    return f"It reaches its limit about {distance(p50)} after the reading of {day(read_on)}{between}{when}."


def too_few_sentence(snapshots: int, most_readings: int) -> str:
    """Say that a unit has too few snapshots to be judged, or too few in which the same value was read."""
    if snapshots < 2:
        return f"There is {'only one' if snapshots else 'no'} snapshot so far: too few to tell anything."
    if not most_readings:
        return f"Nothing was read in the {snapshots} snapshots so far."
    if most_readings < snapshots:
        times = "once" if most_readings == 1 else f"{most_readings} times"
        return (
            f"There are {snapshots} snapshots so far, but no value was read more often than {times}: too few "
            "to tell a change from noise."
        )
    return f"There are only {snapshots} snapshots so far: too few to tell a change from noise."


def _when(after: date | None, by: date | None, drift: bool) -> str:
    if drift:
        return f"since about {day(after)}" if after else "whose beginning cannot be told"
    if after and by:
        return f"between {day(after)} and {day(by)}"
    return f"by {day(by)}" if by else ""


def _moved(effect: Effect, drift: bool) -> str:
    verb = (
        ("rising" if effect.estimate > 0 else "falling")
        if drift
        else ("rose" if effect.estimate > 0 else "fell")
    )
    far = shown(1.0, "km") if drift else 1.0
    size, *ends = (
        rough(abs(shown(v, effect.unit, change=True)) / far)
        for v in (effect.estimate, *sorted((effect.low, effect.high), key=abs))
    )
    unit = per_distance(effect.unit) if drift else unit_sign(effect.unit)
    name = SIGNAL_WORDS.get(effect.signal, effect.signal)
    by = "" if drift else "by "
    return f"{name} {verb} {by}about {size}\u00a0{unit} ({ends[0]} to {ends[1]})"


def _where(modes: tuple[str, ...]) -> str:
    if not modes:
        return ""
    return f" in {listed(list(modes))} mode" + ("s" if len(modes) > 1 else "")


def _entry(event: Event) -> str:
    amount = f" ({as_set(event.amount, event.amount_unit)})" if event.amount is not None else ""
    return f"a {event.kind} entry{amount} on {day(event.happened_at)}"


def _direction(size: tuple[Effect, ...], up: str, otherwise: str) -> str:
    """Pressure lost shows as apply trims that ask for more."""
    apply = [e.estimate for e in size if e.signal == "apply_trim"]
    return up if apply and apply[0] > 0 else otherwise
