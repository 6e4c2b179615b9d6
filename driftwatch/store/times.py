"""Texts to local times: ISO 8601, with an offset or local to the store's zone."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from zoneinfo import ZoneInfo

import pandas as pd


def local_time(text: str, zone: ZoneInfo) -> datetime | None:
    """Read one time.

    Parameters
    ----------
    text : str
        ISO 8601 date or date-time. With an offset it is moved to the zone; without, it is local already.
    zone : ZoneInfo
        The store's zone.

    Returns
    -------
    datetime or None
        Wall-clock time of the zone, without offset; None if the text is no time.

    """
    try:
        moment = datetime.fromisoformat(text)
        if moment.tzinfo is not None:
            moment = moment.astimezone(zone).replace(tzinfo=None)
    except (ValueError, OverflowError):
        return None
    return moment


def time_table(texts: Iterable[str], zone: ZoneInfo) -> pd.DataFrame:
    """Read each distinct text once; give `at_text` and `at_time` (NaT if it is none)."""
    distinct = list(texts)
    times = pd.Series([local_time(text, zone) for text in distinct], dtype="datetime64[us]")
    return pd.DataFrame({"at_text": pd.Series(distinct, dtype="str"), "at_time": times})
