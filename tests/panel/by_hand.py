"""Records made by hand: a few cells, a few snapshots, every number chosen."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import numpy as np
import pandas as pd

from driftwatch.profile.model import Profile
from driftwatch.store.records import Records
from tests.assessment.units import profile

Reading = tuple[str, int, str, str, str, float, float]  # unit, snapshot, mode, channel, signal, value, count
DAYS = 30
EVENT_COLUMNS = ["event_id", "unit", "happened_at", "kind", "amount", "amount_unit", "note"]


def fine_profile():
    """The same transmission without rounding."""
    return replace(profile(), signals=tuple(replace(s, resolution=None) for s in profile().signals))


def time_of(snapshot: int) -> pd.Timestamp:
    return pd.Timestamp("2024-01-10T08:00") + pd.Timedelta(days=DAYS * snapshot)


def records(
    readings: list[Reading],
    snapshots: int,
    units: tuple[str, ...] = ("A",),
    temperature: float | list[float] = 80.0,
    kind: Profile | None = None,
    as_of: date = date(2026, 10, 31),
) -> Records:
    """Give records of these readings; one snapshot every 30 days and 4000 km."""
    kind = kind or profile()
    warm = np.broadcast_to(np.asarray(temperature, dtype=float), snapshots)
    heads = [
        (unit, time_of(t), 50_000.0 + 4000.0 * t, float(warm[t]), "")
        for unit in units
        for t in range(snapshots)
    ]
    columns = ["unit", "taken_at", "mode", "channel", "signal", "value", "learn_count"]
    frame = pd.DataFrame([(r[0], time_of(r[1]), *r[2:]) for r in readings], columns=columns)
    stamped = frame.astype({"taken_at": "datetime64[us]", "value": float, "learn_count": float})
    taken = pd.DataFrame(heads, columns=["unit", "taken_at", "odometer_km", "fluid_temp_c", "source"])
    events = pd.DataFrame({c: pd.Series(dtype="object") for c in EVENT_COLUMNS})
    return Records(
        as_of=as_of,
        units=pd.DataFrame(
            {"unit": list(units), "profile": kind.name, "in_service_on": None, "site": "", "note": ""}
        ),
        snapshots=taken.astype({"taken_at": "datetime64[us]"}),
        readings=stamped,
        events=events.astype({"happened_at": "datetime64[us]", "amount": float}),
        profiles={kind.name: kind},
    )


def cell(values: list[float], counts: list[float] | float = 30.0, mode: str = "normal", channel: str = "1-2",
         signal: str = "apply_trim", unit: str = "A") -> list[Reading]:  # fmt: skip
    """Readings of one cell, one a snapshot; NaN is left out."""
    taught = np.broadcast_to(np.asarray(counts, dtype=float), len(values))
    return [
        (unit, t, mode, channel, signal, float(v), float(n))
        for t, (v, n) in enumerate(zip(values, taught, strict=True))
        if np.isfinite(v)
    ]
