"""What is said of findings, clutches and units, in plain sentences with the certainty they deserve."""

from __future__ import annotations

from datetime import date

from driftwatch.assessment.results import Effect, Rival
from driftwatch.panel.panel import Event
from driftwatch.service.results import ClutchOutlook

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
        text += f": {joined(moved)}{_where(modes)}"
    text += "."
    if event is not None:
        text += f" The log has {_entry(event)}."
    elif cause != "wear" and not drift:
        text += " Nothing in the log accounts for it."
    open_ = [f"{SHORT_WORDS[r.cause]} ({r.probability:.0%})" for r in rivals if r.probability >= 0.05]
    if open_:
        text += f" Still possible instead: {joined(open_)}."
    return text


def wear_sentence(probability: float, outlook: ClutchOutlook) -> str:
    """Say how worn a pack is, and how sure that is."""
    return (
        f"{certainty(probability)} {outlook.clutch} has used a good part of its allowance by wear: about "
        f"{outlook.used:.0%} since its present life began, growing {outlook.growth_cm3_per_10000km:.2f} cm³ "
        f"per 10 000 km. {clutch_sentence(outlook)}"
    )


def clutch_sentence(outlook: ClutchOutlook) -> str:
    """Say how far a pack still has to go."""
    p10, p50, p90 = (outlook.remaining_km[k] for k in ("p10", "p50", "p90"))
    if outlook.service == "due" and (p50 is None or p50 <= 0):
        return "It is at its service limit now."
    if p50 is None or p50 > 300_000:
        return "At this rate its limit is a long way off."
    until = f"{_km(p90)} km" if p90 is not None else "much further"
    between = f" (eight chances in ten: {_km(p10 or 0.0)} to {until})"
    month = f", about {outlook.due_on['p50']:%B %Y}" if outlook.due_on["p50"] is not None else ""
    return f"It reaches its limit in about {_km(p50)} km{between}{month}."


def too_few_sentence(snapshots: int) -> str:
    """Say that a unit has too few snapshots to be judged."""
    if snapshots < 2:
        return f"There is {'only one' if snapshots else 'no'} snapshot so far: too few to tell anything."
    return f"There are only {snapshots} snapshots so far: too few to tell a change from noise."


def joined(parts: list[str]) -> str:
    """Join clauses with commas and a final "and"."""
    if len(parts) < 2:
        return "".join(parts)
    return ", ".join(parts[:-1]) + " and " + parts[-1]


def _when(after: date | None, by: date | None, drift: bool) -> str:
    if drift:
        return f"since about {after:%d %B %Y}" if after else "since before the first snapshot"
    if after and by:
        return f"between {after:%d %B %Y} and {by:%d %B %Y}"
    return f"by {by:%d %B %Y}" if by else ""


def _moved(effect: Effect, drift: bool) -> str:
    verb = (
        ("rising" if effect.estimate > 0 else "falling")
        if drift
        else ("rose" if effect.estimate > 0 else "fell")
    )
    low, high = sorted((abs(effect.low), abs(effect.high)))
    per = " per 10 000 km" if drift else ""
    name = SIGNAL_WORDS.get(effect.signal, effect.signal)
    by = "" if drift else "by "
    return (
        f"{name} {verb} {by}about {_number(abs(effect.estimate))} {effect.unit}{per} "
        f"({_number(low)} to {_number(high)})"
    )


def _where(modes: tuple[str, ...]) -> str:
    if not modes:
        return ""
    return f" in {joined(list(modes))} mode" + ("s" if len(modes) > 1 else "")


def _entry(event: Event) -> str:
    day = event.happened_at.astype("datetime64[D]").astype(object)
    amount = f" ({_number(event.amount)} {event.amount_unit})" if event.amount is not None else ""
    return f"a {event.kind} entry{amount} on {day:%d %B %Y}"


def _direction(size: tuple[Effect, ...], up: str, otherwise: str) -> str:
    """Pressure lost shows as apply trims that ask for more."""
    apply = [e.estimate for e in size if e.signal == "apply_trim"]
    return up if apply and apply[0] > 0 else otherwise


def _number(value: float) -> str:
    """Two significant digits, without exponent."""
    if abs(value) >= 100:
        return f"{value:,.0f}".replace(",", " ")
    digits = 0 if abs(value) >= 10 else 1 if abs(value) >= 1 else 2 if abs(value) >= 0.1 else 3
    return f"{value:.{digits}f}"


def _km(value: float) -> str:
    """Kilometres rounded to what is known: hundreds below 10 000, thousands above."""
    step = 100 if value < 10_000 else 1000
    return f"{round(value / step) * step:,.0f}".replace(",", " ")
