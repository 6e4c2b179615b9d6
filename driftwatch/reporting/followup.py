"""The shop's page after a change: hand the vehicle over, drive it first, or inspect it first."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import numpy as np

from driftwatch.assessment.results import Effect, UnitAnalysis, UnitAssessment
from driftwatch.panel.panel import Panel
from driftwatch.reporting import render, sentences, timelines, unknowns
from driftwatch.reporting.about import about
from driftwatch.reporting.context.followup import FollowupContext
from driftwatch.reporting.driving import drive_plan
from driftwatch.reporting.forecast import forecast
from driftwatch.reporting.handover import all_well, checks, drive_reasons, grew_faster, inspect_reasons
from driftwatch.reporting.maps import change_maps, learn_rows, told_change
from driftwatch.reporting.outlooks import UNTOLD, why_untold
from driftwatch.reporting.parts import Chart, Table
from driftwatch.reporting.provenance import (
    Provenance,
    asked,
    corrections_table,
    settings_table,
    sources_table,
)
from driftwatch.reporting.since import Move, Since, find_since, moves
from driftwatch.reporting.texts import count, csv_text
from driftwatch.settings import Settings
from driftwatch.wording import (
    as_date,
    as_read,
    day,
    distance,
    listed,
    measured,
    name,
    percent,
    to_noise,
    unit_sign,
)

MOST_FORECASTS = 3
_TERMS = (
    "learned value",
    "trim",
    "pack",
    "fill volume",
    "limit",
    "mode",
    "noise unit",
    "80 % range",
    "snapshot",
    "settling",
)


def write_followup(
    analysis: UnitAnalysis,
    before_analysis: UnitAnalysis | None,
    since: date | str | None,
    settings: Settings,
    folder: Path,
    as_of: date | None = None,
    provenance: Provenance | None = None,
) -> list[Path]:
    """Write the shop's report, its cells as CSV and its context as JSON.

    Parameters
    ----------
    analysis : UnitAnalysis
        The unit as it is now.
    before_analysis : UnitAnalysis or None
        The same as of the day before the change, to set the clutches side by side; None if there is none.
    since : date, str or None
        Day or event id; None for the latest logged event.
    settings : Settings
        Those of the store.
    folder : Path
        Made if missing.
    as_of : date, optional
        Last day known; the day of the last snapshot if not given.
    provenance : Provenance, optional
        Where the data came from, for the appendix.

    Returns
    -------
    list of Path
        HTML, CSV, JSON.

    Raises
    ------
    UsageError, UnknownName
        If `since` names nothing.

    """
    context = build_followup(analysis, before_analysis, since, settings, as_of, provenance)
    stem = render.file_stem("followup", context.unit, context.since.isoformat())
    return [
        render.write(folder / f"{stem}.html", render.page("followup.html", context)),
        render.write(folder / f"{stem}.csv", "\ufeff" + cells_csv(context)),
        render.write(folder / f"{stem}.json", render.context_json(context)),
    ]


def build_followup(
    analysis: UnitAnalysis,
    before_analysis: UnitAnalysis | None,
    since: date | str | None,
    settings: Settings,
    as_of: date | None = None,
    provenance: Provenance | None = None,
) -> FollowupContext:
    """Put the shop's report together; parameters as in `write_followup`."""
    panel, said = analysis.panel, analysis.assessment
    start = find_since(panel, since)
    moved = moves(analysis, start.cut)
    learning = learn_rows(panel, start.cut, settings)
    together = _together(analysis, start)
    maps, odd = change_maps(panel, moved, start.kinds, learning, together)
    before = None if before_analysis is None else before_analysis.assessment
    inspect = inspect_reasons(analysis, before, start, maps, odd)
    drive = drive_reasons(analysis, start, learning)
    well = all_well(analysis, before, start, maps, odd, learning, bool(together))
    verdict = "inspect first" if inspect else "drive first" if drive else "hand over"
    last_day = as_of or (as_date(panel.taken_at[-1]) if len(panel.taken_at) else start.on)
    return FollowupContext(
        title=f"Follow-up of {name(said.unit)}",
        unit=said.unit,
        profile_title=panel.profile.title or panel.profile.name,
        since=start.on,
        change=_change_words(start),
        verdict=verdict,
        reason=(inspect or drive or (well,))[0],
        reasons=(*inspect[1:], *drive) if inspect else drive[1:] if drive else checks(odd),
        facts=_facts(analysis, start),
        expected=" ".join(sentences.EXPECTED.get(k, sentences.EXPECTED["other"]) for k in start.kinds),
        maps=maps,
        odd=tuple(o.line for o in odd),
        checks=checks(odd),
        learning=learning,
        plan=drive_plan(learning, settings.shifts_to_learn),
        plan_cautions=sentences.DRIVE_CAUTIONS,
        clutch=_clutch_lines(analysis, before),
        overlap=_overlap_lines(analysis),
        findings=tuple(sentences.found(f) for f in sorted(said.findings, key=lambda f: -f.probability)),
        marks=timelines.marks(analysis),
        charts=_charts(analysis),
        would_change=unknowns.unit_would_change(verdict, analysis, start.event is not None),
        unknown=unknowns.unit_unknown(analysis, start.cut),
        appendix=_appendix(panel, moved),
        snapshots=_snapshots(panel, start.cut),
        sources=sources_table(provenance, settings),
        corrections=corrections_table(provenance, settings),
        settings=settings_table(settings),
        asked=asked(provenance, settings),
        about=about([analysis], last_day, _TERMS),
    )


