"""One unit's pictures: its history with events and changes, and each pack's way to its limit."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any, NamedTuple

import numpy as np

from driftwatch.assessment.results import UnitAnalysis
from driftwatch.panel.panel import Event, Panel
from driftwatch.reporting import sentences
from driftwatch.reporting.figures import range_words
from driftwatch.reporting.parts import Chart, Table
from driftwatch.reporting.picture import BLUE, GREEN, INK, PURPLE, RED, SOFT, Picture, lane_ref, lanes
from driftwatch.reporting.texts import (
    as_date,
    chart_text,
    day,
    grouped,
    km,
    name,
    number,
    percent,
    shorten,
    unit_sign,
)
from driftwatch.service.results import ClutchOutlook

#: Half-width of a 90 % interval in standard errors.
Z90 = 1.645
_CHANGE = {"step": "a step", "bend": "a change of pace", "transient": "a jump and return"}


def volumes(analysis: UnitAnalysis) -> Chart | None:
    """Draw each pack's fill volume over time: readings, fitted line, 90 % band, events, changes, limit."""
    panel = analysis.panel
    packs = [i for i, c in enumerate(panel.cells) if c.signal == "clutch_volume" and _has(panel, i)]
    if not packs:
        return None
    limits = {c.clutch: c.limit_cm3 for c in analysis.assessment.clutches}
    picture = lanes([chart_text(panel.cells[i].channel) for i in packs])
    for k, i in enumerate(packs, start=1):
        shown = _Shown(panel.values[:, i], panel.usable[:, i], panel.slips[:, i], panel.cells[i].unit)
        _lane(picture, k, panel, shown, _fit(analysis, [i]))
        limit = limits.get(panel.cells[i].channel)
        if limit is not None and np.isfinite(limit) and _near(panel.values[:, i], limit):
            picture.level(limit, lane_ref(k))
    rows = [
        (
            day(panel.taken_at[t]),
            km(float(panel.odometer_km[t])),
            *(number(float(panel.values[t, i])) for i in packs),
        )
        for t in range(len(panel.taken_at))
    ]
    unit = panel.cells[packs[0]].unit
    table = Table(
        f"Fill volumes as read, {unit_sign(unit)}",
        ("Day", "Odometer", *(panel.cells[i].channel for i in packs)),
        tuple(rows),
    )
    most = max(analysis.assessment.clutches, key=lambda c: c.used, default=None)
    says = "Points are readings, the line and its band the fitted course; dashed is the limit, if near. "
    if most is not None:
        says += f"{name(most.clutch)} has used the most of its allowance ({percent(most.used)})."
    return _finish(picture, analysis, "volumes", "Fill volumes", says, table)


def trims(analysis: UnitAnalysis, signal: str) -> Chart | None:
    """Draw one signal's mean over the shifts of each mode, over time, in the same manner."""
    panel = analysis.panel
    groups: dict[str, list[int]] = {}
    for i, cell in enumerate(panel.cells):
        if cell.signal == signal and _has(panel, i):
            groups.setdefault(cell.mode, []).append(i)
    if not groups:
        return None
    picture = lanes([chart_text(mode or "all modes") for mode in groups])
    means, unit = [], panel.cells[next(iter(groups.values()))[0]].unit
    for k, cells in enumerate(groups.values(), start=1):
        usable = panel.usable[:, cells].any(axis=1)
        mean = _mean(np.where(panel.usable[:, cells], panel.values[:, cells], np.nan), analysis, cells)
        means.append(mean)
        shown = _Shown(mean, usable, np.zeros_like(usable), unit)
        _lane(picture, k, panel, shown, _fit(analysis, cells))
    rows = [
        (day(panel.taken_at[t]), km(float(panel.odometer_km[t])), *(number(float(m[t])) for m in means))
        for t in range(len(panel.taken_at))
    ]
    title = sentences.signal(signal)
    table = Table(
        f"{title}, mean over the shifts read, {unit_sign(unit)}", ("Day", "Odometer", *groups), tuple(rows)
    )
    moved = _first_to_last(groups, means, unit)
    says = f"Each lane is one mode, the mean over its shifts. From first to last reading: {moved}."
    return _finish(picture, analysis, f"timeline-{signal}", title, says, table)


