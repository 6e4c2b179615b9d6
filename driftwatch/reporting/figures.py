"""The charts of a whole fleet and of the owner's page."""

from __future__ import annotations

from collections.abc import Sequence

from driftwatch.reporting import sentences
from driftwatch.reporting.context.explain import Share
from driftwatch.reporting.parts import Chart, Table
from driftwatch.reporting.picture import BLUE, GREEN, GREY, INK, ORANGE, PATTERN, RED, SOFT, Picture
from driftwatch.reporting.texts import chart_text, shorten
from driftwatch.wording import distance, percent, shown, unit_sign

URGENCY_COLOUR = {"due": RED, "plan": ORANGE, "watch": BLUE, "clear": GREEN}
URGENCY_MARK = {"due": "diamond", "plan": "square", "watch": "circle", "clear": "circle-open"}
#: At most so many packs in the chart of distances; the table has them all.
MOST_REACH = 25
#: A cause whose usual words hold an "or", in a list that has one.
_PLAIN = {"load": "load"}


def reach(rows: Sequence[tuple[str, str, dict[str, float | None], str]]) -> Chart:
    """Draw how far each pack near its limit still has to go, with its 80 % range.

    Parameters
    ----------
    rows : sequence of (unit, clutch, remaining_km, service)
        Nearest first. A quantile that is None is open to the right.

    """
    drawn = rows[:MOST_REACH]
    ends = [_ends(r) for _, _, r, _ in drawn]
    far = unit_sign("km")
    edge = 1.08 * max([v for r in ends for v in r.values() if v is not None] or [1000.0])
    labels = [
        f"{chart_text(shorten(unit, 18))} · {chart_text(shorten(clutch, 10))}" for unit, clutch, _, _ in drawn
    ]
    picture = Picture(
        110 + 24 * max(len(drawn), 3),
        showlegend=True,
        legend={"orientation": "h", "x": 0, "y": 1.0, "yanchor": "bottom"},
    )
    for service in ("due", "plan", "watch", "clear"):
        mine = [i for i in range(len(drawn)) if drawn[i][3] == service]
        if not mine:
            continue
        colour = URGENCY_COLOUR[service]
        xs: list[float | None] = []
        ys: list[float | None] = []
        for i in mine:
            xs += [_or(ends[i]["p10"], edge), _or(ends[i]["p90"], edge), None]
            ys += [i, i, None]
        picture.scatter(
            xs, ys, mode="lines", line={"color": colour, "width": 5}, opacity=0.45, hoverinfo="skip"
        )
        picture.scatter(
            [_or(ends[i]["p50"], edge) for i in mine],
            mine,
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
            hovertemplate=f"%{{text}}: %{{x:,.0f}} {far} from its last reading<extra></extra>",
        )
    opened = [i for i in range(len(drawn)) if drawn[i][2]["p90"] is None]
    picture.scatter(
        [edge] * len(opened),
        opened,
        mode="text",
        text=["▸"] * len(opened),
        textfont={"color": SOFT, "size": 15},
        hoverinfo="skip",
    )
    picture.axis(
        "yaxis",
        tickvals=list(range(len(drawn))),
        ticktext=labels,
        range=[len(drawn) - 0.4, -0.6],
        showgrid=False,
        tickfont={"size": 12},
    )
    picture.axis(
        "xaxis",
        title={"text": f"distance from the last reading to the limit, {far}"},
        range=[-0.02 * edge, 1.04 * edge],
        tickformat=",.0f",
    )
    unit, clutch, first, _ = rows[0]
    if first["p50"] is not None and first["p50"] <= 0:
        says = f"{shorten(unit, 40)}, {clutch} has reached its limit."
    else:
        says = f"Nearest to its limit is {shorten(unit, 40)}, {clutch}: {_reach_words(first)}."
    says += " The mark is the even chance, the bar the 80 % range; ▸ means that the far end cannot be told."
    if len(rows) > MOST_REACH:
        says += f" The {MOST_REACH} nearest of {len(rows)} are drawn; the table has them all."
    table = tuple((u, c, s, *(distance(r[q]) for q in ("p10", "p50", "p90"))) for u, c, r, s in rows)
    return Chart(
        "reach",
        "Distance left",
        says,
        picture.height,
        picture.figure(),
        Table(
            "Distance from each unit's last reading to the limit",
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
    picture = Picture(96 + 46 * max(len(shares), 2), margin={"l": 16, "r": 16, "t": 8, "b": 48})
    picture.bars(
        [round(100 * s.share, 1) for s in shares],
        list(range(len(shares))),
        orientation="h",
        marker={
            "color": [BLUE if s.asked else GREY if s.cause == "unexplained" else ORANGE for s in shares],
            "pattern": PATTERN
            | {"shape": ["" if s.asked else "." if s.cause == "unexplained" else "/" for s in shares]},
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
    picture.axis(
        "yaxis",
        tickvals=list(range(len(shares))),
        ticktext=[chart_text(s.label) + (" ◀" if s.asked else "") for s in shares],
        range=[len(shares) - 0.4, -0.6],
        showgrid=False,
        tickfont={"size": 14},
    )
    picture.axis("xaxis", title={"text": "share of the change, %"}, range=[0, 103], dtick=25)
    biggest = shares[0]
    says = (
        f"Of {what}, the largest part ({percent(biggest.share)}) goes to {biggest.label}; the thin line "
        "shows how far a share could be off."
        + (" ◀ marks what was asked about." if any(s.asked for s in shares) else "")
    )
    told = {s.cause for s in shares}
    none = [_PLAIN.get(c, sentences.cause(c)) for c in ("power", "load", "fluid", "wear") if c not in told]
    if none:
        says += f" Nothing is put down to {_or_listed(none)}."
    rows = tuple((s.label, percent(s.share), _from_to(percent(s.low), percent(s.high))) for s in shares)
    return Chart(
        "shares",
        "What the change is made of",
        says,
        picture.height,
        picture.figure(),
        Table("Shares of the change", ("Cause", "Share", "Could be"), rows),
    )


def _from_to(low: str, high: str) -> str:
    """Give a range in words; one word where both ends are said alike."""
    return low if low == high else f"{low} to {high}"


def _or_listed(items: Sequence[str]) -> str:
    return items[0] if len(items) == 1 else f"{', '.join(items[:-1])} or {items[-1]}"


def _reach_words(r: dict[str, float | None]) -> str:
    if r["p50"] is None:
        return "at what distance cannot be told"
    end = f" to {distance(r['p90'])}" if r["p90"] is not None else " or more"
    return f"{distance(r['p50'])} after its last reading (80 % range {distance(r['p10'])}{end})"


def _ends(r: dict[str, float | None]) -> dict[str, float | None]:
    """Give the quantiles in the reader's unit of distance."""
    return {q: None if v is None else shown(v, "km") for q, v in r.items()}


def _or(value: float | None, otherwise: float) -> float:
    return otherwise if value is None else value
