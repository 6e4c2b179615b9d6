"""The charts of a look back: what was said against what came; and a straight line at all horizons."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from driftwatch.assessment.backtest.results import Backtest, Check, Lead, Range, Reached
from driftwatch.assessment.backtest.said import HORIZONS
from driftwatch.reporting.parts import Chart, Table
from driftwatch.reporting.picture import BLUE, GREY, INK, ORANGE, RED, SOFT, Picture
from driftwatch.reporting.texts import chart_text, count, shorten
from driftwatch.wording import day, distance, grouped, percent, shown, signed, unit_sign

#: At most so many points in a chart, taken evenly; the numbers come with `driftwatch backtest`.
MOST_POINTS = 600
#: At most so many packs in the chart of leads; the table has them all.
MOST_LEADS = 25
#: At most so many rows in the table beside a chart of points.
MOST_ROWS = 60
#: Months ahead at which said and read are drawn: the longest that most stores hold enough of.
DRAWN = 6
#: Scores that differ by less than this share are about the same.
ALIKE = 0.02

_OUTCOME = {
    "inside": ("inside the range", BLUE, "circle"),
    "sooner": ("sooner than the early end", RED, "diamond"),
    "later": ("later than the late end", ORANGE, "square"),
}


def coverage(made: Backtest) -> Chart | None:
    """Draw how often each kind of 80 % range held, with what the share could be in truth."""
    asked = [(f"{m}<br>months", f"Volume, {m} months on", made.figure(f"readings_{m}")) for m in HORIZONS]
    asked.append(("distance<br>to limit", "Distance to the limit", made.figure("range_holds")))
    told = [(short, label, f) for short, label, f in asked if f.value is not None]
    if not told:
        return None
    picture = Picture(300, margin={"l": 56, "r": 16, "t": 16, "b": 56})
    values = [round(100 * _share(f.value), 1) for *_, f in told]
    picture.scatter(
        [short for short, _, _ in told],
        values,
        mode="markers+text",
        marker={"color": BLUE, "size": 13, "line": {"width": 1, "color": INK}},
        text=[f"{v:.0f} %" for v in values],
        textposition="middle right",
        cliponaxis=False,
        error_y={
            "type": "data",
            "symmetric": False,
            "array": [round(100 * (_share(f.high) - _share(f.value)), 1) for *_, f in told],
            "arrayminus": [round(100 * (_share(f.value) - _share(f.low)), 1) for *_, f in told],
            "color": GREY,
            "thickness": 2,
            "width": 8,
        },
        hovertext=[label for _, label, _ in told],
        hovertemplate="%{hovertext}: %{y:.0f} %<extra></extra>",
    )
    picture.level(80)
    picture.axis("yaxis", title={"text": "ranges that held, %"}, range=[0, 104], dtick=20)
    picture.axis("xaxis", type="category", range=[-0.5, len(told) - 0.3], tickangle=0)
    rows = tuple(
        (label, f"{f.of}", f"{f.packs}", percent(f.value), f"{percent(f.low)} to {percent(f.high)}")
        for _, label, f in told
    )
    return Chart(
        "coverage",
        "How often a range held",
        "Each point is the share of the 80 % ranges that held what came; on the dashed line they would be "
        "exactly right. The thin bar shows where that share could lie in truth, since it rests on so many "
        "packs and no more.",
        picture.height,
        picture.figure(),
        Table(
            "Share of the 80 % ranges that held",
            ("What was said", "Looks", "Packs", "Held", "Could be"),
            rows,
        ),
    )


def other_horizons(made: Backtest) -> str:
    """Say how the ranges do against a straight line's at all horizons but the drawn one, good or bad."""
    told = []
    for months in (m for m in HORIZONS if m != DRAWN):
        own, line = made.figure(f"score_{months}").value, made.figure(f"line_score_{months}").value
        if own is not None and line is not None and line > 0.0:
            less = 1.0 - own / line
            how = f"{percent(abs(less))} {'better' if less > 0 else 'worse'} than that line's"
            told.append(f"{months} months ahead {how if abs(less) >= ALIKE else 'about as well'}")
    return f"At the other horizons the ranges do: {'; '.join(told)}." if told else ""