def forecast(analysis: UnitAnalysis, outlook: ClutchOutlook) -> Chart | None:
    """Draw one pack's way to its limit on a date axis (odometer where the unit's use is not known)."""
    panel = analysis.panel
    index = next(
        (i for i, c in enumerate(panel.cells) if c.signal == "clutch_volume" and c.channel == outlook.clutch),
        None,
    )
    if index is None or len(outlook.fan_km) == 0:
        return None
    dated = bool(analysis.assessment.km_per_day and analysis.assessment.km_per_day > 0)
    ahead: list[Any] = _ahead_days(analysis, outlook) if dated else [float(v) for v in outlook.fan_km]
    keep = np.arange(len(panel.taken_at)) >= outlook.life_start
    shown = keep & np.isfinite(panel.values[:, index])
    past = [str(t)[:10] for t in panel.taken_at[shown]] if dated else panel.odometer_km[shown].tolist()
    now, limit = number(outlook.volume_cm3), number(outlook.limit_cm3)
    picture = Picture(320, showlegend=True, legend={"orientation": "h", "x": 0, "y": -0.16, "yanchor": "top"})
    read = "%{x}: %{y:.1f} cm³<extra></extra>"
    picture.band(
        ahead, outlook.fan_p10.tolist(), outlook.fan_p90.tolist(), name="80 % range", showlegend=True
    )
    picture.scatter(
        ahead, outlook.fan_p50.tolist(), mode="lines", line={"color": BLUE, "dash": "dot", "width": 2},
        name="even chance", showlegend=True, hovertemplate=read,
    )  # fmt: skip
    picture.scatter(
        past, panel.values[shown, index].tolist(), mode="markers", marker={"color": INK, "size": 7},
        name="read", showlegend=True, hovertemplate=read,
    )  # fmt: skip
    picture.level(outlook.limit_cm3)
    picture.note(
        f"limit {limit} cm³", x=0.01, xref="paper", xanchor="left", y=outlook.limit_cm3, yanchor="bottom",
        font={"color": RED},
    )  # fmt: skip
    picture.axis("xaxis", title={"text": "" if dated else "odometer, km"}, nticks=6)
    picture.axis("yaxis", title={"text": "fill volume, cm³"})
    due = outlook.due_on
    when = range_words(due.get("p10"), due.get("p50"), due.get("p90"))
    says = f"{name(outlook.clutch)} is at {now} of {limit} cm³; limit reached: {when}."
    table = Table(
        f"{outlook.clutch}: volume ahead, cm³",
        ("Day" if dated else "Odometer", "1 in 10 below", "Even chance", "9 in 10 below"),
        tuple(
            (str(x) if dated else km(float(x)), number(lo), number(mid), number(hi))
            for x, lo, mid, hi in zip(
                ahead,
                outlook.fan_p10.tolist(),
                outlook.fan_p50.tolist(),
                outlook.fan_p90.tolist(),
                strict=True,
            )
        ),
    )
    return Chart(
        f"forecast-{index}",
        f"{outlook.clutch}: the way to its limit",
        says,
        picture.height,
        picture.figure(),
        table,
    )


def event_words(kind: str, amount: float | None, unit: str, note: str) -> str:
    """Give a log entry in words: what, how much, the note."""
    extra = []
    if amount is not None and np.isfinite(amount):
        sign = "+" if kind == "power" and amount > 0 else ""
        extra.append(
            f"{sign}{grouped(amount, 0 if amount == round(amount) else 1)} {unit_sign(unit)}".strip()
        )
    if note.strip():
        extra.append(f"“{name(shorten(note.strip(), 120))}”")
    return sentences.EVENT.get(kind, kind) + (f" ({'; '.join(extra)})" if extra else "")


def _finish(picture: Picture, analysis: UnitAnalysis, id_: str, title: str, says: str, table: Table) -> Chart:
    """Mark events and changes over all lanes, and put the chart together."""
    labels: dict[str, list[str]] = {}
    for k, event in enumerate(_events(analysis), 1):
        labels.setdefault(as_date(event.happened_at).isoformat(), []).append(f"E{k}")
    for when, names in labels.items():
        picture.moment(when)
        font = {"color": PURPLE, "size": 11}
        picture.note(", ".join(names), x=when, y=1, yref="paper", yanchor="bottom", yshift=16, font=font)
    for letter, left, right, _ in _changes(analysis):
        picture.strip(left, right)
        middle = date.fromordinal(
            (date.fromisoformat(left).toordinal() + date.fromisoformat(right).toordinal()) // 2
        )
        picture.note(
            letter,
            x=middle.isoformat(),
            y=0,
            yref="paper",
            yanchor="top",
            yshift=-26,
            font={"color": "#8a6100", "size": 12},
        )
    return Chart(id_, title, says.strip(), picture.height, picture.figure(), table)


def marks(analysis: UnitAnalysis) -> tuple[str, ...]:
    """Say what the marks in the timelines stand for: logged events, changes found and their cause."""
    events = [
        f"E{k} (dotted line): {day(e.happened_at)}, {event_words(e.kind, e.amount, e.amount_unit, e.note)}."
        for k, e in enumerate(_events(analysis), 1)
    ]
    return (*events, *(f"{letter} (shaded strip): {told}." for letter, _, _, told in _changes(analysis)))


def _events(analysis: UnitAnalysis) -> list[Event]:
    return sorted(analysis.panel.events, key=lambda e: e.happened_at)


def _first_to_last(groups: dict[str, list[int]], means: list[Any], unit: str) -> str:
    told = []
    for mode, mean in zip(groups, means, strict=True):
        read = mean[np.isfinite(mean)]
        if len(read):
            told.append(f"{name(mode or 'all modes')} {number(float(read[0]))} to {number(float(read[-1]))}")
    return "; ".join(told) + f" {unit_sign(unit)}" if told else "nothing usable was read"


