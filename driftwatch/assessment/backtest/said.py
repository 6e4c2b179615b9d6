"""What was said at one month end, as little of it as has to be kept: outlooks and findings."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date

import numpy as np
from scipy.stats import norm

from driftwatch.assessment.backtest.observed import volume_column, volumes
from driftwatch.assessment.backtest.scores import straight_line
from driftwatch.assessment.results import SERVICE_STATES, Finding, UnitAnalysis
from driftwatch.panel.panel import Panel
from driftwatch.service.results import ClutchOutlook

#: Months ahead at which the volume said is held against the one read.
HORIZONS = (3, 6, 12)
#: Mean length of a month, days, and how far from the day sought the reading may be.
MONTH_DAYS, SLACK_DAYS = 30.44, 31.0
#: A finding counts as said from this probability on.
LIKELY = 0.5
#: Standard normal quantile of 0.9, the ends of an 80 % range.
_Z = float(norm.ppf(0.9))


@dataclass(frozen=True, slots=True)
class Ahead:
    """What a later reading of a volume should be, cm3.

    Attributes
    ----------
    months : int
        How far ahead.
    snapshot : int
        Number of the later snapshot.
    low, middle, high : float
        10, 50 and 90 % of a reading there; NaN if the forecast was not drawn that far.
    line_low, line_high : float
        The same ends from a straight line through the readings of that life.

    """

    months: int
    snapshot: int
    low: float
    middle: float
    high: float
    line_low: float
    line_high: float


@dataclass(frozen=True, slots=True)
class SaidPack:
    """What was said of one pack at one month end.

    Attributes
    ----------
    origin : date
        The month end.
    unit, clutch : str
    last : int
        Number of the last snapshot known then.
    life_start : int
        Number of the first snapshot of the life that was taken for the present one.
    volume_cm3, limit_cm3 : float
        Fitted volume at that snapshot, and the limit.
    service : str
    p10, p50, p90 : float
        Distance to the limit from the last snapshot, km; infinite where it is not reached.
    chance_km, chance : float
        Chance that the limit is reached within that distance.
    ahead : tuple of Ahead

    """

    origin: date
    unit: str
    clutch: str
    last: int
    life_start: int
    volume_cm3: float
    limit_cm3: float
    service: str
    p10: float
    p50: float
    p90: float
    chance_km: float
    chance: float
    ahead: tuple[Ahead, ...] = ()

    @property
    def rank(self) -> int:
        """Place of the service state: 0 clear, 1 watch, 2 plan, 3 due."""
        return SERVICE_STATES.index(self.service)


@dataclass(frozen=True, slots=True)
class SaidFinding:
    """One finding that was more likely than not at one month end."""

    origin: date
    unit: str
    cause: str
    clutch: str
    probability: float
    after: date | None
    by: date | None


def packs_said(origin: date, then: UnitAnalysis, now: UnitAnalysis) -> Iterator[SaidPack]:
    """Give what was said of each pack of a unit; `now` is the same unit on all that is known at the end."""
    for outlook in then.assessment.clutches:
        distance, chance = outlook.chance_within
        p10, p50, p90 = (_or_never(outlook.remaining_km[q]) for q in ("p10", "p50", "p90"))
        yield SaidPack(
            origin=origin,
            unit=then.assessment.unit,
            clutch=outlook.clutch,
            last=len(then.panel.days) - 1,
            life_start=outlook.life_start,
            volume_cm3=outlook.volume_cm3,
            limit_cm3=outlook.limit_cm3,
            service=outlook.service,
            p10=p10,
            p50=p50,
            p90=p90,
            chance_km=distance,
            chance=chance,
            ahead=readings_ahead(outlook, then, now.panel),
        )


def findings_said(origin: date, then: UnitAnalysis) -> Iterator[SaidFinding]:
    """Give the findings of a unit that were more likely than not."""
    for finding in then.assessment.findings:
        if finding.probability >= LIKELY:
            yield _slim(origin, then.assessment.unit, finding)


def readings_ahead(outlook: ClutchOutlook, then: UnitAnalysis, later: Panel) -> tuple[Ahead, ...]:
    """Say what the readings some months on should be, from the forecast drawn then.

    The forecast is of the volume; a reading scatters about it. So each side of the range is widened by the
    noise of one reading, as known then, in the manner of independent errors.
    """
    last = len(then.panel.days) - 1
    at = [(months, _nearest(later, outlook.clutch, last, months)) for months in HORIZONS]
    found = [(months, snapshot) for months, snapshot in at if snapshot is not None]
    if not found or then.fit is None:
        return ()
    km = np.array([later.odometer_km[snapshot] for _, snapshot in found])
    noise = _Z * float(then.fit.noise_sd[volume_column(then.panel, outlook.clutch)])
    p10, p50, p90 = (
        np.interp(km, outlook.fan_km, fan, right=np.nan)
        for fan in (outlook.fan_p10, outlook.fan_p50, outlook.fan_p90)
    )
    low, high = p50 - np.hypot(p50 - p10, noise), p50 + np.hypot(p90 - p50, noise)
    read = volumes(then.panel, outlook.clutch)[outlook.life_start :]
    there = np.isfinite(read)
    line_low, line_high = straight_line(then.panel.odometer_km[outlook.life_start :][there], read[there], km)
    return tuple(
        Ahead(months, snapshot, *(float(column[i]) for column in (low, p50, high, line_low, line_high)))
        for i, (months, snapshot) in enumerate(found)
    )


def _nearest(later: Panel, clutch: str, last: int, months: int) -> int | None:
    """Give the number of the reading nearest to so many months after a snapshot; None if there is none."""
    sought = later.days[last] + months * MONTH_DAYS
    read = np.flatnonzero(np.isfinite(volumes(later, clutch)))
    read = read[read > last]
    if not len(read):
        return None
    nearest = int(read[np.argmin(np.abs(later.days[read] - sought))])
    return nearest if abs(float(later.days[nearest]) - sought) <= SLACK_DAYS else None


def _slim(origin: date, unit: str, f: Finding) -> SaidFinding:
    return SaidFinding(origin, unit, f.cause, f.clutch or "", f.probability, f.after, f.by)


def _or_never(km: float | None) -> float:
    return float("inf") if km is None else km
