"""One unit as arrays: snapshots x cells, with distance, days, temperature and learn counts."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from driftwatch.profile.model import Profile

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Times = NDArray[np.datetime64]


@dataclass(frozen=True)
class Cell:
    """One signal x channel x mode, and what the transmission's arrangement says about it."""

    signal: str
    channel: str
    mode: str
    unit: str
    applies: str | None = None
    releases: str | None = None
    is_up: bool | None = None

    @property
    def label(self) -> str:
        """Short name for tables and charts."""
        return " ".join(part for part in (self.channel, self.mode, self.signal) if part)


@dataclass(frozen=True)
class Event:
    """One entry of the log."""

    id: str
    happened_at: np.datetime64
    kind: str
    amount: float | None = None
    amount_unit: str = ""
    note: str = ""


@dataclass(frozen=True)
class Misnoted:
    """What was read in the unit `meant`, in snapshot number `snapshot`, looks as if noted in `noted`."""

    snapshot: int
    meant: str
    noted: str


@dataclass(frozen=True)
class Panel:
    """One unit's readings as matrices.

    Attributes
    ----------
    taken_at : array (T,)
        Snapshot times (datetime64[us], local to the store's zone).
    days, odometer_km, fluid_temp_c : array (T,)
        Days since the first snapshot, odometer in km, fluid temperature in degC (NaN if not recorded).
    cells : tuple of Cell (C)
    values : array (T, C)
        As read, in each cell's unit; NaN where there is no reading.
    learn_counts : array (T, C)
        Shifts learned from since the snapshot before; NaN where not recorded.
    usable : array (T, C) of bool
        False where there is no reading, where it only repeats an old value, or where it is a slip.
    slips : array (T, C) of bool
        True where a reading contradicts those around it: a lone one, or one of `misnoted`.
    disturbance : array (T, C) or None
        What is thought to have moved a whole snapshot for its own time, such as cold fluid that nobody noted;
        None where it was not worked out.
    misnoted : tuple of Misnoted
        Snapshots of which values look as if they had been noted in another unit of measure.

    """

    unit: str
    profile: Profile
    taken_at: Times
    days: Floats
    odometer_km: Floats
    fluid_temp_c: Floats
    cells: tuple[Cell, ...]
    values: Floats
    learn_counts: Floats
    usable: Bools
    slips: Bools
    events: tuple[Event, ...]
    site: str = ""
    note: str = ""
    in_service_on: Any = None
    disturbance: Floats | None = None
    misnoted: tuple[Misnoted, ...] = ()

    def __repr__(self) -> str:
        read, used = int(np.isfinite(self.values).sum()), int(self.usable.sum())
        return (
            f"Panel({self.unit!r}: {len(self.taken_at)} snapshots x {len(self.cells)} cells, "
            f"{read} readings, {read - used} of them repeats or slips left out)"
        )
