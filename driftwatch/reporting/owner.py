"""The owner's sentences: question, answer, learning, wear, what to do and when to come back."""

from __future__ import annotations

from datetime import date, timedelta

from driftwatch.assessment.results import Finding, UnitAnalysis
from driftwatch.assessment.state import LIKELY, asks_for_more
from driftwatch.reporting.context.explain import Share
from driftwatch.reporting.context.followup import LearnRow
from driftwatch.reporting.driving import more_driving
from driftwatch.reporting.outlooks import UNTOLD, due_words, used_words, why_untold
from driftwatch.reporting.since import Since
from driftwatch.reporting.timelines import event_words
from driftwatch.service.results import ClutchOutlook
from driftwatch.settings import Settings
from driftwatch.wording import as_date, day, distance, listed, name, percent

#: An owner who is still driving the values in is asked back after so many days at the latest.
SETTLING_DAYS = 28
_URGENT = ("overlap", "authority")
#: A share is estimated, so it is never said to be the whole.
_NEVER_WHOLE = 0.995
#: From this share on, what is neither asked about nor logged may be an entry that is missing.
_MISSING = 0.2
#: Causes that are said in the plural.
_SEVERAL = ("relearn", "rebuild")
#: Causes that come by themselves: no entry of the log is to be expected for them.
_SLOW = ("wear", "pressure")
_PACK = {"due": "needs service now", "plan": "needs service soon", "watch": "wants watching"}
_HYDRAULICS = {
    "authority": "a learned value is at or near the end of its range",
    "overlap": "apply and release pressure may overlap",
}


def question(start: Since) -> str:
    """Put the question into words."""
    if start.event is None:
        return f"Something feels different since {day(start.on)}. Is there an explanation for it?"
    told = listed([event_words(e.kind, e.amount, e.amount_unit, e.note) for e in start.asked])
    return f"On {day(start.on)} there was {told}. Does that explain the way it has shifted since?"


def cause_words(cause: str, start: Since) -> str:
    """Give a cause in the owner's words: `load` is the trailer where the log speaks of one."""
    if cause == "load" and start.event is not None:
        is_trailer = "trailer" in start.event.note.lower()
        if _is_off(start):
            return "the trailer taken off" if is_trailer else "the load taken off"
        if is_trailer:
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


def going_on(analysis: UnitAnalysis, shares: tuple[Share, ...]) -> tuple[str, ...]:
    """Say what goes on whatever the answer is: packs near their limit, slow drifts, odd hydraulics.

    What has its share in the change is told there; what is not pressing is told only where nothing moved.
    """
    said, shared = analysis.assessment, {s.cause for s in shares}
    wearing = {f.clutch for f in _wearing(analysis)}
    told = []
    for c in sorted(said.clutches, key=lambda c: -c.used):
        if c.service in ("due", "plan") or (not shares and c.service == "watch"):
            told.append(f"{_used_up(c)} and {_PACK[c.service]}")
        elif not shares and c.clutch in wearing:
            told.append(_used_up(c))
    for f in said.findings:
        if f.by is None and f.cause != "wear" and f.probability >= LIKELY and f.cause not in shared:
            is_loss = f.cause == "pressure" and asks_for_more(f)
            told.append("the supply pressure seems to be falling" if is_loss else "its values drift slowly")
    told += [words for kind, words in _HYDRAULICS.items() if any(c.kind == kind for c in said.cautions)]
    return tuple(dict.fromkeys(told))


def answer_sentence(answer: str, start: Since, shares: tuple[Share, ...], besides: tuple[str, ...]) -> str:
    """Say the answer in one sentence, and in the same breath what goes on besides."""
    if answer == "no" and not shares:
        unmoved = f"No sudden change can be seen since {day(start.on)}"
        return f"{unmoved}, but something else goes on: {listed(besides)}." if besides else f"{unmoved}."
    thing, is_several = _thing(start, shares)
    explain, have = ("explain", "have") if is_several else ("explains", "has")
    told = {
        "yes": f"Yes. {_begun(thing)} {explain} the change.",
        "mostly": f"Mostly. {_begun(thing)} {explain} the larger part; some is left over.",
        "partly": f"Partly. {_begun(thing)} {have} a part in it, but not the whole.",
        "no": f"No. {_begun(thing)} {'do' if is_several else 'does'} not explain it."
        if thing
        else "No. No known cause explains it.",
        "can't tell yet": "It is too early to say.",
    }[answer]
    return f"{told} Something else goes on: {listed(besides)}." if besides else told


def cleared_sentence(rows: tuple[LearnRow, ...], besides: tuple[str, ...]) -> str:
    """Say that the learned values were cleared, where nothing else moved."""
    now = "are coming back as it learns" if any(row.wants for row in rows) else "have come back"
    told = f"Yes. The learned values were cleared, and {now}."
    return f"{told} Something else goes on: {listed(besides)}." if besides else told


def _thing(start: Since, shares: tuple[Share, ...]) -> tuple[str, bool]:
    """Give what is asked about in words, empty where no known cause is; True if the words are plural."""
    kinds = list(dict.fromkeys(e.kind for e in start.asked))
    if start.event is None:
        known = next((s for s in shares if s.asked), None)
        return (known.label, known.cause in _SEVERAL) if known else ("", False)
    if set(kinds) & {"repair", "other"}:
        return "this event", False
    if len(kinds) > 1:
        return "what was done that day", False
    return cause_words(start.kind, start), start.kind in _SEVERAL


def _begun(text: str) -> str:
    return text[:1].upper() + text[1:]


def _wearing(analysis: UnitAnalysis) -> list[Finding]:
    """Give the findings of packs that have worn a good part of their allowance."""
    return [f for f in analysis.assessment.findings if f.cause == "wear" and f.probability >= LIKELY]


