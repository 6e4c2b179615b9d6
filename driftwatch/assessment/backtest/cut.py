"""Records as they were known on an earlier day, cut in memory from records read once; and the month ends."""

from __future__ import annotations

from calendar import monthrange
from dataclasses import replace
from datetime import date

import pandas as pd

from driftwatch.errors import UsageError
from driftwatch.store.records import Records


def records_on(records: Records, day: date) -> Records:
    """Cut records to what was known at the end of an earlier day, by the store's own rule.

    The rule (`driftwatch.store.asof`): what was read or happened up to that day counts, whenever it was
    imported, with the values that the store holds now. So a correction counts for the days before it was
    made too, as it does in an assessment as of such a day. The frames are those that the store would give,
    down to their categories: a test compares them.

    Parameters
    ----------
    records : Records
        Known on a day not before `day`.
    day : date
        Last day known, itself included.

    """
    over = pd.Timestamp(day) + pd.Timedelta(days=1)
    snapshots = _before(records.snapshots, "taken_at", over)
    readings = _before(records.readings, "taken_at", over)
    if isinstance(snapshots["unit"].dtype, pd.CategoricalDtype):
        snapshots["unit"] = snapshots["unit"].cat.remove_unused_categories()
        readings["unit"] = readings["unit"].cat.set_categories(snapshots["unit"].cat.categories)
        for name in ("mode", "channel", "signal"):
            readings[name] = readings[name].cat.remove_unused_categories()
    events = _before(records.events, "happened_at", over)
    return replace(records, as_of=day, snapshots=snapshots, readings=readings, events=events)


def _before(frame: pd.DataFrame, column: str, over: pd.Timestamp) -> pd.DataFrame:
    return frame[(frame[column] < over).to_numpy()].reset_index(drop=True)


def month_ends(start: date, end: date, every: int = 1) -> tuple[date, ...]:
    """Give the last days of months from `start` to `end`, both included, every so many months.

    They are counted from the last one back, so that the newest is always among them.
    """
    months = range(start.year * 12 + start.month - 1, end.year * 12 + end.month)
    days = [date(m // 12, m % 12 + 1, monthrange(m // 12, m % 12 + 1)[1]) for m in months]
    inside = [d for d in days if start <= d <= end]
    return tuple(inside[::-1][::every][::-1])


def origins_of(
    records: Records, start: date | None, end: date | None, every: int, least_snapshots: int
) -> tuple[date, ...]:
    """Give the month ends to look back from.

    Without `start`, the first one is that by which some unit was read as often as a judgement needs;
    without `end`, the last one is that before the last day known, or of the month of the last snapshot.

    Raises
    ------
    UsageError
        If there is none, or a day lies outside what is known.

    """
    if every < 1:
        raise UsageError(f"every {every} months cannot be", do="give 1 or more")
    if not len(records.snapshots):
        raise UsageError("there are no snapshots to look back on", do="import some first")
    day_before = date.fromordinal(records.as_of.toordinal() - 1)
    if end is not None and end > records.as_of:
        raise UsageError(f"{end} is in the future", do="give a day that has been")
    last_read = records.snapshots["taken_at"].max().date()
    to = min(end or _month_end(last_read), day_before)
    since = start or first_judged(records.readings, least_snapshots)
    if start is not None and start > to:
        raise UsageError(f"{start} does not lie before {to}", do="give two days with a month end between")
    found = () if since is None else month_ends(since, to, every)
    found = tuple(day for day in found if day >= records.snapshots["taken_at"].min().date())
    if not found:
        raise UsageError(
            "there is no month end to look back from, with readings enough before it and some time after",
            do="give two days with a month end between, or come back when the store holds more",
        )
    return found


def first_judged(readings: pd.DataFrame, least: int) -> date | None:
    """Give the day on which the first unit had some cell read that often; None if none has.

    Snapshots in which nothing was read, or now this and now that, are none to judge by.
    """
    read = readings.loc[readings["value"].notna(), ["unit", "mode", "channel", "signal", "taken_at"]]
    read = read.sort_values("taken_at")
    before = read.groupby(["unit", "mode", "channel", "signal"], observed=True).cumcount()
    reached = read.loc[before == least - 1, "taken_at"]
    return None if reached.empty else reached.min().date()


def _month_end(day: date) -> date:
    return day.replace(day=monthrange(day.year, day.month)[1])
