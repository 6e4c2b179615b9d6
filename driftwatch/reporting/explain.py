"""The owner's page: whether a change explains how it shifts now, and what to do."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import numpy as np

from driftwatch.assessment.cautions import present_rate
from driftwatch.assessment.results import Effect, Finding, UnitAnalysis
from driftwatch.assessment.state import LIKELY
from driftwatch.profile.model import PACK_SIGNALS
from driftwatch.reporting import figures, owner, render, sentences, timelines
from driftwatch.reporting.about import about, used_terms
from driftwatch.reporting.context.explain import ExplainContext, Share
from driftwatch.reporting.maps import learn_rows
from driftwatch.reporting.since import Since, find_since
from driftwatch.reporting.texts import csv_text
from driftwatch.settings import Settings
from driftwatch.wording import as_date, day, name, percent

#: Share of the change from which the answer is yes, mostly, partly.
YES, MOSTLY, PARTLY = 0.85, 0.6, 0.2
#: A change of less than so many noise units, over all signals together, is none.
LEAST = 1.0
#: A share known no better than this is no answer.
TOO_WIDE = 0.6
_UNMOVED = "nothing else has moved since by more than chance"
_TERMS = ("learned value", "trim", "pack", "fill volume", "limit", "mode", "settling", "80 % range")


def write_explain(
    analysis: UnitAnalysis,
    event: date | str | None,
    settings: Settings,
    folder: Path,
    as_of: date | None = None,
) -> list[Path]:
    """Write the owner's page, its shares as CSV and its context as JSON.

    Parameters
    ----------
    analysis : UnitAnalysis
        The unit as it is now.
    event : date, str or None
        The event's id, a day, or None for the latest logged event.
    settings : Settings
        Those of the store.
    folder : Path
        Made if missing.
    as_of : date, optional
        Last day known; the day of the last snapshot if not given.

    Returns
    -------
    list of Path
        HTML, CSV, JSON.

    Raises
    ------
    UsageError, UnknownName
        If `event` names nothing.

    """
    context = build_explain(analysis, event, settings, as_of)
    stem = render.file_stem("explain", context.unit, context.since.isoformat())
    return [
        render.write(folder / f"{stem}.html", render.page("explain.html", context)),
        render.write(folder / f"{stem}.csv", "\ufeff" + shares_csv(context)),
        render.write(folder / f"{stem}.json", render.context_json(context)),
    ]


def build_explain(
    analysis: UnitAnalysis, event: date | str | None, settings: Settings, as_of: date | None = None
) -> ExplainContext:
    """Put the owner's page together; parameters as in `write_explain`."""
    panel, said = analysis.panel, analysis.assessment
    start = find_since(panel, event)
    last_day = as_of or (as_date(panel.taken_at[-1]) if len(panel.taken_at) else start.on)
    found = findings_since(said.findings, start, settings.event_slack_days)
    shares = share_out(analysis, found, start)
    learning = learn_rows(panel, start.cut, settings)
    besides = owner.going_on(analysis, shares)
    cleared = None if shares else _cleared(found, start)
    if cleared is not None:
        answer, sentence = "yes", owner.cleared_sentence(learning, besides)
        because = f"That they were cleared is {sentences.sure(cleared.probability)}; {_UNMOVED}."
    else:
        answer, because = _answer(analysis, start, shares)
        sentence = owner.answer_sentence(answer, start, shares, besides)
    what = f"the change seen since {day(start.on)}"
    context = ExplainContext(
        title=f"What changed in {name(said.unit)}?",
        unit=said.unit,
        question=owner.question(start),
        since=start.on,
        answer=answer,
        answer_sentence=sentence,
        because=because,
        besides=besides,
        shares=shares,
        picture=figures.sharing(shares, what) if shares else None,
        learning=owner.learning(analysis, start, learning),
        wear=owner.wear(analysis),
        do=owner.do(analysis, answer, start, learning, shares, last_day),
        dont=owner.dont(analysis, answer),
        come_back=owner.come_back(analysis, start, learning, last_day, settings),
        would_change=owner.would_change(answer, start, learning, shares),
        details=tuple(sentences.found(f) for f in sorted(said.findings, key=lambda f: -f.probability)),
        about=about([analysis], last_day, ()),
    )
    footer = about([analysis], last_day, used_terms(_texts(context), _TERMS))
    return replace(context, about=footer)


