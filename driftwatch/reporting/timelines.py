"""One unit's history in pictures: readings, fitted courses, logged events and changes found."""

from __future__ import annotations

from datetime import date
from typing import Any, NamedTuple

import numpy as np

from driftwatch.assessment.results import UnitAnalysis
from driftwatch.panel.panel import Event, Panel
from driftwatch.reporting import sentences
from driftwatch.reporting.outlooks import used_words
from driftwatch.reporting.parts import Chart, Table
from driftwatch.reporting.picture import BLUE, GREEN, PURPLE, SOFT, Picture, lane_ref, lanes
from driftwatch.reporting.texts import chart_text, shorten
from driftwatch.wording import (
    as_date,
    as_read,
    as_set,
    chart_day,
    day,
    distance,
    name,
    shown,
    to_step,
    unit_sign,
)

#: Half-width of a 90 % interval in standard errors.
Z90 = 1.645
#: Snapshots in the table beside a chart: some years of monthly ones.
MOST_ROWS = 120
#: Said of a chart where a slip would have flattened the rest.
OUTSIDE = (
    "A cross at the edge is a reading far outside, left out as a slip; its value is in the "
    "table, or in the export of a long history."
)
_CHANGE = {"step": "a step", "bend": "a change of pace", "transient": "a jump and return"}


def volumes(analysis: UnitAnalysis) -> Chart | None:
    """Draw each pack's fill volume over time: readings, fitted line, 90 % band, events, changes, limit."""
    panel = analysis.panel
    packs = [i for i, c in enumerate(panel.cells) if c.signal == "clutch_volume" and _has(panel, i)]
    if not packs:
        return None
    limits = {c.clutch: c.limit_cm3 for c in analysis.assessment.clutches}
    picture = lanes([chart_text(panel.cells[i].channel) for i in packs])
    outside = False
    for k, i in enumerate(packs, start=1):
        lane = _Lane(
            panel.values[:, i],
            panel.usable[:, i],
            panel.slips[:, i],
            panel.cells[i].unit,
            *_fit(analysis, [i]),
        )
        outside = _lane(picture, k, panel, lane) or outside
        limit = limits.get(panel.cells[i].channel)
        if limit is not None and np.isfinite(limit) and _near(panel.values[~panel.slips[:, i], i], limit):
            picture.level(shown(limit, "cm3"), lane_ref(k))
    step = panel.profile.signal("clutch_volume").resolution
    rows = [
        (
            day(panel.taken_at[t]),
            distance(float(panel.odometer_km[t])),
            *(as_read(float(panel.values[t, i]), step, panel.cells[i].unit) for i in packs),
        )
        for t in _latest(panel)
    ]
    unit = panel.cells[packs[0]].unit
    table = Table(
        f"Fill volumes as read, {unit_sign(unit)}{_of_them(panel)}",
        ("Day", "Odometer", *(panel.cells[i].channel for i in packs)),
        tuple(rows),
    )
    most = max(analysis.assessment.clutches, key=lambda c: c.used, default=None)
    says = "Points are readings, the line and its band the fitted course; dashed is the limit, if near. "
    if most is not None and used_words(most.used) != "none":
        says += f"{name(most.clutch)} has used the most of its allowance ({used_words(most.used)})."
    if outside:
        says += f" {OUTSIDE}"
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
        lane = _Lane(mean, usable, np.zeros_like(usable), unit, *_fit(analysis, cells))
        _lane(picture, k, panel, lane)
    step = _of_means(panel.profile.signal(signal).resolution)
    rows = [
        (
            day(panel.taken_at[t]),
            distance(float(panel.odometer_km[t])),
            *(to_step(float(m[t]), step, unit) for m in means),
        )
        for t in _latest(panel)
    ]
    title = sentences.signal(signal)
    table = Table(
        f"{title}, mean over the shifts read, {unit_sign(unit)}{_of_them(panel)}",
        ("Day", "Odometer", *groups),
        tuple(rows),
    )
    moved = _first_to_last(groups, means, unit, step)
    says = f"Each lane is one mode, the mean over its shifts. From first to last reading: {moved}."
    return _finish(picture, analysis, f"timeline-{signal}", title, says, table)


def _of_means(step: float | None) -> float | None:
    """Give the step in which a mean over shifts is told: a tenth of that of one reading."""
    return None if step is None else step / 10.0


def _latest(panel: Panel) -> range:
    """Give the snapshots that a table lists: all, or the latest of a long history."""
    return range(max(len(panel.taken_at) - MOST_ROWS, 0), len(panel.taken_at))


def _of_them(panel: Panel) -> str:
    n = len(panel.taken_at)
    return (
        f"; the latest {MOST_ROWS} of {n} snapshots, all of them come with `driftwatch export`"
        if n > MOST_ROWS
        else ""
    )


