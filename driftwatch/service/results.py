"""How far a clutch still has to go, as a distribution."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np
from numpy.typing import NDArray

from driftwatch.service.states import Standing

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class PackForecast:
    """One pack's volume, growth and remaining distance, counted from its last reading.

    Attributes
    ----------
    life_start : int
        Index of the first snapshot of the present life.
    life_start_cm3 : float
        Fitted volume there.
    volume_cm3, growth_cm3_per_10000km : float
        Fitted now, and present growth with its 80 % `growth_interval`.
    used, used_se : float
        Share of the allowance used since the life began.
    remaining_km, due_on : dict with keys p10, p50, p90
        None where the quantile is not reached.
    chance_within : (km, probability)
    standing : Standing
        The service state and what it stands on.
    fan_km, fan_p10, fan_p50, fan_p90 : array (F,)
        Odometer ahead and volume quantiles there, for the forecast chart.

    """

    clutch: str
    life_start: int
    life_start_cm3: float
    volume_cm3: float
    growth_cm3_per_10000km: float
    growth_interval: tuple[float, float]
    limit_cm3: float
    limit_source: str
    used: float
    used_se: float
    remaining_km: dict[str, float | None]
    due_on: dict[str, date | None]
    chance_within: tuple[float, float]
    standing: Standing
    fan_km: Floats
    fan_p10: Floats
    fan_p50: Floats
    fan_p90: Floats

    @property
    def service(self) -> str:
        """Service state: clear, watch, plan or due."""
        return self.standing.state


@dataclass(frozen=True)
class ClutchOutlook(PackForecast):
    """A forecast as it is told on some day: no date lies before it, and the service state has its reason."""

    reason: str

    @property
    def probably_reached(self) -> bool:
        """Whether even chance of reaching the limit lies behind, without a reading since.

        The early and the middle day are then both the day it is told on.
        """
        early, middle = self.due_on["p10"], self.due_on["p50"]
        return early is not None and early == middle
