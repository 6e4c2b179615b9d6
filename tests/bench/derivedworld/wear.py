"""Packs: how their volumes grow with the distance, and how far it is to the limit."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from tests.bench.derivedworld.arrangement import V_LIMIT, V_NEW, Bools, Floats, Ints
from tests.bench.derivedworld.dials import Dial
from tests.bench.derivedworld.driving import Calendar
from tests.bench.derivedworld.plans import Plan

#: Beyond this distance no limit is looked for, km.
HORIZON = 400_000.0
#: Growth that does not hasten is written as growth that hastens this little, a cm3.
EVEN = 1e-6
#: Chance that it is this pack that wears fast.
FAST_PACK = (0.12, 0.16, 0.32, 0.26, 0.14)
#: What is kept of each pack at a reading, to work out the remaining distance from.
PACK_STATE = (
    *("volume_cm3", "limit_cm3", "worn", "rate", "rho", "to_onset", "mult", "life_km"),
    *("new", "bed", "bed_km", "life"),
)


def grow(
    worn: Floats, rate: Floats, rho: Floats, km: Floats | float, to_onset: Floats, mult: Floats
) -> Floats:
    """Give the worn volume after so many km more.

    It grows by rate (1 + rho worn) a km, and by `mult` times that beyond the onset.
    """
    first = np.minimum(km, np.maximum(to_onset, 0.0))
    reach = rate * (first + mult * (km - first))
    return np.asarray(worn + (1 + rho * worn) * np.expm1(np.minimum(rho * reach, 60.0)) / rho)


def _none() -> Floats:
    return np.zeros(5)


@dataclass
class Packs:
    """The five packs of a unit, which change as it is driven and rebuilt.

    `bed_km` is the distance over which new packs bed in. Of each pack: friction `mu` against nominal; volume
    when `new`, and what it gains by bedding in (`bed`), cm3; `worn` cm3 over `life_km` at `rate` cm3 a km,
    which hastens by `rho` a cm3, is `mult` times as high beyond the `onset` and `touchy` times since a power
    or load act; `sour` is what the next such act will make of `touchy`; `life` counts rebuilds.
    """

    bed_km: float
    mu: Floats = field(default_factory=_none)
    new: Floats = field(default_factory=_none)
    bed: Floats = field(default_factory=_none)
    worn: Floats = field(default_factory=_none)
    life_km: Floats = field(default_factory=_none)
    rate: Floats = field(default_factory=_none)
    rho: Floats = field(default_factory=_none)
    onset: Floats = field(default_factory=_none)
    mult: Floats = field(default_factory=_none)
    touchy: Floats = field(default_factory=_none)
    sour: Floats = field(default_factory=_none)
    life: Ints = field(default_factory=lambda: np.full(5, -1))

    def renew(self, renewed: Bools, use: Floats, rng: np.random.Generator) -> None:
        """Put in new packs; `use` is slips a km against the reference duty."""
        for i in np.flatnonzero(renewed):
            self.mu[i] = rng.normal(1, 0.025)
            self.new[i] = V_NEW[i] * rng.normal(1.0, 0.02)
            self.bed[i] = rng.uniform(0, 0.025) * (V_LIMIT[i] - self.new[i])
            self.worn[i] = self.life_km[i] = 0.0
            self.rate[i] = (V_LIMIT[i] - self.new[i]) / rng.lognormal(math.log(1000000), 0.35) * use[i]
            self.rho[i], self.onset[i], self.mult[i], self.touchy[i] = EVEN, np.inf, 1.0, 1.0
            self.life[i] += 1
        self.sour[renewed] = 0.0

    def volume(self) -> Floats:
        """Give the true volumes, cm3."""
        return self.new + self.worn + self.bed * -np.expm1(-self.life_km / self.bed_km)

    def drive(self, km: float, heat: float) -> None:
        """Let the packs wear over a distance; `heat` is slip energy against that at the first reading."""
        rate = self.rate * heat * self.touchy
        grown = grow(self.worn, rate, self.rho, km, self.onset - self.life_km, self.mult)
        # By then the facing is gone.
        self.worn = np.minimum(grown, 1.35 * (V_LIMIT - self.new))
        self.life_km += km

    def turn_sour(self, heat: float) -> None:
        """Let a power or load act hasten the packs that are due for it, by the heat it brings or more."""
        self.touchy = np.where(self.sour > 0, np.maximum(self.sour / heat, 1.2), self.touchy)
        self.sour = np.zeros(5)

    def state(self, heat: float) -> Floats:
        """Give what PACK_STATE names, one row a pack."""
        rate, to_onset = self.rate * heat * self.touchy, self.onset - self.life_km
        rows = [self.volume(), V_LIMIT, self.worn, rate, self.rho, to_onset, self.mult, self.life_km]
        return np.array([*rows, self.new, self.bed, np.full(5, self.bed_km), self.life]).T


def plan_wear(
    packs: Packs,
    plan: Plan,
    dial: Dial,
    odometer: float,
    span: float,
    calendar: Calendar,
    rng: np.random.Generator,
) -> None:
    """Leave the packs as they are at the first reading, and let one wear fast if the plan says so."""
    packs.life_km[:] = odometer
    packs.worn = np.minimum(packs.rate * odometer, 0.35 * (V_LIMIT - packs.new))
    if not plan.wear:
        return
    i = int(rng.choice(5, p=FAST_PACK))
    packs.worn[i] *= 0.5
    room = V_LIMIT[i] - packs.volume()[i]
    end, begin = (plan.wear_end or 1.0) * span, 0.0
    if plan.wear == "onset":
        begin = rng.uniform(0.15, 0.5) * end
    elif plan.wear == "touchy":
        begin = min(a.share for a in plan.acts if a.kind in ("power", "load")) * span
    km = max(calendar.km_at(end) - calendar.km_at(begin), 3000.0)
    target = room * (rng.uniform(0.7, 1.12) if plan.wear_end else rng.triangular(0.36, 0.5, 1.12))
    hastens = plan.wear == "hasten" or rng.random() < dial.hastens_too
    rho = rng.uniform(2, 6) / (V_LIMIT[i] - packs.new[i]) if hastens else EVEN
    # The rate at which the pack gains the target by the end, and at any rate more than it would by itself.
    rate = math.log1p(rho * target / (1 + rho * packs.worn[i])) / (rho * km)
    rate = max(rate, 1.3 * packs.rate[i])
    packs.rho[i] = rho
    if plan.wear == "onset":
        packs.onset[i] = packs.life_km[i] + calendar.km_at(begin)
        packs.mult[i] = rate / packs.rate[i]
    elif plan.wear == "touchy":
        packs.sour[i] = rate / packs.rate[i]
    else:
        packs.rate[i] = rate


def remaining_km(states: pd.DataFrame) -> Floats:
    """Give the true distance to the limit by bisection on the growth: 0 if reached, infinite if not in sight.

    `states` has the columns PACK_STATE; driving goes on as at that reading.
    """
    columns = (states[name].to_numpy(float) for name in PACK_STATE[:-1])
    volume, limit, worn, rate, rho, to_onset, mult, life_km, new, bed, bed_km = columns

    def size(km: Floats) -> Floats:
        grown = grow(worn, rate, rho, km, to_onset, mult)
        return np.asarray(new + grown - bed * np.expm1(-(life_km + km) / bed_km))

    low, high = np.zeros(len(volume)), np.full(len(volume), HORIZON)
    never = size(high) < limit
    for _ in range(45):
        middle = (low + high) / 2
        short = size(middle) < limit
        low, high = np.where(short, middle, low), np.where(short, high, middle)
    ahead = np.where(never, np.inf, np.round(high, 1))
    return np.where(volume >= limit, 0.0, ahead)