def event_words(kind: str, amount: float | None, unit: str, note: str) -> str:
    """Give a log entry in words: what, how much, the note."""
    extra = []
    if amount is not None and np.isfinite(amount):
        extra.append(f"{'+' if kind == 'power' and amount > 0 else ''}{as_set(amount, unit)}")
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


def _first_to_last(groups: dict[str, list[int]], means: list[Any], unit: str, step: float | None) -> str:
    told = []
    for mode, mean in zip(groups, means, strict=True):
        read = mean[np.isfinite(mean)]
        if len(read):
            first, last = (to_step(float(v), step, unit) for v in (read[0], read[-1]))
            told.append(f"{name(mode or 'all modes')} {first} to {last}")
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
        told = f"{words}, nine chances in ten between {day(left)} and {day(right)}"
        if best is not None:
            told += f"; {sentences.cause(best.cause)} {sentences.sure(best.probability)}"
        made.append((chr(65 + k % 26), left.isoformat(), right.isoformat(), told))
    return made


class _Lane(NamedTuple):
    """What one lane shows, each (T,): readings, which were used, which were slips; the fit."""

    values: Any
    usable: Any
    slips: Any
    unit: str
    fitted: Any
    spread: Any


def _lane(picture: Picture, k: int, panel: Panel, lane: _Lane) -> bool:
    """Add readings, fitted line and band of lane k; repeats as open points, slips as crosses.

    A slip far outside would flatten all else: it is drawn at the lane's edge. True if there is one.
    """
    # In a long history the day is fine enough, and keeps the page small.
    until, ref = 10 if len(panel.taken_at) > MOST_ROWS else 16, lane_ref(k)
    xs = [str(t)[:until] for t in panel.taken_at]
    unit, values = chart_text(unit_sign(lane.unit)), shown(lane.values, lane.unit)
    inside = values[np.isfinite(values) & ~lane.slips]
    if lane.fitted is not None:
        middle, half = shown(lane.fitted, lane.unit), Z90 * shown(lane.spread, lane.unit, change=True)
        good = np.isfinite(middle) & np.isfinite(half)
        at = [x for x, g in zip(xs, good, strict=True) if g]
        low, high = (middle - half)[good], (middle + half)[good]
        inside = np.concatenate([inside, low, high])
        picture.band(at, low.tolist(), high.tolist(), yaxis=ref)
        line = {"color": BLUE, "width": 2}
        picture.scatter(at, middle[good].tolist(), mode="lines", line=line, hoverinfo="skip", yaxis=ref)
    axis: dict[str, Any] = {"title": {"text": unit, "font": {"size": 11}}}
    drawn, is_read = values, np.isfinite(values)
    bottom, top = _edges(inside)
    outside = bool(((values < bottom) | (values > top))[is_read & lane.slips].any())
    if outside:
        drawn = np.clip(values, bottom, top)
        axis["range"] = [bottom, top]
    for mask, symbol, said in (
        (is_read & lane.usable, "circle", "read"),
        (is_read & ~lane.usable & ~lane.slips, "circle-open", "old value repeated"),
        (is_read & lane.slips, "x", "left out: contradicts those around it"),
    ):
        if mask.any():
            # Only a slip can be drawn elsewhere than where it was read.
            clipped = outside and symbol == "x"
            picture.scatter(
                [x for x, m in zip(xs, mask, strict=True) if m],
                drawn[mask].tolist(),
                mode="markers",
                marker={"color": GREEN if symbol == "circle" else SOFT, "size": 6, "symbol": symbol},
                cliponaxis=symbol != "x",
                hovertemplate=f"%{{x|{chart_day()}}}: %{{{'customdata' if clipped else 'y'}:.4g}} {unit} "
                f"({said})<extra></extra>",
                **({"customdata": values[mask].tolist()} if clipped else {}),
                yaxis=ref,
            )
    picture.axis("yaxis" + ref[1:], **axis)
    return outside


def _edges(inside: Any) -> tuple[float, float]:
    """Give the bottom and top of a lane that holds these values with some room."""
    if not len(inside):
        return -np.inf, np.inf
    low, high = float(inside.min()), float(inside.max())
    room = max(0.25 * (high - low), 0.01 * abs(high), 1e-9)
    return low - room, high + room


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


def _has(panel: Panel, index: int) -> bool:
    return bool(np.isfinite(panel.values[:, index]).any())


def _near(values: Any, limit: float) -> bool:
    """True if the limit can be drawn without flattening the readings: within three times their spread."""
    good = values[np.isfinite(values)]
    spread = max(float(good.max() - good.min()), 0.02 * abs(float(good.mean())))
    return bool(limit - good.max() < 3 * spread)
