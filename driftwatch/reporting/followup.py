"""The shop's page after a change: hand the vehicle over, drive it first, or inspect it first."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import numpy as np

from driftwatch.assessment.results import Finding, UnitAnalysis
from driftwatch.panel.panel import Panel
from driftwatch.reporting import render, sentences, timelines, unknowns
from driftwatch.reporting.about import about
from driftwatch.reporting.context.followup import ChangeMap, FollowupContext, LearnRow
from driftwatch.reporting.driving import drive_plan
from driftwatch.reporting.forecast import forecast
from driftwatch.reporting.maps import anything_moved, change_maps, learn_rows
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
    day,
    distance,
    listed,
    measured,
    name,
    number,
    per_distance,
    percent,
    rate,
    shown,
    to_noise,
    unit_sign,
)

#: So many shift cells may do otherwise by chance before it counts against handing over: one, or this share.
ODD_SHARE = 0.05
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
    maps, odd = change_maps(panel, moved, start.kinds, learning)
    inspect = _inspect_reasons(analysis, start, maps, odd)
    drive = _drive_reasons(analysis, start, learning)
    verdict = "inspect first" if inspect else "drive first" if drive else "hand over"
    last_day = as_of or (as_date(panel.taken_at[-1]) if len(panel.taken_at) else start.on)
    return FollowupContext(
        title=f"Follow-up of {name(said.unit)}",
        unit=said.unit,
        profile_title=panel.profile.title or panel.profile.name,
        since=start.on,
        change=_change_words(start),
        verdict=verdict,
        reason=(inspect or drive or (_all_well(start, maps, odd, learning),))[0],
        reasons=(*inspect[1:], *drive) if inspect else drive[1:],
        facts=_facts(analysis, start),
        expected=" ".join(sentences.EXPECTED.get(k, sentences.EXPECTED["other"]) for k in start.kinds),
        maps=maps,
        odd=odd,
        learning=learning,
        plan=drive_plan(learning, settings.shifts_to_learn),
        plan_cautions=sentences.DRIVE_CAUTIONS,
        clutch=_clutch_lines(analysis, before_analysis),
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
        "learned",
    )  # fmt: skip
    rows = (
        (
            m.signal, channel, mode, m.stored_unit, cell.before, cell.after, cell.change, cell.noise_units,
            cell.odd, cell.learned,
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


def _inspect_reasons(
    analysis: UnitAnalysis, start: Since, maps: tuple[ChangeMap, ...], odd: tuple[str, ...]
) -> tuple[str, ...]:
    """Give everything that wants a look inside before the vehicle leaves."""
    said = analysis.assessment
    why = [c.sentence for c in said.cautions if c.kind in ("overlap", "authority")]
    why += [f"{name(c.clutch)}: {c.reason}" for c in said.clutches if c.service == "due"]
    why += [f.sentence for f in said.findings if f.probability >= 0.5 and _wants_look(f, start)]
    cells = [cell for m in maps for row in m.cells for cell in row]
    strange, compared = sum(bool(c.odd) for c in cells), sum(c.noise_units is not None for c in cells)
    packs = sum(bool(c.odd) for m in maps if m.signal == "clutch_volume" for row in m.cells for c in row)
    if packs:
        why.append(f"{count(packs, 'clutch volume')} moved, which this kind of change does not do.")
    elif strange > max(1.0, ODD_SHARE * compared):
        why.append(f"{strange} of {compared} cells do otherwise than this kind of change should do.")
    elif odd and not strange:
        why.append(odd[0])
    why += [c.sentence for c in said.cautions if c.kind == "data"]
    return tuple(dict.fromkeys(why))


def _wants_look(f: Finding, start: Since) -> bool:
    """A pressure or unexplained finding, or wear that came up, since the change."""
    recent = f.by is None or f.by >= start.on
    tied = f.event is not None and f.event in {e.id for e in start.visit}
    return recent and (f.cause == "pressure" or (f.cause == "unexplained" and not tied))


def _drive_reasons(analysis: UnitAnalysis, start: Since, learning: tuple[LearnRow, ...]) -> tuple[str, ...]:
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


def _all_well(
    start: Since, maps: tuple[ChangeMap, ...], odd: tuple[str, ...], learning: tuple[LearnRow, ...]
) -> str:
    """Say what speaks for handing over, no more than the readings bear out."""
    moved = {
        "power": "The shifts moved as a change of power should move them",
        "load": "What moved is what a change of load should move",
        "fluid": "What moved is what a fluid service should move",
        "together": "What moved is what these changes together should move",
        "relearn": "The learned values show nothing out of order",
        "rebuild": "The learned values show nothing out of order",
    }.get(start.kind if len(start.kinds) == 1 else "together", "Nothing in the readings speaks against it")
    if {"power", "load", "fluid"} & set(start.kinds) and not anything_moved(maps):
        moved = "No shift has moved by more than chance, so the change shows no effect so far"
    elif odd:
        moved += f", but for {count(len(odd), 'cell')} named below"
    if any(row.wants is None for row in learning):
        return (
            f"{moved}; nothing points to a clutch that is due. How many shifts were learned from is "
            f"not counted, "
            "so drive every mode once more to be safe."
        )
    return f"{moved}; every shift in use has learned, and nothing points to a clutch that is due."


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
        driven = float(panel.odometer_km[-1] - panel.odometer_km[start.cut - 1])
        told.append(
            ("Driven between", f"{distance(driven)} from the last snapshot before to the last one since")
        )
    return tuple(told)


def _clutch_lines(analysis: UnitAnalysis, before: UnitAnalysis | None) -> tuple[str, ...]:
    said = analysis.assessment
    if not said.clutches:
        return ("No fill volumes were read, so nothing can be said of clutch wear from these readings.",)
    lines = [sentences.found(f) for f in said.findings if f.cause == "wear"]
    lines += [f"{name(c.clutch)}: {c.reason}" for c in said.clutches if c.service != "clear"]
    then = {c.clutch: c for c in before.assessment.clutches} if before is not None else {}
    for c in said.clutches:
        old = then.get(c.clutch)
        if old is not None and c.growth_interval[0] > old.growth_interval[1]:
            lines.append(
                f"{name(c.clutch)} grows faster than before the change: "
                f"{number(rate(c.growth_cm3_per_10000km, 'cm3'))} against "
                f"{number(rate(old.growth_cm3_per_10000km, 'cm3'))} {per_distance('cm3')}."
            )
    if not lines:
        most = max(said.clutches, key=lambda c: c.used)
        lines.append(
            f"Nothing points to a clutch: none is near its limit, the most used is {name(most.clutch)} "
            f"with {percent(most.used)} of its allowance."
        )
    return tuple(dict.fromkeys(lines))


def _overlap_lines(analysis: UnitAnalysis) -> tuple[str, ...]:
    lines = [c.sentence for c in analysis.assessment.cautions if c.kind in ("overlap", "authority")]
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
        change = None if move.change is None else shown(move.change, cell.unit, change=True)
        sd = change / move.noise_units if change and move.noise_units else None
        rows.append(
            (sentences.signal(cell.signal), cell.channel, cell.mode or "–", *sides[0], *sides[1],
             to_noise(change, sd), unit_sign(cell.unit), to_noise(move.noise_units, 0.3))
        )  # fmt: skip
    return Table(
        "The last reading before and the last one since, as read; the change is that of the fitted course",
        ("Signal", "Shift or pack", "Mode", "Before", "on", "Since", "on", "Change", "Unit", "Noise units"),
        tuple(rows),
    )


def _reading(panel: Panel, at: int | None, i: int) -> tuple[str, str]:
    if at is None:
        return "–", "not read"
    return number(shown(float(panel.values[at, i]), panel.cells[i].unit)), day(panel.taken_at[at])


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
