"""The one place where the store asks what time it is, and who asks."""

from __future__ import annotations

import getpass
from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo


def now_utc() -> datetime:
    """Give the present moment in UTC, without offset, as the store keeps it."""
    return datetime.now(UTC).replace(tzinfo=None)


def today(zone: str) -> date:
    """Give the present day in a time zone."""
    return now_utc().replace(tzinfo=UTC).astimezone(ZoneInfo(zone)).date()


def login() -> str:
    """Give the name under which somebody is logged in; "" where the system has none."""
    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):
        return ""