def cells_csv(context: FollowupContext) -> str:
    """Give the cells before and after as CSV, in the profile's units; see `csv_text`."""
    columns = (
        "signal", "channel", "mode", "unit", "before", "after", "change", "noise_units", "does_otherwise",
        "learned", "drift", "drift_noise_units",
    )  # fmt: skip
    rows = (
        (
            m.signal, channel, mode, m.stored_unit, cell.before, cell.after, cell.change, cell.noise_units,
            cell.odd, cell.learned, cell.drift, cell.drift_units,
        )
        for m in context.maps
        for channel, row in zip(m.channels, m.cells, strict=True)
        for mode, cell in zip(m.modes, row, strict=True)
    )  # fmt: skip
    return csv_text(columns, rows)


def _change_words(start: Since) -> str:
    if start.event is None:
        return f"No event is logged on {day(start.on)}; before and after are counted from that day."
    told = listed([timelines.event_words(e.kind, e.amount, e.amount_unit, e.note) for e in start.visit])
    return f"{told[0].upper()}{told[1:]}, logged for {day(start.on)}."


def _together(analysis: UnitAnalysis, start: Since) -> dict[str, Effect]:
    """Give by signal what the change did to its cells as a whole: of findings likely, tied to it and sure."""
    visit = {e.id for e in start.visit}
    made: dict[str, Effect] = {}
    for f in sorted(analysis.assessment.findings, key=lambda f: -f.probability):
        at_it = f.event in visit or (f.after is not None and f.after <= start.on)
        if f.probability < 0.5 or f.by is None or f.by < start.on or not at_it:
            continue
        for effect in f.size:
            if effect.low * effect.high > 0:
                made.setdefault(effect.signal, effect)
    return made


def _facts(analysis: UnitAnalysis, start: Since) -> tuple[tuple[str, str], ...]:
    panel, said = analysis.panel, analysis.assessment
    n = len(panel.taken_at)
    told = [
        ("Unit", name(said.unit)),
        ("Transmission", panel.profile.title or panel.profile.name),
        ("Odometer", distance(said.odometer_km)),
        (
            "Snapshots",
            f"{start.cut} before, {n - start.cut} since; last on {day(panel.taken_at[-1] if n else None)}",
        ),
        ("State", sentences.STATE.get(said.state, said.state)),
    ]
    if n > start.cut > 0:
        driven = distance(float(panel.odometer_km[-1] - panel.odometer_km[start.cut - 1]))
        told.append(("Driven", f"{driven} between the last reading-out before and the latest one since"))
    return tuple(told)


