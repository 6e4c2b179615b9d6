"""The owner's sentences: question, answer, learning, wear, what to do and when to come back."""

from __future__ import annotations

from datetime import date, timedelta

from driftwatch.assessment.results import UnitAnalysis
from driftwatch.reporting.context.explain import Share
from driftwatch.reporting.context.followup import LearnRow
from driftwatch.reporting.driving import more_driving
from driftwatch.reporting.figures import range_words
from driftwatch.reporting.since import Since
from driftwatch.reporting.timelines import event_words
from driftwatch.settings import Settings
from driftwatch.wording import day, distance, listed, name, percent

#: An owner who is still driving the values in is asked back after so many days at the latest.
SETTLING_DAYS = 28
_URGENT = ("overlap", "authority")
#: A share is estimated, so it is never said to be the whole.
_NEVER_WHOLE = 0.995


def question(start: Since) -> str:
    """Put the question into words."""
    if start.event is None:
        return f"Something feels different since {day(start.on)}. Is there an explanation for it?"
    told = listed([event_words(e.kind, e.amount, e.amount_unit, e.note) for e in start.asked])
    return f"On {day(start.on)} there was {told}. Does that explain the way it has shifted since?"


def cause_words(cause: str, start: Since) -> str:
    """Give a cause in the owner's words: `load` is the trailer where the log speaks of one."""
    if cause == "load" and start.event is not None and "trailer" in start.event.note.lower():
        return "the trailer"
    return {
        "power": "the power change",
        "load": "the load or trailer",
        "wear": "clutch wear",
        "fluid": "the fluid",
        "relearn": "cleared learned values",
        "rebuild": "renewed clutches",
        "pressure": "low supply pressure",
        "unexplained": "not explained",
    }.get(cause, cause)


def share_words(share: float, low: float, high: float) -> str:
    """Give a share with its range, the range only where it says more than the share."""
    told, *ends = (percent(min(part, _NEVER_WHOLE)) for part in (share, low, high))
    return told if ends == [told, told] else f"{told} (it could be {ends[0]} to {ends[1]})"


def answer_sentence(answer: str, start: Since, shares: tuple[Share, ...]) -> str:
    """Say the answer in one sentence."""
    kinds = [e.kind for e in start.asked]
    thing = "what was done that day" if len(set(kinds)) > 1 else cause_words(start.kind, start)
    if set(kinds) & {"repair", "other"}:
        thing = "this event"
    if start.event is None:
        known = next((s.label for s in shares if s.asked), "")
        thing = known or "a known cause"
    return {
        "yes": f"Yes. {thing[0].upper()}{thing[1:]} explains the change.",
        "mostly": f"Mostly. {thing[0].upper()}{thing[1:]} explains the larger part; some is left over.",
        "partly": f"Partly. {thing[0].upper()}{thing[1:]} has a part in it, but not the whole.",
        "no": (
            f"No. {thing[0].upper()}{thing[1:]} does not explain it." if shares else "No change can be seen."
        ),
        "can't tell yet": "It is too early to say.",
    }[answer]


def learning(analysis: UnitAnalysis, start: Since, rows: tuple[LearnRow, ...]) -> str:
    """Say whether the transmission is still learning."""
    if len(analysis.panel.taken_at) == start.cut:
        return "Whether it is still learning shows at the next read-out."
    waiting = [row for row in rows if row.wants]
    if waiting:
        modes = [name(m) for m in dict.fromkeys(row.mode for row in waiting)]
        done = [name(m) for m in dict.fromkeys(row.mode for row in rows)]
        done = [m for m in done if m not in modes]
        finished = f"It has finished in {listed(done)} mode. " if done else ""
        where = f"{listed(modes)} mode" if any(modes) else "every mode"
        return (
            f"{finished}It is still learning in {where}: {len(waiting)} of {len(rows)} shifts have "
            "not had enough repeats since. Until they have, those can feel harsh or slow without anything "
            f"being wrong. {more_driving(rows)}"
        )
    unlearned = [c.sentence for c in analysis.assessment.cautions if c.kind == "unlearned"]
    if unlearned:
        return " ".join(unlearned)
    if analysis.assessment.state == "settling":
        return "Yes, it is still settling toward its new values."
    if any(row.wants is None for row in rows):
        return "How often it has learned is not recorded; the values themselves have come to rest."
    if not rows:
        return "No shift values were read."
    return "No, it has finished learning. What you feel now is how it will stay."


def wear(analysis: UnitAnalysis) -> str:
    """Say whether something is wearing out."""
    said = analysis.assessment
    if not said.clutches:
        return "Cannot be told: no fill volumes were read, and they are what shows clutch wear."
    near = [c for c in said.clutches if c.service != "clear"]
    if near:
        first = min(near, key=lambda c: ("due", "plan", "watch").index(c.service))
        due = first.due_on
        if first.used >= 1:
            return f"Yes. {name(first.clutch)} has reached its limit. {first.reason}"
        when = range_words(due.get("p10"), due.get("p50"), due.get("p90"))
        return f"Yes. {name(first.clutch)} has used {percent(first.used)} of its allowance; limit: {when}."
    most = max(said.clutches, key=lambda c: c.used)
    return (
        f"Nothing that matters now. The most used clutch, {name(most.clutch)}, has used {percent(most.used)} "
        "of its allowance."
    )