def _texts(context: ExplainContext) -> Iterable[str]:
    """Give all sentences of the page, to see which words it uses."""
    yield from (context.question, context.answer_sentence, context.because, context.learning, context.wear)
    yield from (*context.do, *context.dont, context.come_back, *context.would_change, *context.details)
    yield from (context.about.warning, *context.about.cautions)
    if context.picture is not None:
        yield context.picture.says


def shares_csv(context: ExplainContext) -> str:
    """Give the shares as CSV; see `csv_text`."""
    rows = ((s.cause, s.label, s.share, s.low, s.high, "yes" if s.asked else "no") for s in context.shares)
    return csv_text(("cause", "label", "share", "low", "high", "asked_about"), rows)


def findings_since(findings: tuple[Finding, ...], start: Since, slack_days: float) -> tuple[Finding, ...]:
    """Give what acted since: changes at or after the event (allowing for a misdated log), and slow drifts.

    Wear is left out: its finding tells how much of a pack's allowance is used since its life began, not what
    moved since the event; `wear_since` tells that.
    """
    earliest = start.on - timedelta(days=slack_days)
    tied = {e.id for e in start.visit}
    return tuple(
        f for f in findings if f.cause != "wear" and (f.event in tied or f.by is None or f.by >= earliest)
    )


def share_out(analysis: UnitAnalysis, found: tuple[Finding, ...], start: Since) -> tuple[Share, ...]:
    """Share the change among the causes found, by simple arithmetic on the findings' sizes.

    Each finding weighs as much as its effects on the shifts (mean size in noise units, added up over the
    signals), times the probability that its cause acted; what is left of the probability goes to its rivals
    and then to `unexplained`. A slow drift, whose size is per 10 000 km, counts with the distance since; one
    that goes with packs that grow is wear.
    A share's range sets the cause's own smallest (largest) size against the
    others' largest (smallest).

    Returns
    -------
    tuple of Share
        Largest first; empty where no size can be told, or all of it is less than one noise unit.

    """
    noise, driven = _noise(analysis), _driven(analysis, start) / 10000.0
    weights: dict[str, list[float]] = {}
    for f in found:
        sizes = [_weights(e, noise) for e in f.size if e.signal not in PACK_SIGNALS]
        total = np.sum(sizes, axis=0) * (driven if f.by is None else 1.0) if sizes else np.zeros(3)
        parts = [(f.cause, f.probability), *((r.cause, r.probability) for r in f.rivals)]
        left = max(0.0, 1.0 - sum(p for _, p in parts))
        for cause, p in [*parts, ("unexplained", left)]:
            held = weights.setdefault(cause, [0.0, 0.0, 0.0])
            for k in range(3):
                held[k] += p * float(total[k])
    if not any(f.by is None for f in found):  # else the drift is accounted for already
        weights["wear"] = list(wear_since(analysis, driven))
    whole = sum(w[0] for w in weights.values())
    if whole < LEAST:
        return ()
    asked = _asked(found, start)
    made = []
    for cause, (low, mid, high) in ((c, (w[1], w[0], w[2])) for c, w in weights.items()):
        others_low = sum(w[1] for c, w in weights.items() if c != cause)
        others_high = sum(w[2] for c, w in weights.items() if c != cause)
        share = mid / whole
        made.append(
            Share(
                cause,
                owner.cause_words(cause, start),
                share,
                min(share, low / (low + others_high) if low + others_high > 0 else 1.0),
                max(share, high / (high + others_low) if high > 0 else 0.0),
                cause in asked,
            )
        )
    return tuple(sorted((s for s in made if s.share > 0), key=lambda s: (-s.share, s.cause)))