def _clutch_lines(analysis: UnitAnalysis, before: UnitAssessment | None) -> tuple[str, ...]:
    said = analysis.assessment
    if not said.clutches:
        return (_no_outlook(analysis),)
    lines = [sentences.found(f) for f in said.findings if f.cause == "wear"]
    lines += [f"{name(c.clutch)}: {c.reason}" for c in said.clutches if c.service != "clear"]
    lines += grew_faster(said, before).values()
    if not lines:
        most = max(said.clutches, key=lambda c: c.used)
        lines.append(
            f"Nothing points to a clutch: none is near its limit, the most used is {name(most.clutch)} "
            f"with {percent(most.used)} of its allowance."
        )
    return tuple(dict.fromkeys(lines))


def _no_outlook(analysis: UnitAnalysis) -> str:
    """Say why nothing is said of the clutches."""
    why = why_untold(analysis)
    told = UNTOLD[why][1]
    if why in ("too_few", "few_volumes"):
        told += f" (fill volumes: {count(_volume_readings(analysis.panel), 'reading')})"
    return f"Nothing can be said of clutch wear: {told}."


def _volume_readings(panel: Panel) -> int:
    packs = [i for i, c in enumerate(panel.cells) if c.signal == "clutch_volume"]
    return int(np.isfinite(panel.values[:, packs]).any(axis=1).sum())


def _overlap_lines(analysis: UnitAnalysis) -> tuple[str, ...]:
    lines = [c.sentence for c in analysis.assessment.cautions if c.kind in ("overlap", "authority")]
    if not lines and analysis.fit is None:
        return ("Too few readings yet to tell.",)
    return tuple(lines) or (
        "No shift moved toward holding both clutches at once, and no learned value is at its end.",
    )


def _charts(analysis: UnitAnalysis) -> tuple[Chart, ...]:
    signals = dict.fromkeys(c.signal for c in analysis.panel.cells if c.signal != "clutch_volume")
    made = [timelines.volumes(analysis), *(timelines.trims(analysis, s) for s in signals)]
    near = sorted(analysis.assessment.clutches, key=lambda c: -c.used)
    wanted = [c for c in near if c.service != "clear"][:MOST_FORECASTS] or near[:1]
    made += [forecast(analysis, c) for c in wanted]
    return tuple(c for c in made if c is not None)


def _appendix(panel: Panel, moved: list[Move]) -> Table:
    rows = []
    for i, (cell, move) in enumerate(zip(panel.cells, moved, strict=True)):
        sides = [_reading(panel, at, i) for at in (move.before_at, move.after_at)]
        rows.append(
            (sentences.signal(cell.signal), cell.channel, cell.mode or "–", *sides[0], *sides[1],
             *(told_change(panel, v, move, cell) for v in (move.change, move.drift)), unit_sign(cell.unit),
             to_noise(move.noise_units, 0.3))
        )  # fmt: skip
    return Table(
        "The last reading before and the last one since, as read. What came at once and what came slowly is "
        "that of the fitted course: the two need not add up to the difference of two single readings",
        (
            "Signal", "Shift or pack", "Mode", "Before", "on", "Since", "on", "At once", "Slowly", "Unit",
            "At once, noise units",
        ),
        tuple(rows),
    )  # fmt: skip


def _reading(panel: Panel, at: int | None, i: int) -> tuple[str, str]:
    if at is None:
        return "–", "not read"
    cell = panel.cells[i]
    step = panel.profile.signal(cell.signal).resolution
    return as_read(float(panel.values[at, i]), step, cell.unit), day(panel.taken_at[at])


def _snapshots(panel: Panel, cut: int) -> Table:
    rows = []
    for t in range(len(panel.taken_at)):
        read = np.isfinite(panel.values[t])
        temp = float(panel.fluid_temp_c[t])
        rows.append(
            (day(panel.taken_at[t]), "before" if t < cut else "since", distance(float(panel.odometer_km[t])),
             measured(temp, "degC") if np.isfinite(temp) else "not recorded", str(int(read.sum())),
             str(int((read & ~panel.usable[t] & ~panel.slips[t]).sum())),
             str(int((read & panel.slips[t]).sum())))
        )  # fmt: skip
    return Table(
        "Snapshots used; a repeat is an old value given again, a slip a lone reading that "
        "contradicts those around it",
        ("Day", "Side", "Odometer", "Fluid", "Readings", "Left out: repeats", "Left out: slips"),
        tuple(rows),
    )
