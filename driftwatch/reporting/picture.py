"""A chart in the making: Plotly traces and layout as plain values, in the house style.

The page's script draws them; nothing here needs Plotly itself. The tests check every figure against Plotly's
own schema. Colours are told apart by colour-blind readers (the set of Okabe and Ito, 2008) and never say
anything that a sign, a position or a word does not say too.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from driftwatch.wording import chart_separators

BLUE, ORANGE, GREEN, RED, PURPLE = "#0072B2", "#E69F00", "#009E73", "#D55E00", "#A6588A"
GREY, INK, SOFT, RULE, PAPER = "#8a9aa5", "#22303a", "#5b6b76", "#d9dfe3", "#ffffff"
BAND, STRIP = "rgba(0,114,178,0.16)", "rgba(230,159,0,0.18)"
FONT = "system-ui, -apple-system, 'Segoe UI', Roboto, 'DejaVu Sans', sans-serif"
#: Laid over a bar's colour: by default a pattern takes its place, and the bar looks faint.
PATTERN = {"fillmode": "overlay", "size": 6, "solidity": 0.25}
#: Height of one lane and of what stands around them, in pixels.
LANE, AROUND = 118, 84


class Picture:
    """One chart: add traces and marks, then take `figure`.

    Parameters
    ----------
    height : int
        Pixels.
    **layout
        What differs from the house style.

    """

    def __init__(self, height: int, **layout: Any) -> None:
        self.height = height
        self._data: list[dict[str, Any]] = []
        self._layout: dict[str, Any] = {
            "height": height,
            "font": {"family": FONT, "size": 13, "color": INK},
            "paper_bgcolor": PAPER,
            "plot_bgcolor": PAPER,
            "margin": {"l": 56, "r": 16, "t": 28, "b": 44},
            "separators": chart_separators(),
            "showlegend": False,
            "dragmode": False,
            "hovermode": "closest",
            "hoverlabel": {"font": {"family": FONT}},
            "shapes": [],
            "annotations": [],
            "xaxis": _axis(),
            "yaxis": _axis(),
            **layout,
        }

    def scatter(self, x: Sequence[Any], y: Sequence[Any], **more: Any) -> None:
        """Add points or lines; numbers that are not finite become gaps."""
        self._data.append({"type": "scatter", "x": _plain(x), "y": _plain(y), "showlegend": False, **more})

    def band(self, x: Sequence[Any], low: Sequence[float], high: Sequence[float], **more: Any) -> None:
        """Fill the space between two lines."""
        x = list(x)
        outline = {
            "mode": "lines",
            "fill": "toself",
            "fillcolor": BAND,
            "line": {"width": 0},
            "hoverinfo": "skip",
        }
        self.scatter(x + x[::-1], [*high, *list(low)[::-1]], **outline, **more)

    def bars(self, x: Sequence[Any], y: Sequence[Any], **more: Any) -> None:
        """Add bars."""
        self._data.append({"type": "bar", "x": _plain(x), "y": _plain(y), **more})

    def axis(self, name: str, **more: Any) -> None:
        """Change an axis (`xaxis`, `yaxis`, `yaxis2`, ...)."""
        self._layout[name] = {**self._layout.get(name, _axis()), **more}

    def level(self, y: float, yref: str = "y", colour: str = RED) -> None:
        """Draw a dashed line across at a value."""
        self._layout["shapes"].append(
            {"type": "line", "xref": "paper", "x0": 0, "x1": 1, "yref": yref, "y0": y, "y1": y,
             "line": {"color": colour, "dash": "dash", "width": 1.5}}
        )  # fmt: skip

    def moment(self, x: str, colour: str = PURPLE) -> None:
        """Draw a dotted line down at a day, over all lanes."""
        self._layout["shapes"].append(
            {"type": "line", "xref": "x", "x0": x, "x1": x, "yref": "paper", "y0": 0, "y1": 1,
             "line": {"color": colour, "dash": "dot", "width": 1.2}}
        )  # fmt: skip

    def strip(self, left: str, right: str) -> None:
        """Shade a stretch of time, over all lanes."""
        self._layout["shapes"].append(
            {"type": "rect", "xref": "x", "x0": left, "x1": right, "yref": "paper", "y0": 0, "y1": 1,
             "fillcolor": STRIP, "line": {"width": 0}, "layer": "below"}
        )  # fmt: skip

    def note(self, text: str, **more: Any) -> None:
        """Write a word into the chart; `text` must be safe for a chart already."""
        self._layout["annotations"].append({"text": text, "showarrow": False, **more})

    def figure(self) -> dict[str, Any]:
        """Give the figure: `data` and `layout`."""
        return {"data": self._data, "layout": self._layout}


def lanes(titles: Sequence[str]) -> Picture:
    """Start a chart of several lanes, one under the other, on one time axis.

    Lane k draws on the axis `yaxis` (k = 1), `yaxis2`, ...; see `lane_ref`.
    """
    n = len(titles)
    height = AROUND + LANE * n
    made = Picture(height, margin={"l": 50, "r": 12, "t": 46, "b": 50})
    gap = 26 / (height - 96)
    size = (1 - gap * (n - 1)) / n
    for k, title in enumerate(titles, start=1):
        top = 1 - (k - 1) * (size + gap)
        made.axis("yaxis" + lane_ref(k)[1:], domain=[max(top - size, 0.0), top], nticks=4)
        made.note(
            title, x=0, xref="paper", xanchor="left", y=top, yref="paper", yanchor="bottom",
            font={"size": 12, "color": SOFT},
        )  # fmt: skip
    made.axis("xaxis", anchor=lane_ref(n))
    return made


def lane_ref(k: int) -> str:
    """Give the axis reference of lane k: `y`, `y2`, `y3`, ..."""
    return "y" if k == 1 else f"y{k}"


def _axis() -> dict[str, Any]:
    return {"gridcolor": RULE, "linecolor": RULE, "zeroline": False, "fixedrange": True, "automargin": True}


def _plain(values: Sequence[Any]) -> list[Any]:
    """Give numbers as finely as a chart can show them, which keeps long histories small; gaps as None."""
    return [
        v if not isinstance(v, float) else float(f"{v:.5g}") if math.isfinite(v) else None for v in values
    ]