def wear_since(analysis: UnitAnalysis, driven: float) -> tuple[float, float, float]:
    """Give what wear moved since the event, in noise units as `share_out` adds them up: size, least, most.

    Shifts that apply a pack whose volume grows ask for more and more fill. Their drift at the present rate,
    over the distance driven (in 10 000 km), is averaged over all cells of a signal and added up over signals.
    """
    growing = {c.clutch for c in analysis.assessment.clutches if c.growth_interval[0] > 0}
    if analysis.fit is None or not growing:
        return 0.0, 0.0, 0.0
    rate, rate_se = present_rate(analysis.panel, analysis.fit)
    total = np.zeros(3)
    cells = analysis.panel.cells
    for signal in dict.fromkeys(c.signal for c in cells if c.signal not in PACK_SIGNALS):
        of_signal = np.array([c.signal == signal for c in cells])
        sd = analysis.fit.noise_sd
        good = of_signal & np.isfinite(rate) & np.isfinite(rate_se) & (sd > 0)
        moved = good & np.array([c.applies in growing for c in cells])
        if not moved.any():
            continue
        size = float((rate[moved] / sd[moved]).sum()) / good.sum() * driven
        half = timelines.Z90 * float(np.sqrt(((rate_se[moved] / sd[moved]) ** 2).sum())) / good.sum() * driven
        total += (abs(size), max(abs(size) - half, 0.0), abs(size) + half)
    return float(total[0]), float(total[1]), float(total[2])


def _asked(found: tuple[Finding, ...], start: Since) -> set[str]:
    """Give the causes that the question is about."""
    if start.event is None:
        return {f.cause for f in found} - {"unexplained", "wear"}
    known = {e.kind for e in start.asked} - {"repair", "other"}
    open_ = {e.id for e in start.asked if e.kind in ("repair", "other")}
    return known | {f.cause for f in found if f.event in open_}


def _answer(analysis: UnitAnalysis, start: Since, shares: tuple[Share, ...]) -> tuple[str, str]:
    """Give the answer and the reason for it."""
    read = len(analysis.panel.taken_at) - start.cut
    if read == 0:
        return "can't tell yet", f"The controller has not been read out since {day(start.on)}."
    if analysis.assessment.state == "too_few" or analysis.fit is None or start.cut == 0:
        return "can't tell yet", "There are too few readings, before or since, to tell a change from chance."
    if not shares:
        if read < 2:
            return "can't tell yet", "There is only one reading since, and it does not show a change so far."
        return "no", "The learned values have made no step since that is more than chance."
    mine = [s for s in shares if s.asked]
    share = sum(s.share for s in mine)
    low, high = min(1.0, sum(s.low for s in mine)), min(1.0, sum(s.high for s in mine))
    if len(mine) == len(shares):
        low = high = 1.0
    told = f"Its share of the change: {owner.share_words(share, low, high)}."
    if high - low > TOO_WIDE and PARTLY <= share < YES:
        return "can't tell yet", told + " That is too wide to call."
    if share >= YES:
        return "yes", told
    if share >= MOSTLY:
        return "mostly", told
    if share >= PARTLY:
        return "partly", told
    other = next((s for s in shares if not s.asked), None)
    return "no", told + (
        f" The largest part goes to {other.label} ({percent(other.share)})." if other else ""
    )


def _cleared(found: tuple[Finding, ...], start: Since) -> Finding | None:
    """Give the finding that the learned values were cleared, if that is what is asked about."""
    mine = [f for f in found if f.cause == "relearn" and f.probability >= (LIKELY if f.event else YES)]
    return max(mine, key=lambda f: f.probability, default=None) if "relearn" in _asked(found, start) else None


def _driven(analysis: UnitAnalysis, start: Since) -> float:
    """Give the distance from the last snapshot before the change to the last of all, in km."""
    odometer = analysis.panel.odometer_km
    return float(odometer[-1] - odometer[max(start.cut - 1, 0)]) if len(odometer) else 0.0


def _noise(analysis: UnitAnalysis) -> dict[str, float]:
    """Give the typical spread of one reading of each signal."""
    if analysis.fit is None:
        return {}
    spread: dict[str, list[float]] = {}
    for cell, sd in zip(analysis.panel.cells, analysis.fit.noise_sd.tolist(), strict=True):
        if np.isfinite(sd) and sd > 0:
            spread.setdefault(cell.signal, []).append(sd)
    return {signal: float(np.median(sds)) for signal, sds in spread.items()}


def _weights(effect: Effect, noise: dict[str, float]) -> tuple[float, float, float]:
    """Give an effect's size, smallest size and largest size in noise units, without sign."""
    sd = noise.get(effect.signal)
    if sd is None:
        return 0.0, 0.0, 0.0
    ends = abs(effect.low) / sd, abs(effect.high) / sd
    smallest = 0.0 if effect.low * effect.high <= 0 else min(ends)
    return abs(effect.estimate) / sd, smallest, max(ends)
