"""Whether a vehicle can be handed over: what wants a look, what wants driving, what to check."""

from __future__ import annotations

from collections.abc import Sequence

from driftwatch.assessment.results import Finding, UnitAnalysis, UnitAssessment
from driftwatch.assessment.sentences import clutch_sentence
from driftwatch.profile.model import PACK_SIGNALS
from driftwatch.reporting import sentences
from driftwatch.reporting.context.followup import ChangeMap, LearnRow
from driftwatch.reporting.maps import Odd, anything_drifted, anything_moved
from driftwatch.reporting.since import Since
from driftwatch.reporting.texts import count
from driftwatch.service.results import ClutchOutlook
from driftwatch.wording import as_date, day, listed, name, per_distance, percent, rate, rough

#: So many shift cells may do otherwise by chance before it counts against handing over: one, or this share.
ODD_SHARE = 0.05
#: So many shifts may stay behind, as one that carries little torque does: one, or this share of them.
BEHIND_SHARE = 0.25


def inspect_reasons(
    analysis: UnitAnalysis,
    before: UnitAssessment | None,
    start: Since,
    maps: tuple[ChangeMap, ...],
    odd: tuple[Odd, ...],
) -> tuple[str, ...]:
    """Give everything that wants a look inside before the vehicle leaves."""
    said = analysis.assessment
    why = [c.sentence for c in said.cautions if c.kind in ("overlap", "authority")]
    why += _clutches_to_check(analysis, before)
    why += [f.sentence for f in said.findings if f.probability >= 0.5 and _wants_look(f, start)]
    why += _odd_reasons(analysis, maps, odd)
    why += [c.sentence for c in said.cautions if c.kind == "data"]
    return tuple(dict.fromkeys(why))


def _clutches_to_check(analysis: UnitAnalysis, before: UnitAssessment | None) -> list[str]:
    """Name packs at their limit or soon there, and packs in view that grow faster since the change."""
    said = analysis.assessment
    grew, check = grew_faster(said, before), sentences.CHECK["clutch"]
    check = check[0].lower() + check[1:]
    why = []
    for c in said.clutches:
        read_on = as_date(analysis.panel.taken_at[-1])  # inside: a unit may never have been read
        if c.service in ("due", "plan"):
            soon = "" if c.used >= 1.0 else f" {clutch_sentence(c, read_on)}"
            book = "" if c.service == "due" else " and book it"
            why.append(
                f"{name(c.clutch)}: {c.reason} {percent(c.used)} of its allowance is used.{soon} Check it "
                f"before the vehicle goes{book}: {check}"
            )
        if c.clutch in grew and c.service != "clear":
            why.append(f"{grew[c.clutch]} Check why: {check}")
    return why


def grew_faster(said: UnitAssessment, before: UnitAssessment | None) -> dict[str, str]:
    """Name the packs that clearly grow faster than before the change: their 80 % ranges lie apart."""
    then: dict[str, ClutchOutlook] = {c.clutch: c for c in before.clutches} if before is not None else {}
    told = {}
    for c in said.clutches:
        old = then.get(c.clutch)
        if old is not None and c.growth_interval[0] > old.growth_interval[1]:
            now, was = (rough(rate(o.growth_cm3_per_10000km, "cm3")) for o in (c, old))
            told[c.clutch] = (
                f"{name(c.clutch)} grows faster than before the change: {now} against {was} "
                f"{per_distance('cm3')}."
            )
    return told


def _wants_look(f: Finding, start: Since) -> bool:
    """True for a pressure or unexplained finding since the change; wear goes by the service state."""
    recent = f.by is None or f.by >= start.on
    tied = f.event is not None and f.event in {e.id for e in start.visit}
    return recent and (f.cause == "pressure" or (f.cause == "unexplained" and not tied))


def _odd_reasons(analysis: UnitAnalysis, maps: tuple[ChangeMap, ...], odd: tuple[Odd, ...]) -> list[str]:
    """Say what does otherwise, where it is more than one cell in many does by chance."""
    packs = [o for o in odd if o.signal in PACK_SIGNALS]
    if packs:
        return [
            f"{count(len(packs), 'clutch volume')} moved at once, which this kind of change does not do "
            f"({listed([name(o.channel) for o in packs])})."
        ]
    compared = sum(c.noise_units is not None for m in maps for row in m.cells for c in row)
    strange = [o for o in odd if o.way in ("against", "moved")]
    behind = list(dict.fromkeys(o.channel for o in odd if o.way == "stayed"))
    why = []
    if len(strange) > max(1.0, ODD_SHARE * compared):
        why.append(
            f"{len(strange)} of {compared} cells do otherwise than this kind of change should do "
            f"({_shifts(strange)}); what to check stands under the maps."
        )
    if len(behind) > max(1.0, BEHIND_SHARE * len(analysis.panel.profile.shifts)):
        why.append(
            f"{len(behind)} shifts stayed where they were while the others moved ({listed(behind, 6)}); "
            "what to check stands under the maps."
        )
    silent = [o for o in odd if o.way == "silent"]
    if silent and len(silent) == len(odd):
        why.append(silent[0].line)
    return why


