"""Small things every report needs: counts in words, and text that is safe where it is put."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterable, Sequence
from datetime import date
from html import escape
from typing import Any

from driftwatch.wording import name


def count(n: int, one: str, many: str | None = None) -> str:
    """Give `1 unit`, `3 units`."""
    return f"{n} {one if n == 1 else many or one + 's'}"


def chart_text(text: object) -> str:
    """Give text for a chart: Plotly reads a little HTML in labels, so its marks are escaped."""
    return escape(name(text), quote=False)


def shorten(text: str, most: int) -> str:
    """Cut long text at `most` characters with an ellipsis."""
    return text if len(text) <= most else text[: most - 1].rstrip() + "…"


def csv_text(columns: Sequence[str], rows: Iterable[Sequence[Any]]) -> str:
    """Give CSV (comma, CRLF); text that a spreadsheet would run is made plain text."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(columns)
    writer.writerows([plain_cell(cell) for cell in row] for row in rows)
    return out.getvalue()


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
