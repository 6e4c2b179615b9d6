"""Small things every report needs: dates, distances and shares in words, and names that stay text."""

from __future__ import annotations

import math
import unicodedata
from collections.abc import Sequence
from datetime import date, datetime
from html import escape
from typing import Any

import numpy as np

_MONTHS = (
    "January",
    "February",
    "March",
    "April",
    "May",
    "June",
    "July",
    "August",
    "September",
    "October",
    "November",
    "December",
)
_THIN = "\u202f"
_ISOLATE, _POP = "\u2068", "\u2069"


def day(value: date | np.datetime64 | datetime | None) -> str:
    """Give a day as `14 Mar 2026`; an en dash where there is none."""
    if value is None:
        return "–"
    value = as_date(value)
    return f"{value.day} {_MONTHS[value.month - 1][:3]} {value.year}"


def month_name(year: int, month: int) -> str:
    """Give `March 2026`."""
    return f"{_MONTHS[month - 1]} {year}"


def as_date(value: date | np.datetime64 | datetime) -> date:
    """Give the calendar day of a date, datetime or numpy time."""
    if isinstance(value, np.datetime64):
        return date.fromisoformat(str(value.astype("datetime64[D]")))
    return value.date() if isinstance(value, datetime) else value


def grouped(value: float, digits: int = 0) -> str:
    """Give a number with thin spaces between thousands and a true minus sign."""
    if not math.isfinite(value):
        return "–"
    return f"{value:,.{digits}f}".replace(",", _THIN).replace("-", "\u2212")


def km(value: float | None) -> str:
    """Give a distance rounded as coarsely as it is known (hundreds; thousands above 20 000)."""
    if value is None or not math.isfinite(value):
        return "–"
    step = 1000 if abs(value) >= 20000 else 100
    return f"{grouped(round(value / step) * step)} km"


def number(value: float | None) -> str:
    """Give a measured value with about three figures."""
    if value is None or not math.isfinite(value):
        return "–"
    size = abs(value)
    if size < 5e-4:
        return "0"
    return grouped(value, 0 if size >= 100 else 1 if size >= 10 else 2 if size >= 0.095 or size == 0 else 3)


def signed(value: float | None) -> str:
    """Give a measured change with its sign always shown."""
    if value is None or not math.isfinite(value):
        return "–"
    return ("+" if value > 0 else "") + number(value)


def percent(value: float | None) -> str:
    """Give a share in whole percent, never a false 0 or 100."""
    if value is None or not math.isfinite(value):
        return "–"
    if 0 < value < 0.01:
        return f"under 1{_THIN}%"
    if 0.99 < value < 1:
        return f"over 99{_THIN}%"
    return f"{round(100 * value)}{_THIN}%"


def unit_sign(unit: str) -> str:
    """Give a unit as it is printed: `cm3` as cm³, `degC` as °C, `N.m` as N·m; others as they are."""
    return {"cm3": "cm³", "degC": "°C", "degF": "°F", "N.m": "N·m", "in3": "in³"}.get(unit, name(unit))


def listed(items: Sequence[str], most: int | None = None) -> str:
    """Join as `a, b and c`; beyond `most`, say how many more."""
    items = list(items)
    if most is not None and len(items) > most:
        return ", ".join(items[:most]) + f" and {len(items) - most} more"
    return items[0] if len(items) == 1 else ", ".join(items[:-1]) + " and " + items[-1] if items else "none"


def count(n: int, one: str, many: str | None = None) -> str:
    """Give `1 unit`, `3 units`."""
    return f"{n} {one if n == 1 else many or one + 's'}"


def name(text: object) -> str:
    """Give a user's own text safe to put inside a sentence.

    Control characters become spaces; text with right-to-left letters or direction marks is isolated, so
    that it cannot turn the words around it.
    """
    clean = "".join(" " if unicodedata.category(c) in ("Cc", "Cs", "Zl", "Zp") else c for c in str(text))
    turning = {"R", "AL", "AN", "LRE", "RLE", "LRO", "RLO", "PDF", "LRI", "RLI", "FSI", "PDI"}
    if any(unicodedata.bidirectional(c) in turning for c in clean):
        clean = "".join(c for c in clean if unicodedata.bidirectional(c) not in turning - {"R", "AL", "AN"})
        return f"{_ISOLATE}{clean}{_POP}"
    return clean


def chart_text(text: object) -> str:
    """Give text for a chart: Plotly reads a little HTML in labels, so its marks are escaped."""
    return escape(name(text), quote=False)


def shorten(text: str, most: int) -> str:
    """Cut long text at `most` characters with an ellipsis."""
    return text if len(text) <= most else text[: most - 1].rstrip() + "…"


def plain_cell(value: Any) -> str:
    """Give a CSV cell that no spreadsheet takes for a formula: text that could be one gets an apostrophe.

    Numbers pass as they are.
    """
    if value is None:
        return ""
    if isinstance(value, (int, float)) and not isinstance(value, bool):
        return (
            str(int(value)) if isinstance(value, int) else repr(float(value)) if math.isfinite(value) else ""
        )
    if isinstance(value, date):
        return value.isoformat()
    text = str(value).replace("\x00", " ")
    return (
        "'" + text
        if text.lstrip(" ")[:1] in ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")
        else text
    )