def _shifts(odd: Sequence[Odd]) -> str:
    shifts = list(dict.fromkeys(o.channel for o in odd))
    return f"all of {shifts[0]}" if len(shifts) == 1 else listed(shifts, 6)


def checks(odd: tuple[Odd, ...]) -> tuple[str, ...]:
    """Say what to check about the cells that do otherwise, one line a shift or pack and way."""
    groups: dict[tuple[str, str], list[Odd]] = {}
    for o in odd:
        groups.setdefault((o.channel or o.mode, o.way), []).append(o)
    lines = []
    for (where, way), mine in groups.items():
        modes = list(dict.fromkeys(name(o.mode) for o in mine if o.mode))
        there = f"{name(where)} ({listed(modes)})" if modes and way != "silent" else name(where)
        lines.append(sentences.ODD_CHECK["pack" if mine[0].signal in PACK_SIGNALS else way].format(there))
    return tuple(lines)


def drive_reasons(analysis: UnitAnalysis, start: Since, learning: tuple[LearnRow, ...]) -> tuple[str, ...]:
    """Give everything that wants driving, or reading out, before a verdict."""
    said, why = analysis.assessment, []
    since = len(analysis.panel.taken_at) - start.cut
    if since == 0:
        why.append(f"Nothing has been read out since {day(start.on)}: drive, then read out.")
    if start.cut == 0:
        why.append("Nothing was read out before the change, so there is nothing to compare with.")
    open_cells = [row for row in learning if row.wants]
    if since and open_cells:
        modes = list(dict.fromkeys(row.mode for row in open_cells))
        why.append(
            f"{len(open_cells)} of {len(learning)} shifts have not learned yet "
            f"({listed([name(m) for m in modes])})."
        )
    if said.state == "too_few":
        why.append("Too few readings to tell a change from chance.")
    if not open_cells:
        why += [c.sentence for c in said.cautions if c.kind == "unlearned"]
        if said.state == "settling" and not any(c.kind == "unlearned" for c in said.cautions):
            why.append(said.sentence)
    return tuple(why)


def all_well(
    analysis: UnitAnalysis,
    before: UnitAssessment | None,
    start: Since,
    maps: tuple[ChangeMap, ...],
    odd: tuple[Odd, ...],
    learning: tuple[LearnRow, ...],
    as_a_whole: bool,
) -> str:
    """Say what speaks for handing over, no more than the readings bear out.

    `as_a_whole` is True where a signal is known to have moved at once though none of its cells shows it.
    """
    moved = {
        "power": "The shifts moved as a change of power should move them",
        "load": "What moved is what a change of load should move",
        "fluid": "What moved is what a fluid service should move",
        "together": "What moved is what these changes together should move",
        "relearn": "The learned values show nothing out of order",
        "rebuild": "The learned values show nothing out of order",
    }.get(start.kind if len(start.kinds) == 1 else "together", "Nothing in the readings speaks against it")
    works = {"power", "load", "fluid"} & set(start.kinds)
    if works and not anything_moved(maps) and not as_a_whole:
        moved = "No shift has moved at once by more than chance, so the change shows no effect so far"
    elif odd:
        where = [name(w) for w in dict.fromkeys(o.channel or o.mode for o in odd)]
        moved += f", but for {listed(where, 4)} (what to check first: below)"
    if anything_drifted(maps):
        moved += ". Some values also moved slowly since, as the maps say"
    notes = _in_view(analysis, before)
    if notes:
        ending = f"no clutch is due or soon due, but keep in view: {' '.join(notes)}"
    else:
        ending = "nothing points to a clutch that is due."
    if any(row.wants is None for row in learning):
        return (
            f"{moved}; {ending} How many shifts were learned from is not counted, so drive every mode once "
            "more to be safe."
        )
    return f"{moved}; every shift in use has learned, and {ending}"


def _in_view(analysis: UnitAnalysis, before: UnitAssessment | None) -> list[str]:
    """Say what is to be known of packs that do not hold the vehicle: worn, in view, growing faster."""
    said = analysis.assessment
    grew = grew_faster(said, before)
    worn = {f.clutch for f in said.findings if f.cause == "wear" and f.probability >= 0.5}
    notes = []
    for c in said.clutches:
        read_on = as_date(analysis.panel.taken_at[-1])
        if c.service == "watch" or c.clutch in worn:
            used = f"{name(c.clutch)} has used {percent(c.used)} of its allowance."
            notes.append(f"{used} {clutch_sentence(c, read_on)}")
        if c.clutch in grew:
            notes.append(grew[c.clutch])
    return notes
