"""What came: the lives of a pack, and where in a life the readings show that its limit was reached.

A volume is read with noise, so the first reading over the limit proves nothing. The level of a life's
readings is their best fit that never falls (isotonic regression: wear gives nothing back). The limit counts
as reached where that level first stands at it, between two snapshots in proportion, if at least CONFIRMING
readings lie from there on. In an isotonic fit a level is held only where the readings from there on, however
many of them are taken, average at least that much; so a lone high reading followed by lower ones is none.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import isotonic_regression

from driftwatch.assessment.results import UnitAnalysis
from driftwatch.panel.panel import Panel

Floats = NDArray[np.float64]

#: Fewest readings from the snapshot on at which the level stands at the limit.
CONFIRMING = 2


@dataclass(frozen=True)
class Crossing:
    """Where a pack reached its limit.

    Attributes
    ----------
    day : date
    odometer_km : float
    early_km : float
        Odometer at which the level stands one reading's noise below the limit (or the life's first one).
    late_km : float
        The same for one reading's noise above it; infinite if the readings do not go that far.

    """

    day: date
    odometer_km: float
    early_km: float
    late_km: float


@dataclass(frozen=True)
class Life:
    """One life of one pack, as known at the end.

    Attributes
    ----------
    start, stop : int
        Number of its first snapshot, and of the first one after it.
    over : bool
        True if a rebuild ended it.
    worn_at_start : bool
        True if the level stood at the limit from the first reading on.
    crossing : Crossing or None
        Where the limit was reached in it.
    followed_to_km : float
        Odometer of its last reading.
    nearly_km : float
        Odometer at which the level stands one reading's noise below the limit; infinite if it does not.

    """

    start: int
    stop: int
    over: bool
    worn_at_start: bool
    crossing: Crossing | None
    followed_to_km: float
    nearly_km: float


def level(read: Floats) -> Floats:
    """Give the best fit to readings, in their order, that never falls; NaN where there is no reading."""
    fitted = np.full(len(read), np.nan)
    there = np.isfinite(read)
    if there.any():
        fitted[there] = isotonic_regression(read[there]).x
    return fitted


def pack_lives(
    analysis: UnitAnalysis, clutch: str, limit_cm3: float, starts: Sequence[tuple[int, int]]
) -> tuple[Life, ...]:
    """Give the lives of a pack, oldest first.

    Parameters
    ----------
    analysis : UnitAnalysis
        Of the unit, on all that is known at the end.
    clutch : str
        A pack with volume readings.
    limit_cm3 : float
        Its limit.
    starts : sequence of (int, int)
        Where the pack's life began, as it stood at earlier month ends: number of the last snapshot then, and
        of the first one of the life.

    """
    panel = analysis.panel
    column = volume_column(panel, clutch)
    found = _found_starts(analysis, clutch, starts)
    logged = {i for i in _logged_starts(panel) if not {i - 1, i, i + 1} & found}
    bounds = sorted({0, *(i for i in found | logged if 0 < i < len(panel.days)), len(panel.days)})
    read = volumes(panel, clutch)
    noise = float(analysis.fit.noise_sd[column]) if analysis.fit is not None else 0.0
    return tuple(_life(panel, read, start, stop, limit_cm3, noise) for start, stop in pairwise(bounds))


def life_at(lives: Sequence[Life], snapshot: int) -> Life:
    """Give the life that a snapshot belongs to."""
    return next(life for life in lives if life.start <= snapshot < life.stop)


def volume_column(panel: Panel, clutch: str) -> int:
    """Give the number of the cell that holds a pack's volumes."""
    return next(
        i for i, cell in enumerate(panel.cells) if cell.signal == "clutch_volume" and cell.channel == clutch
    )


def volumes(panel: Panel, clutch: str) -> Floats:
    """Give a pack's volumes as read, cm3, (T,); NaN where there is none, or one that is left out."""
    column = volume_column(panel, clutch)
    return np.where(panel.usable[:, column], panel.values[:, column], np.nan)


def day_of(panel: Panel, snapshot: int) -> date:
    """Give the day of a snapshot."""
    day: date = panel.taken_at[snapshot].astype("datetime64[D]").astype(object)
    return day


def odometer_on(panel: Panel, day: date) -> float:
    """Give the odometer at the end of a day, km, in proportion between snapshots; the nearest one outside."""
    end = (np.datetime64(day) + np.timedelta64(1, "D") - panel.taken_at[0]) / np.timedelta64(1, "D")
    return float(np.interp(float(end), panel.days, panel.odometer_km))


def _found_starts(analysis: UnitAnalysis, clutch: str, starts: Sequence[tuple[int, int]]) -> set[int]:
    """Give the snapshots at which a new life was found, from the newest back.

    The outlook at the end tells where the present life began. Of a life before it, the last month end
    within that life tells.
    """
    now = next((c.life_start for c in analysis.assessment.clutches if c.clutch == clutch), None)
    if now is None:  # too few readings in the new life for an outlook: the findings tell
        likely = [f for f in analysis.assessment.findings if f.probability >= 0.5]
        days = [f.by for f in likely if f.cause == "rebuild" and f.by is not None]
        return {_first_from(analysis.panel, np.datetime64(day)) for day in days}
    found = set()
    while now > 0:
        found.add(now)
        before = [(last, start) for last, start in starts if last < now]
        now = max(before)[1] if before else 0
    return found


def _logged_starts(panel: Panel) -> Iterable[int]:
    return (_first_from(panel, e.happened_at) for e in panel.events if e.kind == "rebuild")


def _first_from(panel: Panel, moment: np.datetime64) -> int:
    return int(np.searchsorted(panel.taken_at, moment.astype("datetime64[us]")))


def _life(panel: Panel, read: Floats, start: int, stop: int, limit: float, noise: float) -> Life:
    there = start + np.flatnonzero(np.isfinite(read[start:stop]))
    over = stop < len(panel.days)
    if not len(there):
        at = float(panel.odometer_km[start])
        return Life(start, stop, over, False, None, at, np.inf)
    km, days = panel.odometer_km[there], panel.days[there]
    stands = level(read[there])
    first = int(np.argmax(stands >= limit)) if stands[-1] >= limit else len(there)
    crossing = None
    if 0 < first <= len(there) - CONFIRMING:
        crossing = Crossing(
            day=_day_after(panel, _reaches(days, stands, limit)),
            odometer_km=_reaches(km, stands, limit),
            early_km=_reaches(km, stands, limit - noise),
            late_km=_reaches(km, stands, limit + noise),
        )
    return Life(start, stop, over, first == 0, crossing, float(km[-1]), _reaches(km, stands, limit - noise))


def _reaches(x: Floats, stands: Floats, value: float) -> float:
    """Give where a level that never falls reaches a value, in proportion between its points."""
    if stands[-1] < value:
        return float("inf")
    k = int(np.argmax(stands >= value))
    if k == 0:
        return float(x[0])
    share = (value - stands[k - 1]) / (stands[k] - stands[k - 1])
    return float(x[k - 1] + share * (x[k] - x[k - 1]))


def _day_after(panel: Panel, days: float) -> date:
    moment = panel.taken_at[0] + np.timedelta64(round(days * 86_400), "s")
    day: date = moment.astype("datetime64[D]").astype(object)
    return day