def growth(made: Backtest) -> Chart | None:
    """Draw how far volumes were said to grow in half a year, and how far they were read to have grown."""
    checks = [c for c in made.checks if c.months == DRAWN and c.middle is not None]
    if not checks:
        return None
    drawn, cm3 = _evenly(checks, MOST_POINTS), unit_sign("cm3")
    picture = _against(f"growth of the fill volume as said, {cm3}", f"as read, {cm3}")
    for inside, label, colour, symbol in (
        (True, "inside the range", BLUE, "circle"),
        (False, "outside", RED, "diamond"),
    ):
        mine = [c for c in drawn if c.inside is inside]
        if mine:
            picture.scatter(
                [round(_said(c), 3) for c in mine],
                [round(_read(c), 3) for c in mine],
                mode="markers",
                name=label,
                showlegend=True,
                marker={"color": colour, "size": 7, "symbol": symbol, "opacity": 0.55},
                text=[_where(c) for c in mine],
                hovertemplate=f"%{{text}}: said %{{x:+.2f}}, read %{{y:+.2f}} {cm3}<extra></extra>",
            )
    ends = [v for c in drawn for v in (_said(c), _read(c))]
    _diagonal(picture, min(ends), max(ends))
    says = (
        "Each point is one pack at one month end: how far its fill volume was said to grow in the next "
        f"{DRAWN} months, against what was read then. On the dashed line both are the same; a reading "
        "scatters about it by its own noise."
    )
    if len(drawn) < len(checks):
        says += f" {grouped(len(drawn))} of {grouped(len(checks))} are drawn, taken evenly."
    largest = sorted(checks, key=lambda c: -abs(_said(c)))[:MOST_ROWS]
    rows = tuple(
        (
            f"{c.unit}, {c.clutch}",
            day(c.origin),
            signed(_said(c)),
            f"{signed(_low(c))} to {signed(_high(c))}",
            signed(_read(c)),
        )
        for c in largest
    )
    return Chart(
        "growth",
        f"Said and read, {DRAWN} months on",
        says,
        picture.height,
        picture.figure(),
        Table(
            f"Growth in {DRAWN} months, {cm3}"
            + (f": the {MOST_ROWS} largest as said" if len(checks) > MOST_ROWS else ""),
            ("Pack", "Month end", "As said", "80 % range", "As read"),
            rows,
        ),
    )


