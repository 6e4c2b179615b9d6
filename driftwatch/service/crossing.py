"""When the volume reaches its limit, as a distribution of distance and of date.

Draws of (volume now, rate now, shape) from the growth posterior are each carried forward to the limit.
With a steady rate and the unevenness of wear the distance is the first passage of a Brownian motion with
drift, which is inverse Gaussian: mean d / r, shape d^2 / s^2 (Chhikara and Folks, The Inverse Gaussian
Distribution, 1989, cited from memory). Where the rate grows by `a` per 10 000 km the mean is
log(1 + a d / r) / a. The rate ahead may also differ from the rate now, as it did in the past: it is
multiplied by a log-normal factor.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
from numpy.typing import NDArray

from driftwatch.panel.noise import KM
from driftwatch.service.growth import Growth, grown

Floats = NDArray[np.float64]

DRAWS = 2000
SEED = 20_001
#: Log-scale sd of the rate ahead against the rate now, and of the distance driven a day.
RATE_AHEAD = 0.15
USE_AHEAD = 0.15
#: Of the draws, one in so many is carried along for the chart of the forecast.
FAN_STRIDE = 4
LAST_DATE = date(2199, 12, 31)
QUANTILES = {"p10": 0.1, "p50": 0.5, "p90": 0.9}


@dataclass(frozen=True)
class Crossing:
    """Draws of the distance to the limit from the last snapshot, km (infinite where it is never reached)."""

    km: Floats
    now: Floats
    rate: Floats
    hastening: Floats
    uneven: float

    def quantiles(self) -> dict[str, float | None]:
        """Distance at 10, 50 and 90 %; None where that quantile is never reached."""
        ordered = np.sort(self.km)
        places = {
            name: ordered[min(int(q * len(ordered)), len(ordered) - 1)] for name, q in QUANTILES.items()
        }
        return {name: float(v) if np.isfinite(v) else None for name, v in places.items()}

    def chance(self, km: float) -> float:
        """Probability that the limit is reached within that distance."""
        return float(np.mean(self.km <= km))

    def fan(self, km_ahead: Floats) -> tuple[Floats, Floats, Floats]:
        """Volume at 10, 50 and 90 % for each distance ahead, cm3."""
        x = km_ahead[:, None] / KM
        some = slice(None, None, FAN_STRIDE)
        now, rate, hastening = self.now[some], self.rate[some], self.hastening[some]
        rng = np.random.default_rng(SEED + 1)
        path = np.sqrt(self.uneven * x) * rng.standard_normal(len(now))
        ordered = np.sort(now + rate * grown(hastening, x) + path, axis=1)
        low, mid, high = (ordered[:, int(q * len(now))] for q in QUANTILES.values())
        return low, mid, high


def crossing(growth: Growth, limit_cm3: float) -> Crossing:
    """Draw distances to the limit. The seed is fixed, so that the same records give the same answer."""
    rng = np.random.default_rng(SEED)
    # Systematic resampling: every shape gets its share of draws without extra randomness.
    places = (np.arange(DRAWS) + 0.5) / DRAWS
    shape = np.minimum(np.searchsorted(np.cumsum(growth.weight), places), len(growth.weight) - 1)
    z = rng.standard_normal((4, DRAWS))
    now_sd = np.sqrt(np.maximum(growth.now_var, 1e-12))
    slope = growth.now_rate_cov / now_sd
    left = np.sqrt(np.maximum(growth.rate_var - slope**2, 0.0))
    now = growth.now[shape] + now_sd[shape] * z[0]
    rate = growth.rate[shape] + slope[shape] * z[0] + left[shape] * z[1]
    # Friction material does not come back.
    rate = np.maximum(rate, 0.0) * np.exp(RATE_AHEAD * z[2])
    hastening = growth.hastening[shape]
    return Crossing(
        km=_first_passage(limit_cm3 - now, rate, hastening, growth.uneven, rng, z[3]),
        now=now,
        rate=rate,
        hastening=hastening,
        uneven=growth.uneven,
    )


def _first_passage(
    distance: Floats, rate: Floats, hastening: Floats, uneven: float, rng: np.random.Generator, z: Floats
) -> Floats:
    """Distance in km until the volume has grown by `distance`, for each draw."""
    rising = rate > 0
    safe = np.where(rising, rate, 1.0)
    ahead = np.maximum(distance, 0.0)
    fast = hastening > 0
    straight = ahead / safe
    curved = np.log1p(np.where(fast, hastening, 1.0) * straight) / np.where(fast, hastening, 1.0)
    mean = np.where(fast, curved, straight)
    x = inverse_gaussian(mean, ahead**2 / max(uneven, 1e-12), rng, z)
    km = np.where(rising, x * KM, np.inf)
    return np.asarray(np.where(distance <= 0, 0.0, km))


def inverse_gaussian(mean: Floats, shape: Floats, rng: np.random.Generator, z: Floats) -> Floats:
    """Inverse Gaussian draws: the transformation of Michael, Schucany and Haas (1976; cited from memory)."""
    safe = np.maximum(shape, 1e-12)
    y = mean * z**2
    root = mean + mean / (2.0 * safe) * (y - np.sqrt(4.0 * safe * y + y**2))
    root = np.maximum(root, 1e-12)
    take = rng.random(len(mean)) * (mean + root) <= mean
    return np.asarray(np.where(take, root, np.where(mean > 0, mean**2 / root, 0.0)))


def due_dates(crossed: Crossing, last: date, km_per_day: float | None) -> dict[str, date | None]:
    """Dates at 10, 50 and 90 %, through the unit's own use; None where never, or use is unknown."""
    if not km_per_day or km_per_day <= 0:
        return dict.fromkeys(QUANTILES)
    use = km_per_day * np.exp(USE_AHEAD * np.random.default_rng(SEED + 2).standard_normal(len(crossed.km)))
    ordered = np.sort(crossed.km / use)
    days = {name: ordered[min(int(q * len(ordered)), len(ordered) - 1)] for name, q in QUANTILES.items()}
    latest = (LAST_DATE - last).days
    return {k: last + timedelta(days=int(v)) if v < latest else None for k, v in days.items()}