def _changes(analysis: UnitAnalysis) -> list[tuple[str, str, str, str]]:
    """Give letter, first and last day, and words of each change of the fit, tied to its likeliest finding."""
    if analysis.fit is None:
        return []
    times, found = analysis.panel.taken_at, analysis.assessment.findings
    made = []
    for k, change in enumerate(analysis.fit.changes):
        first, last = max(change.span[0] - 1, 0), min(change.span[1], len(times) - 1)
        left, right = as_date(times[first]), as_date(times[last])
        near = [f for f in found if f.by is not None and left < f.by <= right and change.kind != "bend"]
        best = max(near, key=lambda f: f.probability, default=None)
        words = _CHANGE.get(change.kind, change.kind)
        told = f"{words} between {day(left)} and {day(right)}"
        if best is not None:
            told += f", {sentences.cause(best.cause)} {sentences.sure(best.probability)}"
        made.append((chr(65 + k % 26), left.isoformat(), right.isoformat(), told))
    return made


class _Shown(NamedTuple):
    """What one lane shows: readings, which were used, which were slips (each (T,)), and their unit."""

    values: Any
    usable: Any
    slips: Any
    unit: str


def _lane(picture: Picture, k: int, panel: Panel, shown: _Shown, fit: tuple[Any, Any]) -> None:
    """Add readings, fitted line and band of lane k; repeats as open points, slips as crosses."""
    xs, sign = [str(t)[:16] for t in panel.taken_at], chart_text(unit_sign(shown.unit))
    ref, (fitted, spread) = lane_ref(k), fit
    if fitted is not None:
        good = np.isfinite(fitted) & np.isfinite(spread)
        at = [x for x, g in zip(xs, good, strict=True) if g]
        middle, half = fitted[good], Z90 * spread[good]
        picture.band(at, (middle - half).tolist(), (middle + half).tolist(), yaxis=ref)
        line = {"color": BLUE, "width": 2}
        picture.scatter(at, middle.tolist(), mode="lines", line=line, hoverinfo="skip", yaxis=ref)
    read = np.isfinite(shown.values)
    for mask, symbol, said in (
        (read & shown.usable, "circle", "read"),
        (read & ~shown.usable & ~shown.slips, "circle-open", "old value repeated"),
        (read & shown.slips, "x", "left out: contradicts those around it"),
    ):
        if mask.any():
            picture.scatter(
                [x for x, m in zip(xs, mask, strict=True) if m],
                shown.values[mask].tolist(),
                mode="markers",
                marker={"color": GREEN if symbol == "circle" else SOFT, "size": 6, "symbol": symbol},
                hovertemplate=f"%{{x|%d %b %Y}}: %{{y:.4g}} {sign} ({said})<extra></extra>",
                yaxis=ref,
            )
    picture.axis("yaxis" + ref[1:], title={"text": sign, "font": {"size": 11}})


def _fit(analysis: UnitAnalysis, cells: list[int]) -> tuple[Any, Any]:
    """Give the mean fitted course of some cells, and the standard error of that mean.

    Each cell's error comes from the noise of its own readings, so the variances of the cells add up.
    """
    if analysis.fit is None:
        return None, None
    spread = np.sqrt((analysis.fit.fitted_se[:, cells] ** 2).sum(axis=1)) / len(cells)
    return analysis.fit.fitted[:, cells].mean(axis=1), spread


def _mean(values: Any, analysis: UnitAnalysis, cells: list[int]) -> Any:
    """Give the mean over cells of each snapshot, not shifted by which cells happen to be read.

    With a fit, each reading's distance from its own fitted course is averaged, and put on the mean course.
    """
    some = np.isfinite(values).any(axis=1)
    mean = np.full(len(values), np.nan)
    if analysis.fit is None:
        mean[some] = np.nanmean(values[some], axis=1)
        return mean
    fitted = analysis.fit.fitted[:, cells]
    mean[some] = fitted[some].mean(axis=1) + np.nanmean((values - fitted)[some], axis=1)
    return mean


def _ahead_days(analysis: UnitAnalysis, outlook: ClutchOutlook) -> list[Any]:
    """Give the day at which each odometer reading of the fan is reached at the unit's present use."""
    panel, per_day = analysis.panel, analysis.assessment.km_per_day
    start: date = as_date(panel.taken_at[-1])
    now = float(panel.odometer_km[-1])
    latest = (date.max - start).days - 1
    days = [min(max((float(v) - now) / float(per_day or 1.0), 0.0), latest) for v in outlook.fan_km]
    return [(start + timedelta(days=d)).isoformat() for d in days]


def _has(panel: Panel, index: int) -> bool:
    return bool(np.isfinite(panel.values[:, index]).any())


def _near(values: Any, limit: float) -> bool:
    """True if the limit can be drawn without flattening the readings: within three times their spread."""
    good = values[np.isfinite(values)]
    spread = max(float(good.max() - good.min()), 0.02 * abs(float(good.mean())))
    return bool(limit - good.max() < 3 * spread)