def _used_up(pack: ClutchOutlook) -> str:
    if pack.used >= 1:
        return f"{name(pack.clutch)} has reached its limit"
    return f"{name(pack.clutch)} has used {used_words(pack.used)} of its allowance"


def _is_off(start: Since) -> bool:
    """True where the log says that a load was taken off."""
    return any(e.kind == "load" and e.amount is not None and e.amount < 0 for e in start.asked)


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
    if not rows:
        return "No shift values were read."
    if any(row.wants is None for row in rows):
        return (
            "That cannot be told for certain: how often each shift has learned is not recorded. Values that "
            "stay the same from one read-out to the next have come to rest."
        )
    said = analysis.assessment
    drifts = any(f.by is None and f.probability >= LIKELY for f in said.findings)
    if drifts or any(c.service in ("due", "plan") for c in said.clutches):
        return (
            "No, every shift has had enough repeats since. Its values go on moving slowly all the same: "
            "something wears or drifts."
        )
    return "No, it has finished learning: every shift has had enough repeats since."


def wear(analysis: UnitAnalysis) -> str:
    """Say whether something is wearing out."""
    said, untold = analysis.assessment, why_untold(analysis)
    if untold:
        why = UNTOLD[untold][1]
        return (
            f"Cannot be told: {why}{', and they are what shows clutch wear' if untold == 'unread' else ''}."
        )
    read_on = as_date(analysis.panel.taken_at[-1])
    near = [c for c in said.clutches if c.service != "clear"]
    if near:
        first = min(near, key=lambda c: ("due", "plan", "watch").index(c.service))
        if first.used >= 1:
            return f"Yes. {name(first.clutch)} has reached its limit. {first.reason}"
        at = f"at the reading of {day(read_on)}"
        return f"Yes. {_used_up(first)} ({at}); limit: {due_words(first, read_on)}."
    most = max(said.clutches, key=lambda c: c.used)
    if any(f.clutch == most.clutch for f in _wearing(analysis)):
        return f"Slowly, and no limit is near. {_used_up(most)}; limit: {due_words(most, read_on)}."
    if used_words(most.used) == "none":
        return "Nothing that matters now. No clutch has used any of its allowance yet."
    return f"Nothing that matters now. The most used clutch: {_used_up(most)}."


def do(
    analysis: UnitAnalysis,
    answer: str,
    start: Since,
    rows: tuple[LearnRow, ...],
    shares: tuple[Share, ...],
    as_of: date,
) -> tuple[str, ...]:
    """Say what to do next, the most pressing first."""
    said, steps = analysis.assessment, []
    urgent = [c for c in said.cautions if c.kind in _URGENT]
    steps += [f"Have it looked at before further hard use: {c.sentence}" for c in urgent]
    steps += _pack_steps(said.clutches, as_of)
    if any(f.cause == "pressure" and f.probability >= LIKELY for f in said.findings):
        steps.append("Have the fluid level, the filter and the line pressure checked.")
    waiting = list(dict.fromkeys(name(row.mode or "every mode") for row in rows if row.wants))
    if waiting and not urgent:
        steps.append(
            f"Where you use it, drive {listed(waiting)} mode gently through the gears, up and back "
            f"down, as law and "
            "traffic allow; steady motorway driving teaches it nothing."
        )
    if answer in ("partly", "no") and not urgent and _may_be_missing(analysis, start, shares):
        steps.append(
            "Tell the shop what else was done or changed at the time; an entry may be missing from the log."
        )
    if answer == "no" and not shares:
        steps.append(
            "If it feels different all the same, have it road-tested by a trained person: not all that can "
            "be felt shows in learned values."
        )
    steps.append("Have it read out again as below, and bring this page.")
    return tuple(steps)


def _pack_steps(clutches: tuple[ClutchOutlook, ...], as_of: date) -> list[str]:
    """Say what to have done about packs near their limit, one step for each degree of nearness."""
    check = "fluid and pan, pressures, and a road test by a trained person"
    steps = []
    for service in ("due", "plan", "watch"):
        mine = [c for c in clutches if c.service == service]
        packs = listed([name(c.clutch) for c in mine])
        early = min((d for c in mine if (d := c.due_on["p10"]) is not None), default=None)
        if mine and service == "due":
            steps.append(f"Have the clutch checked now ({packs}): {check}.")
        elif mine and service == "plan":
            when = f"before {day(early)}" if early is not None and early > as_of else "now"
            steps.append(
                f"Book a check of {packs} {when}: {check}. Whether anything is renewed is for the maker's "
                "service literature and a licensed shop to say."
            )
        elif mine:
            steps.append(f"Have {packs} looked at with the next service: fluid and pan, and its pressure.")
    return steps


def _may_be_missing(analysis: UnitAnalysis, start: Since, shares: tuple[Share, ...]) -> bool:
    """True where a good part of the change is put down to nothing that was asked about or logged since."""
    logged = {e.kind for e in analysis.panel.events if as_date(e.happened_at) >= start.on}
    known = {*logged, *_SLOW}
    return sum(s.share for s in shares if not s.asked and s.cause not in known) >= _MISSING


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
    if early is not None and early <= as_of:
        return "Now: a clutch may have reached its limit since it was last read."
    if early is not None and early < regular:
        return f"By {day(early)}: from then on a clutch may reach its limit."
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
        "load": (
            "Some weeks with the load on again: if the values stay as they are all the same, taking it off "
            "is not the cause."
            if _is_off(start)
            else "Some weeks without the load: if the values stay up all the same, the load is not the cause."
        ),
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
    "cleared_sentence",
    "come_back",
    "do",
    "dont",
    "going_on",
    "learning",
    "question",
    "wear",
    "would_change",
]
