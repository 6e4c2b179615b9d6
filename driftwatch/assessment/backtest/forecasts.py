"""Forecasts against what came: remaining distances against limits reached, volumes against later readings."""

from __future__ import annotations

import math

from driftwatch.assessment.backtest.observed import Life, day_of, life_at, volumes
from driftwatch.assessment.backtest.results import Check, Range
from driftwatch.assessment.backtest.said import SaidPack
from driftwatch.panel.panel import Panel


def range_of(said: SaidPack, lives: tuple[Life, ...], panel: Panel) -> Range | None:
    """Hold a remaining distance against what came; None if the limit had been reached by then.

    Parameters
    ----------
    said : SaidPack
        As said at the month end.
    lives : tuple of Life
        Of that pack, as known at the end.
    panel : Panel
        The unit's readings as known at the end.

    """
    life = life_at(lives, said.last)
    here = float(panel.odometer_km[said.last])
    reached = None if life.crossing is None else life.crossing.odometer_km - here
    if life.worn_at_start or (reached is not None and reached <= 0.0):
        return None
    followed = max(life.followed_to_km - here, 0.0)
    goes_on = float(panel.odometer_km[-1]) - here
    outcome = _outcome(said, reached, followed, life.over)
    return Range(
        origin=said.origin,
        unit=said.unit,
        clutch=said.clutch,
        service=said.service,
        odometer_km=here,
        p10=_known(said.p10),
        p50=_known(said.p50),
        p90=_known(said.p90),
        chance_km=said.chance_km,
        chance=said.chance,
        outcome=outcome,
        reached_km=reached,
        followed_km=followed,
        near=_near(outcome, said, life, here),
        whole=goes_on >= said.p90,
        came=_came(said.chance_km, reached, followed, goes_on),
    )


def checks_of(said: SaidPack, lives: tuple[Life, ...], panel: Panel) -> list[Check]:
    """Hold the volumes said against those read some months on, in the same life."""
    life = life_at(lives, said.last)
    read = volumes(panel, said.clutch)
    return [
        Check(
            origin=said.origin,
            unit=said.unit,
            clutch=said.clutch,
            months=ahead.months,
            read_on=day_of(panel, ahead.snapshot),
            from_cm3=said.volume_cm3,
            low=_known(ahead.low),
            middle=_known(ahead.middle),
            high=_known(ahead.high),
            line_low=_known(ahead.line_low),
            line_high=_known(ahead.line_high),
            read=float(read[ahead.snapshot]),
        )
        for ahead in said.ahead
        if ahead.snapshot < life.stop
    ]


def _outcome(said: SaidPack, reached: float | None, followed: float, over: bool) -> str:
    if reached is not None:
        return "sooner" if reached < said.p10 else "inside" if reached <= said.p90 else "later"
    if followed > said.p90:
        return "later"
    return "renewed" if over else "open"


def _near(outcome: str, said: SaidPack, life: Life, here: float) -> bool:
    """True if a range that missed holds a distance at which the level lay within one reading's noise."""
    if outcome not in ("sooner", "later"):
        return False
    early = life.nearly_km if life.crossing is None else life.crossing.early_km
    late = math.inf if life.crossing is None else life.crossing.late_km
    return early - here <= said.p90 and late - here >= said.p10


def _came(within: float, reached: float | None, followed: float, goes_on: float) -> bool | None:
    """Say whether the limit came within a distance; asked only where the unit's snapshots go on so far."""
    if goes_on < within:
        return None
    if reached is not None:
        return reached <= within
    return False if followed >= within else None


def _known(value: float) -> float | None:
    return value if math.isfinite(value) else None
