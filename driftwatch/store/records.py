"""What the store hands on: everything that was known on one day, as typed frames."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import pandas as pd

from driftwatch.profile.model import Profile


@dataclass(frozen=True)
class Records:
    """All that was read or logged of some units up to and including one day.

    Attributes
    ----------
    as_of : date
        Last day known.
    units : DataFrame
        One row a unit: `unit`, `profile` (name), `in_service_on` (date or None), `site`, `note`.
    snapshots : DataFrame
        One row a snapshot, sorted by unit and time: `unit`, `taken_at` (local to the store's zone,
        without offset), `odometer_km` (float), `fluid_temp_c` (float, NaN if not recorded), `source`.
    readings : DataFrame
        One row a cell: `unit`, `taken_at`, `mode` ("" for packs), `channel`, `signal`, `value` (in the
        profile's unit), `learn_count` (float, NaN if not recorded).
    events : DataFrame
        The log, sorted: `event_id` (str), `unit`, `happened_at`, `kind`, `amount` (float, NaN if blank),
        `amount_unit`, `note`.
    profiles : dict
        The transmission profiles in use, by name.

    """

    as_of: date
    units: pd.DataFrame
    snapshots: pd.DataFrame
    readings: pd.DataFrame
    events: pd.DataFrame
    profiles: dict[str, Profile]
