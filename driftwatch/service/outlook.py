"""The forecast of a unit's packs: growth, distance to the limit, service state and its reason."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from datetime import date
from functools import partial

import numpy as np
from scipy.special import ndtri

from driftwatch.panel.noise import KM, Fleet, corrected
from driftwatch.panel.panel import Floats, Panel
from driftwatch.service.crossing import crossing, due_dates
from driftwatch.service.growth import LEAST_RUN, Growth, RatePrior, fit_growth, rate_priors
from driftwatch.service.results import ClutchOutlook, PackForecast
from driftwatch.service.states import standing
from driftwatch.settings import Settings

#: Fewest volume readings in a life for a forecast.
LEAST_READINGS = 3
FAN_POINTS = 25
USE_DAYS = 365.0


@dataclass(frozen=True)
class Life:
    """Where a pack's present life begins, and where its rate may have changed (snapshot numbers)."""

    start: int
    rate_changes: tuple[int, ...]


def fleet_rates(panels: Sequence[Panel]) -> dict[str, dict[str, RatePrior]]:
    """Learn the usual growth of every pack of every profile from all units: profile -> pack -> prior."""
    priors = {}
    for profile in {p.profile.name: p.profile for p in panels}.values():
        slopes: dict[str, list[float]] = {c.id: [] for c in profile.clutches}
        volumes = {c.id: c.new_volume_cm3 or 0.0 for c in profile.clutches}
        for panel in panels:
            if panel.profile.name == profile.name:
                for pack, slope, level in _slopes(panel):
                    slopes[pack].append(slope)
                    volumes[pack] = volumes[pack] or level
        typical = float(np.median([v for v in volumes.values() if v] or [50.0]))
        priors[profile.name] = rate_priors(slopes, {p: v or typical for p, v in volumes.items()})
    return priors


def _slopes(panel: Panel) -> list[tuple[str, float, float]]:
    """Median slope of each pack over pairs of readings half a history apart, and its median volume."""
    found = []
    for i, cell in enumerate(panel.cells):
        if cell.signal != "clutch_volume":
            continue
        told = panel.usable[:, i]
        y, x = panel.values[told, i], panel.odometer_km[told] / KM
        half = len(y) // 2
        if half < 2:
            continue
        run = x[half:] - x[:-half]
        far = run >= LEAST_RUN
        if far.any():
            rise = (y[half:] - y[:-half])[far] / run[far]
            found.append((cell.channel, float(np.median(rise)), float(np.median(y))))
    return found


def km_per_day(panel: Panel) -> float | None:
    """Distance a day over the last year (or the whole history, if shorter); None if it cannot be told."""
    if len(panel.days) < 2:
        return None
    recent = panel.days >= panel.days[-1] - USE_DAYS
    if recent.sum() < 2:
        recent[-2:] = True
    days = panel.days[recent]
    driven = panel.odometer_km[recent]
    if days[-1] - days[0] < 1.0:
        return None
    return float(max(driven[-1] - driven[0], 0.0) / (days[-1] - days[0]))


def forecasts(
    panel: Panel,
    lives: dict[str, Life],
    rates: dict[str, RatePrior],
    fleet: Fleet,
    settings: Settings,
) -> list[PackForecast]:
    """Give the forecast of each pack with volume readings and a limit."""
    values = corrected(panel, fleet) if panel.cells else panel.values
    use = km_per_day(panel)
    made = []
    for i, cell in enumerate(panel.cells):
        if cell.signal != "clutch_volume":
            continue
        pack = panel.profile.clutch(cell.channel)
        life = lives.get(cell.channel, Life(0, ()))
        here = slice(life.start, None)
        if pack.limit_cm3 is None or np.isfinite(values[here, i]).sum() < LEAST_READINGS:
            continue
        reading = _Reading(panel, values[here, i], life, rates[cell.channel], fleet)
        made.append(_outlook(panel, cell.channel, reading, pack.limit_cm3, use, settings))
    return made


@dataclass(frozen=True)
class _Reading:
    """What was read of a pack in its present life, and what is needed to fit its growth."""

    panel: Panel
    volume: Floats
    life: Life
    prior: RatePrior
    fleet: Fleet

    def growth(self, back: int = 0) -> Growth:
        """Growth as of so many snapshots before the last one."""
        stop = len(self.volume) - back
        here = slice(self.life.start, self.life.start + stop)
        changes = [k - self.life.start for k in self.life.rate_changes if 0 < k - self.life.start < stop]
        odometer, days = self.panel.odometer_km[here], self.panel.days[here]
        return fit_growth(self.volume[:stop], odometer, days, changes, self.prior, self.fleet)

    def chance_before(self, limit: float, km: float, back: int) -> float | None:
        """Chance of reaching the limit within so many km, as of some snapshots ago; None if not known."""
        told = np.isfinite(self.volume[: max(len(self.volume) - back, 0)]).sum()
        return crossing(self.growth(back), limit).chance(km) if told >= LEAST_READINGS else None


def _outlook(
    panel: Panel,
    pack: str,
    reading: _Reading,
    limit: float,
    use: float | None,
    settings: Settings,
) -> PackForecast:
    growth = reading.growth()
    w = growth.weight
    now, start, rate = float(w @ growth.now), float(w @ growth.start), float(w @ growth.rate)
    rate_sd = float(np.sqrt(w @ (growth.rate_var + (growth.rate - rate) ** 2)))
    gain = float(w @ growth.gain)
    gain_sd = float(np.sqrt(w @ (growth.gain_var + (growth.gain - gain) ** 2)))
    allowance = limit - start
    crossed = crossing(growth, limit)
    last: date = panel.taken_at[-1].astype("datetime64[D]").astype(object)
    ahead = crossed.quantiles()
    reach = min(max(1.2 * (ahead["p90"] or 200_000.0), 5_000.0), 200_000.0)
    fan_km = np.linspace(0.0, reach, FAN_POINTS)
    low, mid, high = crossed.fan(fan_km)
    before = partial(reading.chance_before, limit)
    return PackForecast(
        clutch=pack,
        life_start=reading.life.start,
        life_start_cm3=start,
        volume_cm3=now,
        growth_cm3_per_10000km=rate,
        growth_interval=(rate + ndtri(0.1) * rate_sd, rate + ndtri(0.9) * rate_sd),
        limit_cm3=limit,
        limit_source=panel.profile.limit_source,
        used=gain / allowance if allowance > 0 else 1.0,
        used_se=gain_sd / allowance if allowance > 0 else 0.0,
        remaining_km=ahead,
        due_on=due_dates(crossed, last, use),
        chance_within=(settings.chance_km, crossed.chance(settings.chance_km)),
        standing=standing(crossed.chance, before, now >= limit, settings),
        fan_km=panel.odometer_km[-1] + fan_km,
        fan_p10=low,
        fan_p50=mid,
        fan_p90=high,
    )


def told_on(forecast: PackForecast, as_of: date) -> ClutchOutlook:
    """Tell a forecast on some day: what it expects earlier is due on that day."""
    known = {f.name: getattr(forecast, f.name) for f in fields(forecast)}
    known["due_on"] = {k: max(d, as_of) if d else None for k, d in forecast.due_on.items()}
    return ClutchOutlook(**known, reason=forecast.standing.reason)