def distances(made: Backtest) -> Chart | None:
    """Draw each settled range of remaining distance against the distance at which the limit came."""
    settled = [r for r in made.ranges if r.settled]
    if not settled:
        return None
    drawn = _evenly(settled, MOST_POINTS // 2)
    furthest, far = max(_came(r) for r in drawn), unit_sign("km")
    edge = 1.1 * max(furthest, min(max(_up_to(r.p50, 0.0) for r in drawn), 1.6 * furthest))
    picture = _against(f"distance to the limit as said, {far}", f"as it came, {far}")
    for outcome, (label, colour, symbol) in _OUTCOME.items():
        mine = [r for r in drawn if r.outcome == outcome]
        if not mine:
            continue
        xs: list[float | None] = []
        ys: list[float | None] = []
        for r in mine:
            xs += [round(_up_to(r.p10, edge)), round(_up_to(r.p90, edge)), None]
            ys += [round(_came(r)), round(_came(r)), None]
        picture.scatter(
            xs, ys, mode="lines", line={"color": colour, "width": 2}, opacity=0.35, hoverinfo="skip"
        )
        picture.scatter(
            [round(_up_to(r.p50, edge)) for r in mine],
            [round(_came(r)) for r in mine],
            mode="markers",
            name=label,
            showlegend=True,
            marker={
                "color": colour,
                "size": 9,
                "symbol": [symbol if r.reached_km is not None else f"{symbol}-open" for r in mine],
                "line": {"width": 1, "color": INK},
            },
            text=[f"{_where(r)}{'' if r.reached_km is not None else ' (not reached yet)'}" for r in mine],
            hovertemplate=f"%{{text}}: said %{{x:,.0f}} {far}, came after %{{y:,.0f}} {far}<extra></extra>",
        )
    _diagonal(picture, 0.0, edge)
    picture.axis("xaxis", range=[-0.02 * edge, edge], tickformat=",.0f", rangemode="tozero")
    picture.axis("yaxis", range=[-0.02 * edge, edge], tickformat=",.0f", rangemode="tozero")
    says = (
        "Each mark is one pack at one month end: the distance to its limit as said (even chance; the bar is "
        "the 80 % range) against the distance at which the limit came. A bar that crosses the dashed line "
        "was right."
    )
    if any(r.reached_km is None for r in drawn):
        says += " Open marks: the limit has not come yet, though the late end is passed."
    rows = tuple(
        (
            f"{r.unit}, {r.clutch}",
            day(r.origin),
            distance(r.p50),
            f"{distance(r.p10)} to {distance(r.p90)}",
            distance(r.reached_km) if r.reached_km is not None else f"over {distance(r.followed_km)}",
            _OUTCOME[r.outcome][0],
        )
        for r in _evenly(settled, MOST_ROWS)
    )
    return Chart(
        "distances",
        "Distance said and distance that came",
        says,
        picture.height,
        picture.figure(),
        Table(
            "Settled ranges of remaining distance"
            + (f": {MOST_ROWS} of {len(settled)}, taken evenly" if len(settled) > MOST_ROWS else ""),
            ("Pack", "Month end", "Even chance", "80 % range", "Limit came after", "Which is"),
            rows,
        ),
    )


def leads(reached: Sequence[Reached]) -> Chart | None:
    """Draw for how long before each limit the alerts had stood."""
    if not reached:
        return None
    drawn = sorted(reached, key=lambda r: -(r.plan.km or 0.0))[:MOST_LEADS]
    places = list(range(len(drawn)))
    edge = 1.12 * max([_ahead(lead) for r in drawn for lead in (r.plan, r.due)] + [shown(5000.0, "km")])
    picture = Picture(
        112 + 34 * max(len(drawn), 2),
        showlegend=True,
        barmode="overlay",
        legend={"orientation": "h", "x": 0, "y": 1.0, "yanchor": "bottom"},
        margin={"l": 16, "r": 16, "t": 40, "b": 48},
    )
    for name, colour, width, of in (
        ("plan", ORANGE, 0.62, [r.plan for r in drawn]),
        ("due", RED, 0.3, [r.due for r in drawn]),
    ):
        picture.bars(
            [round(_ahead(lead)) for lead in of],
            places,
            orientation="h",
            name=name,
            width=width,
            marker={"color": colour, "line": {"color": INK, "width": 0.5}},
            text=[f"{name}: {lead_words(lead)}" for lead in of],
            textposition="none",
            hovertemplate="%{text}<extra></extra>",
        )
    missed = [i for i in places if drawn[i].plan.on is None]
    if missed:
        picture.scatter(
            [0.012 * edge] * len(missed),
            missed,
            mode="text",
            text=["× not said before"] * len(missed),
            textposition="middle right",
            textfont={"color": RED, "size": 12},
            hoverinfo="skip",
        )
    longer = [i for i in places if drawn[i].plan.at_least]
    picture.scatter(
        [_ahead(drawn[i].plan) + 0.01 * edge for i in longer],
        longer,
        mode="text",
        text=["▸"] * len(longer),
        textposition="middle right",
        textfont={"color": SOFT, "size": 14},
        hoverinfo="skip",
    )
    picture.axis(
        "yaxis",
        tickvals=places,
        ticktext=[f"{chart_text(shorten(r.unit, 18))} · {chart_text(shorten(r.clutch, 10))}" for r in drawn],
        range=[len(drawn) - 0.4, -0.6],
        showgrid=False,
        tickfont={"size": 12},
    )
    picture.axis(
        "xaxis",
        title={"text": f"distance before the limit, {unit_sign('km')}"},
        range=[0, edge],
        tickformat=",.0f",
        nticks=6,
    )
    says = (
        f"{count(len(reached), 'limit')} reached: how far ahead plan (broad bar) and due (narrow bar) had "
        "stood, without a break, when the limit came."
    )
    if longer:
        says += " ▸ means that it stood at the first month end looked at, so perhaps for longer."
    if len(reached) > MOST_LEADS:
        says += f" The {MOST_LEADS} longest are drawn; the table has them all."
    return Chart(
        "leads", "Warning before the limit", says, picture.height, picture.figure(), reached_table(reached)
    )


def reached_table(reached: Sequence[Reached]) -> Table:
    """List the limits that were reached, oldest first."""
    rows = tuple(
        (
            r.unit,
            r.clutch,
            day(r.day),
            f"{distance(r.odometer_km)} ({_bare(r.early_km)} to "
            f"{'?' if r.late_km is None else _bare(r.late_km)})",
            lead_words(r.plan),
            lead_words(r.due),
        )
        for r in reached
    )
    return Table(
        "Limits reached (in brackets: give or take one reading's noise), and how long the alerts had stood",
        ("Unit", "Clutch", "Day", "Odometer", "plan", "due"),
        rows,
    )


def lead_words(lead: Lead) -> str:
    """Say for how long before a limit an alert had stood."""
    if lead.on is None or lead.km is None or lead.days is None:
        if lead.late_days is None:
            return "not said"
        return (
            "not before; on the day" if not lead.late_days else f"not before; {_days(lead.late_days)} after"
        )
    return f"{'at least ' if lead.at_least else ''}{distance(lead.km)}, {_days(lead.days)}"


def _against(x: str, y: str) -> Picture:
    """Start a chart of what was said against what came."""
    picture = Picture(
        430,
        showlegend=True,
        legend={"orientation": "h", "x": 0, "y": 1.0, "yanchor": "bottom"},
        margin={"l": 60, "r": 16, "t": 40, "b": 52},
    )
    picture.axis("xaxis", title={"text": x})
    picture.axis("yaxis", title={"text": y})
    return picture


def _diagonal(picture: Picture, low: float, high: float) -> None:
    picture.scatter(
        [low, high], [low, high], mode="lines", line={"color": SOFT, "dash": "dash", "width": 1.5},
        hoverinfo="skip",
    )  # fmt: skip


def _evenly(rows: Sequence[Any], most: int) -> list[Any]:
    """Take at most so many rows, evenly through the whole."""
    if len(rows) <= most:
        return list(rows)
    return [rows[i * len(rows) // most] for i in range(most)]


def _said(c: Check) -> float:
    return shown((c.middle or 0.0) - c.from_cm3, "cm3")


def _read(c: Check) -> float:
    return shown(c.read - c.from_cm3, "cm3")


def _low(c: Check) -> float:
    return shown((c.low or 0.0) - c.from_cm3, "cm3")


def _high(c: Check) -> float:
    return shown((c.high or 0.0) - c.from_cm3, "cm3")


def _came(r: Range) -> float:
    return shown(r.followed_km if r.reached_km is None else r.reached_km, "km")


def _where(row: Check | Range) -> str:
    return f"{chart_text(shorten(row.unit, 18))} · {chart_text(shorten(row.clutch, 10))}, {day(row.origin)}"


def _share(value: float | None) -> float:
    return 0.0 if value is None else value


def _up_to(value: float | None, edge: float) -> float:
    """Keep what lies beyond the chart, or cannot be told, at its edge."""
    return edge if value is None else min(shown(value, "km"), edge)


def _bare(km: float) -> str:
    return distance(km).split("\u00a0")[0]


def _ahead(lead: Lead) -> float:
    return shown(lead.km or 0.0, "km")


def _days(n: int) -> str:
    return count(n, "day")
