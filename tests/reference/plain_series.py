"""Plain series as the program's own panels, so that outside values can be put to its least squares."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from driftwatch.panel.noise import KM, MONTH, Fleet, SignalNoise
from driftwatch.panel.panel import Cell, Panel
from driftwatch.panel.scales import Scales
from tests.assessment.units import profile

WHITE = SignalNoise(
    white_sd=1.0,
    learning_sd=0.0,
    wander_sd=0.0,
    common_white_sd=0.0,
    common_wander_sd=0.0,
    mode_wander_sd=0.0,
    season_sd=0.0,
    memory=0.5,
    temperature=0.0,
    resolution=0.0,
    slope=0.0,
    slope_sd=0.0,
    slope_common_sd=0.0,
    readings=0,
    units=0,
)

#: A unit of one cell whose noise is taken to be the fleet's.
AS_THE_FLEET = Scales(np.ones(1), np.ones(1))


def fleet_with(signal: str = "clutch_volume", shifts_to_learn: float = 10.0, **parts: float) -> Fleet:
    """Give a fleet with just this noise; parts not named are nil."""
    noise = replace(WHITE, **{"white_sd": 0.0, **parts})  # type: ignore[arg-type]
    return Fleet(
        noise={signal: noise},
        shifts_to_learn=shifts_to_learn,
        use={},
        usual_temp_c=80.0,
        temp_sd_c=0.0,
        across={},
        units=1,
        snapshots=1,
    )


def series(values: np.ndarray, distance: np.ndarray | None = None, days: np.ndarray | None = None) -> Panel:
    """Give one pack's volumes as a panel; distance in 10 000 km, one snapshot a month if not said."""
    values = np.atleast_2d(np.asarray(values, dtype=float).T).T
    count = len(values)
    distance = np.arange(count, dtype=float) if distance is None else np.asarray(distance, dtype=float)
    days = np.arange(count) * MONTH if days is None else np.asarray(days, dtype=float)
    packs = [c.id for c in profile().clutches][: values.shape[1]]
    return Panel(
        unit="series",
        profile=profile(),
        taken_at=np.datetime64("2020-01-01", "us") + (days * 86_400e6).astype("timedelta64[us]"),
        days=days,
        odometer_km=distance * KM,
        fluid_temp_c=np.full(count, np.nan),
        cells=tuple(Cell("clutch_volume", pack, "", "cm3", applies=pack) for pack in packs),
        values=values,
        learn_counts=np.full(values.shape, np.nan),
        usable=np.isfinite(values),
        slips=np.zeros(values.shape, dtype=bool),
        events=(),
    )
