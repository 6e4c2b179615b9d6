"""The house style of the charts, and the charts of a whole fleet and of the owner's page.

Figures are drawn with Plotly and handed on as plain values; the page draws them with the script it carries.
Colours are told apart by colour-blind readers (the set of Okabe and Ito, 2008) and never say anything that
a sign, a position or a word does not say too.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from datetime import date
from typing import Any

import plotly.graph_objects as go

from driftwatch.reporting.context import Chart, Share, Table
from driftwatch.reporting.texts import chart_text, day, km, month_name, percent, shorten

BLUE, ORANGE, GREEN, RED, PURPLE, SKY = "#0072B2", "#E69F00", "#009E73", "#D55E00", "#A6588A", "#56B4E9"
INK, SOFT, RULE, PAPER = "#22303a", "#5b6b76", "#d9dfe3", "#ffffff"
FONT = "system-ui, -apple-system, 'Segoe UI', Roboto, 'DejaVu Sans', sans-serif"
URGENCY_COLOUR = {"due": RED, "plan": ORANGE, "watch": BLUE, "clear": GREEN}
URGENCY_MARK = {"due": "diamond", "plan": "square", "watch": "circle", "clear": "circle-open"}
#: At most so many packs in the chart of distances; the table has them all.
MOST_REACH = 25


def styled(figure: go.Figure, height: int, **layout: Any) -> dict[str, Any]:
    """Give the figure in house style as plain values (lists, numbers, text; NaN as null)."""
    figure.update_layout(
        template="none",
        height=height,
        font={"family": FONT, "size": 13, "color": INK},
        paper_bgcolor=PAPER,
        plot_bgcolor=PAPER,
        margin={"l": 56, "r": 16, "t": 28, "b": 44},
        showlegend=False,
        dragmode=False,
        hoverlabel={"font": {"family": FONT}},
        legend={"orientation": "h", "x": 0, "y": -0.18, "yanchor": "top"},
    )
    figure.update_xaxes(gridcolor=RULE, linecolor=RULE, zeroline=False, fixedrange=True, automargin=True)
    figure.update_yaxes(gridcolor=RULE, linecolor=RULE, zeroline=False, fixedrange=True, automargin=True)
    figure.update_layout(**layout)
    plain: dict[str, Any] = json.loads(figure.to_json())
    plain["layout"].pop("template", None)
    return {"data": plain["data"], "layout": plain["layout"]}


def calendar(months: Sequence[tuple[int, int]], expected: Sequence[float], reached: int) -> Chart:
    """Draw the packs expected to reach their limit in each month.

    Parameters
    ----------
    months : sequence of (year, month)
        In order.
    expected : sequence of float
        Expected number of packs in each.
    reached : int
        Packs already at their limit on the day of the report; named in the sentence, not drawn.

    """
    names = [month_name(y, m) for y, m in months]
    figure = go.Figure(
        go.Bar(
            x=[date(y, m, 1).isoformat() for y, m in months],
            y=[round(e, 3) for e in expected],
            marker={"color": BLUE},
            text=[f"{e:.1f}" if e >= 0.05 else "" for e in expected],
            textposition="outside",
            cliponaxis=False,
            hovertemplate="%{x|%B %Y}: %{y:.1f} packs expected<extra></extra>",
        )
    )
    figure.update_xaxes(type="date", tickformat="%b\n%Y", dtick="M1", ticklabelmode="instant")
    figure.update_yaxes(title={"text": "packs expected"}, rangemode="tozero")
    if len(expected) and max(expected) < 1:
        figure.update_yaxes(range=[0, 1])
    total, peak = sum(expected), max(range(len(expected)), key=lambda i: expected[i])
    if total < 0.05:
        says = "No pack is expected to reach its limit in the next twelve months."
    else:
        most = (
            f", the most in {names[peak]} ({expected[peak]:.1f})" if expected[peak] > 1.3 * total / 12 else ""
        )
        says = (
            f"About {total:.1f} packs are expected to reach their limit in these twelve months{most}. "
            "Each pack's chance is spread over the months it may fall in, so a month can hold part of a pack."
        )
    if reached:
        says += f" {reached} already at the limit {'is' if reached == 1 else 'are'} not counted here."
    rows = tuple((n, f"{e:.2f}") for n, e in zip(names, expected, strict=True))
    return Chart(
        "calendar",
        "Service calendar",
        says,
        300,
        styled(figure, 300, margin={"l": 56, "r": 16, "t": 24, "b": 56}),
        Table("Packs expected to reach their limit", ("Month", "Packs expected"), rows),
    )


def reach(rows: Sequence[tuple[str, str, dict[str, float | None], str]]) -> Chart:
    """Draw how far each pack near its limit still has to go, with its 80 % range.

    Parameters
    ----------
    rows : sequence of (unit, clutch, remaining_km, service)
        Nearest first. A quantile that is None is open to the right.

    """
    drawn = rows[:MOST_REACH]
    furthest = max([v for _, _, r, _ in drawn for v in r.values() if v is not None] or [1000.0])
    edge = 1.08 * furthest
    figure = go.Figure()
    labels = [
        chart_text(shorten(unit, 18)) + " · " + chart_text(shorten(clutch, 10))
        for unit, clutch, _, _ in drawn
    ]
    places = list(range(len(drawn)))
    for service in ("due", "plan", "watch", "clear"):
        mine = [i for i in places if drawn[i][3] == service]
        if not mine:
            continue
        colour = URGENCY_COLOUR[service]
        xs: list[float | None] = []
        ys: list[float | None] = []
        for i in mine:
            r = drawn[i][2]
            low = r["p10"] if r["p10"] is not None else edge
            xs += [low, r["p90"] if r["p90"] is not None else edge, None]
            ys += [i, i, None]
        figure.add_scatter(
            x=xs,
            y=ys,
            mode="lines",
            line={"color": colour, "width": 5},
            opacity=0.45,
            hoverinfo="skip",
            showlegend=False,
        )
        middles = [drawn[i][2]["p50"] if drawn[i][2]["p50"] is not None else edge for i in mine]
        figure.add_scatter(
            x=middles,
            y=mine,
            mode="markers",
            name=service,
            showlegend=True,
            marker={
                "color": colour,
                "size": 11,
                "symbol": URGENCY_MARK[service],
                "line": {"width": 1, "color": INK},
            },
            text=[labels[i] for i in mine],
            hovertemplate="%{text}: %{x:,.0f} km to the limit<extra></extra>",
        )
    opened = [i for i in places if drawn[i][2]["p90"] is None]
    figure.add_scatter(
        x=[edge] * len(opened),
        y=opened,
        mode="text",
        text=["▸"] * len(opened),
        textfont={"color": SOFT, "size": 15},
        hoverinfo="skip",
        showlegend=False,
    )
    height = 110 + 24 * max(len(drawn), 3)
    figure.update_yaxes(
        tickvals=places,
        ticktext=labels,
        range=[len(drawn) - 0.4, -0.6],
        showgrid=False,
        tickfont={"size": 12},
    )
    figure.update_xaxes(
        title={"text": "distance to the limit, km"}, range=[-0.02 * edge, 1.04 * edge], tickformat=",.0f"
    )
    unit, clutch, first, _ = rows[0]
    if first["p50"] is not None and first["p50"] <= 0:
        says = f"{shorten(unit, 40)}, {clutch} has reached its limit."
    else:
        says = f"Nearest to its limit is {shorten(unit, 40)}, {clutch}, with {_reach_words(first)}."
    says += " The mark is the even chance, the bar the 80 % range; ▸ means that the far end cannot be told."
    if len(rows) > MOST_REACH:
        says += f" The {MOST_REACH} nearest of {len(rows)} are drawn; the table has them all."
    table = tuple((u, c, s, *(km(r[q]) for q in ("p10", "p50", "p90"))) for u, c, r, s in rows)
    return Chart(
        "reach",
        "Distance left",
        says,
        height,
        styled(
            figure,
            height,
            showlegend=True,
            legend={"orientation": "h", "x": 0, "y": 1.0, "yanchor": "bottom"},
        ),
        Table(
            "Distance to the limit",
            ("Unit", "Clutch", "Service", "1 in 10 sooner than", "Even chance", "9 in 10 sooner than"),
            table,
        ),
    )


def sharing(shares: Sequence[Share], what: str) -> Chart:
    """Draw how the change is shared among the causes, the asked one first in the eye by its pattern.

    Parameters
    ----------
    shares : sequence of Share
        Largest first.
    what : str
        What is being shared, for the sentence.

    """
    places = list(range(len(shares)))
    labels = [chart_text(s.label) + (" ◀" if s.asked else "") for s in shares]
    figure = go.Figure(
        go.Bar(
            x=[round(100 * s.share, 1) for s in shares],
            y=places,
            orientation="h",
            marker={
                "color": [
                    BLUE if s.asked else "#8a9aa5" if s.cause == "unexplained" else ORANGE for s in shares
                ],
                "pattern": {
                    "shape": ["" if s.asked else "." if s.cause == "unexplained" else "/" for s in shares],
                    "fgcolor": "#ffffff",
                    "size": 6,
                    "solidity": 0.25,
                },
            },
            error_x={
                "type": "data",
                "symmetric": False,
                "array": [round(100 * (s.high - s.share), 1) for s in shares],
                "arrayminus": [round(100 * (s.share - s.low), 1) for s in shares],
                "color": INK,
                "thickness": 1.5,
                "width": 5,
            },
            hovertemplate="%{x:.0f} %<extra></extra>",
        )
    )
    figure.update_yaxes(
        tickvals=places,
        ticktext=labels,
        range=[len(shares) - 0.4, -0.6],
        showgrid=False,
        tickfont={"size": 14},
    )
    figure.update_xaxes(title={"text": "share of the change, %"}, range=[0, 103], dtick=25)
    biggest = shares[0]
    says = (
        f"Of {what}, the largest part ({percent(biggest.share)}) goes to {biggest.label}; the thin line "
        "shows how far a share could be off."
        + (" ◀ marks what was asked about." if any(s.asked for s in shares) else "")
    )
    height = 96 + 46 * max(len(shares), 2)
    rows = tuple((s.label, percent(s.share), f"{percent(s.low)} to {percent(s.high)}") for s in shares)
    return Chart(
        "shares",
        "What the change is made of",
        says,
        height,
        styled(figure, height, margin={"l": 16, "r": 16, "t": 8, "b": 48}),
        Table("Shares of the change", ("Cause", "Share", "Could be"), rows),
    )


def range_words(early: date | None, middle: date | None, late: date | None) -> str:
    """Give the three due days in words."""
    if early is None:
        return "not to be expected as things stand"
    if middle is None:
        return f"not before {day(early)} (one chance in ten by then); later cannot be told"
    if late is None:
        return f"{day(early)} at the earliest likely, even chance {day(middle)}, latest cannot be told"
    return f"{day(early)} to {day(late)}, even chance {day(middle)}"


def _reach_words(r: dict[str, float | None]) -> str:
    if r["p50"] is None:
        return "no distance that can be told"
    end = f" to {km(r['p90'])}" if r["p90"] is not None else " or more"
    return f"{km(r['p50'])} to go (80 % range {km(r['p10'])}{end})"
