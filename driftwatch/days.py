"""Days, times, months and numbers as people write them, read strictly: what is none is named, not guessed."""

from __future__ import annotations

import calendar
import math
import re
from datetime import date, datetime

from driftwatch.errors import UsageError

Day = date | str

#: A year below 1000 is a slip, and there is no day before the first to compare it with.
_MONTH = r"[1-9]\d{3}-\d{2}"
_DAY = rf"{_MONTH}-\d{{2}}"


def as_day(value: Day, what: str = "the date") -> date:
    """Read a day strictly as YYYY-MM-DD; `UsageError` names what is wrong."""
    if isinstance(value, datetime):
        return value.date()
    if isinstance(value, date):
        return value
    try:
        if not re.fullmatch(_DAY, value.strip()):
            raise ValueError
        return date.fromisoformat(value.strip())
    except ValueError:
        raise UsageError(f"{value!r} is not a day", what, "write it as 2026-03-14") from None


def as_moment(text: str) -> date | datetime:
    """Read a day, or a time, as ISO 8601; `UsageError` if it is neither."""
    cleaned = text.strip()
    if re.fullmatch(_DAY, cleaned):
        return as_day(cleaned)
    try:
        if not re.match(rf"{_DAY}[T ]\d{{2}}:\d{{2}}", cleaned):
            raise ValueError
        return datetime.fromisoformat(cleaned)
    except ValueError:
        raise UsageError(
            f"{text!r} is not a day or time", do="write it as 2026-03-14 or 2026-03-14T09:20+01:00"
        ) from None


def month_days(month: str) -> tuple[date, date]:
    """Give the first and last day of a month written YYYY-MM; `UsageError` if it is none."""
    try:
        if not re.fullmatch(_MONTH, month.strip()):
            raise ValueError
        first = date.fromisoformat(f"{month.strip()}-01")
    except ValueError:
        raise UsageError(f"{month!r} is not a month", do="write it as 2026-03") from None
    return first, first.replace(day=calendar.monthrange(first.year, first.month)[1])


def as_number(text: str, what: str = "") -> float:
    """Read a finite number; `UsageError` if it is none."""
    try:
        number = float(text)
    except ValueError:
        number = math.nan
    if not math.isfinite(number):
        raise UsageError(f"{text!r} is not a number", what, "write it with a decimal point, as 12.5")
    return number
