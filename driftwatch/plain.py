"""Plain values and plain text: what JSON can hold, and one line of what may stand in a file."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from datetime import date, datetime
from pathlib import PurePath
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import pandas as pd

Row = Mapping[str, Any]


def plain(value: Any) -> Any:
    """Turn a value into what JSON has: numbers that are not finite and missing values become null."""
    if isinstance(value, Mapping):
        return {str(k): plain(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [plain(v) for v in value]
    if value is None or isinstance(value, bool | str):
        return value
    if isinstance(value, datetime | date):
        # pandas' NaT is a datetime that equals nothing, itself included.
        return value.isoformat() if value == value else None
    if isinstance(value, PurePath):
        return str(value)
    if hasattr(value, "tolist"):
        return plain(value.tolist())
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, int):
        return value
    return None if type(value).__name__ == "NAType" else str(value)


def frame_rows(frame: pd.DataFrame) -> list[Row]:
    """Give a frame as plain rows."""
    return [{str(k): plain(v) for k, v in row.items()} for row in frame.to_dict("records")]


def to_json(value: Any) -> str:
    """Give JSON text; never NaN or Infinity, which JSON does not have."""
    return json.dumps(plain(value), ensure_ascii=False, allow_nan=False, indent=2)


def one_line(text: str) -> str:
    """Fold line breaks and control characters, so that data cannot write over the terminal."""
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())