def do(analysis: UnitAnalysis, answer: str, rows: tuple[LearnRow, ...]) -> tuple[str, ...]:
    """Say what to do next."""
    said, steps = analysis.assessment, []
    urgent = [c for c in said.cautions if c.kind in _URGENT]
    steps += [f"Have it looked at before further hard use: {c.sentence}" for c in urgent]
    if any(c.service == "due" for c in said.clutches):
        steps.append(
            "Have the clutch checked now: fluid and pan, pressures, and a road test by a trained person."
        )
    if any(f.cause == "pressure" and f.probability >= 0.5 for f in said.findings):
        steps.append("Have the fluid level, the filter and the line pressure checked.")
    waiting = list(dict.fromkeys(name(row.mode or "every mode") for row in rows if row.wants))
    if waiting and not urgent:
        steps.append(
            f"Where you use it, drive {listed(waiting)} mode gently through the gears, up and back "
            f"down, as law and "
            "traffic allow; steady motorway driving teaches it nothing."
        )
    if answer in ("partly", "no") and not urgent:
        steps.append(
            "Tell the shop what else was done or changed at the time; an entry may be missing from the log."
        )
    steps.append("Have it read out again as below, and bring this page.")
    return tuple(steps)


def dont(analysis: UnitAnalysis, answer: str) -> tuple[str, ...]:
    """Say what not to do."""
    lines = [
        "No full throttle to make it learn faster, least of all right after a change.",
        "Do not drive on after a bang, a flare, a slip or a temperature warning: stop and have it inspected.",
        "Do not tow or carry beyond the rated masses.",
    ]
    if answer in ("yes", "mostly") and all(
        c.service in ("clear", "watch") for c in analysis.assessment.clutches
    ):
        lines.append("Do not have anything opened or renewed on the strength of this page alone.")
    return tuple(lines)


def come_back(
    analysis: UnitAnalysis, start: Since, rows: tuple[LearnRow, ...], as_of: date, settings: Settings
) -> str:
    """Say when to come back: now, when learned, before a clutch falls due, or at the next read-out."""
    said = analysis.assessment
    if any(c.service == "due" for c in said.clutches) or any(c.kind in _URGENT for c in said.cautions):
        return "Now, before further towing or hard use."
    if (
        len(analysis.panel.taken_at) == start.cut
        or any(row.wants for row in rows)
        or said.state == "settling"
    ):
        wants = max((row.wants for row in rows if row.wants), default=0)
        after = f"After about {wants} more of each shift not yet learned, at" if wants else "At"
        return f"{after} the latest by {day(as_of + timedelta(days=SETTLING_DAYS))}."
    regular = as_of + timedelta(days=int(settings.stale_days))
    early = min((d for c in said.clutches if (d := c.due_on.get("p10")) is not None), default=None)
    if early is not None and early < regular:
        return f"By {day(max(early, as_of))}: from then on a clutch may reach its limit."
    further = f", or after {distance(said.km_per_day * settings.stale_days)}" if said.km_per_day else ""
    return f"At the next regular read-out, by {day(regular)}{further}."


def would_change(
    answer: str, start: Since, rows: tuple[LearnRow, ...], shares: tuple[Share, ...]
) -> tuple[str, ...]:
    """Say what would change the answer."""
    lines = []
    if any(row.wants for row in rows):
        lines.append("The shifts that are still learning: once they have, the shares above can move.")
    by_kind = {
        "load": "Some weeks without the load: if the values stay up all the same, the load is not the cause.",
        "power": "Going back to the earlier power: if the values stay where they are, power is not "
        "the cause.",
        "fluid": "If the values keep moving after the service: fresh fluid moves them once.",
        "relearn": "If the values do not come back toward where they were: then something else moved too.",
        "rebuild": "If a renewed clutch's volume grows quickly from the start.",
    }
    lines += [by_kind[kind] for kind in dict.fromkeys(e.kind for e in start.asked) if kind in by_kind]
    if answer == "can't tell yet":
        lines.append("One or two more read-outs, a week or more apart.")
    if any(s.cause == "unexplained" and s.share >= 0.2 for s in shares):
        lines.append(
            "A log entry that is missing: anything else that was done, loaded or changed at the time."
        )
    lines.append("A physical check that finds worn material, or a pressure out of the literature's range.")
    return tuple(lines)


__all__ = [
    "answer_sentence",
    "cause_words",
    "come_back",
    "do",
    "dont",
    "learning",
    "question",
    "wear",
    "would_change",
]
