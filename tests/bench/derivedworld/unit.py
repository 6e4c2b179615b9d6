"""One transmission in one vehicle, from day to day: it is driven, worked on and read out."""

from __future__ import annotations

import heapq
import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from tests.bench.derivedworld.arrangement import PACKS, V_LIMIT, V_NEW, Bools, Floats
from tests.bench.derivedworld.build import NO_VALVES, draw_manner, draw_valves
from tests.bench.derivedworld.controller import Controller
from tests.bench.derivedworld.design import Design
from tests.bench.derivedworld.driving import Stint, draw_calendar, draw_duty, draw_modes
from tests.bench.derivedworld.needs import Causes, Ramp, Wandering, needs
from tests.bench.derivedworld.plans import Act, Plan
from tests.bench.derivedworld.wear import Packs, plan_wear

#: A unit that was rebuilt is not rebuilt again within so many days.
REBUILT_DAYS = 300.0
#: Share of their tolerances that valves keep through a rebuild.
KEPT_AT_REBUILD = 0.5
#: Of what happens on one day, driving changes first and readings come last.
STINT, ACT, VISIT = range(3)


@dataclass(frozen=True)
class Reading:
    """One reading out: day, odometer, temperature, and the flat rows of values and learn counts."""

    day: float
    odometer: float
    temperature: float
    values: Floats
    counts: Floats


@dataclass(frozen=True)
class Entry:
    """One entry of the log, before people's slips: day, kind, amount and its unit, note."""

    day: float
    kind: str
    amount: float | None
    amount_unit: str
    note: str


@dataclass(frozen=True)
class Done:
    """One row of the truth: what was done or began, when, and when a slow change ended."""

    cause: str
    day: float
    until: float | None = None


class Unit:
    """One transmission; `run` fills `readings`, `states` (of the packs at each), `log` and `truth`."""

    def __init__(self, design: Design, rng: np.random.Generator, plan: Plan, name: str):
        self.design, self.rng, self.plan, self.name = design, rng, plan, name
        u = rng.uniform
        # Nm and kg, in which the log gives amounts.
        self.peak = rng.choice([450, 520, 620, 700, 850, 1000]) * u(0.95, 1.05)
        self.mass = u(3500, 9000)
        self.span = float(int(u(730, 1095)))
        self.epoch = design.start + pd.Timedelta(days=int(u(0, 300)))
        self.duty = draw_duty(design.eligible, rng)
        self.packs = Packs(bed_km=u(2500, 6000))
        self.valves = draw_valves(NO_VALVES, 0.0, rng)
        self.packs.renew(np.ones(5, dtype=bool), self.duty.use, rng)
        self.manner = draw_manner(design, rng)
        self.modes = draw_modes(rng)
        self.cold_day, self.cold = rng.normal(20, 15), abs(rng.normal(1, 0.4))
        self.wandering = Wandering(rng.normal(), rng.normal(), rng.normal(0, 1, (4, 10, 3)))
        self.odometer = float(rng.choice([u(500, 20000), u(20000, 180000)], p=[0.3, 0.7]))
        self.causes = Causes(fluid_age=min(self.odometer, u(5000, 70000)))
        self.calendar = draw_calendar(self.span, self.duty.km_day, rng)
        plan_wear(self.packs, plan, design.dial, self.odometer, self.span, self.calendar, rng)
        self.stint = Stint(0.0, 0.0, 1.0, 1.0)
        self.day, self.last_act, self.last_rebuild, self.rebuilds = 0.0, -math.inf, -math.inf, 0
        self.readings: list[Reading] = []
        self.states: list[Floats] = []
        self.log: list[Entry] = []
        self.truth: list[Done] = []
        self._queue: list[tuple[float, int, int, Stint | Act | None]] = []
        self._serial = itertools.count()
        self.controller = Controller(design.tables.base.copy())
        self._learn_since_new()

    def when(self, day: float) -> pd.Timestamp:
        """Give the time of a day of the unit's span."""
        return (self.epoch + pd.Timedelta(days=float(day))).round("min")

    def asked(self) -> Floats:
        """Give what the cells are asked for now."""
        day_of_year = self.epoch.day_of_year + self.day
        year = math.cos(2 * math.pi * (day_of_year - self.cold_day) / 365.25)
        self.wandering.year = year * self.cold
        gap = self.valves.gap(self.design.tables.gap)
        return needs(self.design, self.manner, gap, self.packs, self.causes, self.wandering, self.day)

    def heat(self) -> float:
        """Give slip energy against that at the first reading."""
        return self.causes.heat(self.design, self.modes.hitched(self.causes.load > 0))

    def run(self) -> Unit:
        """Let the unit live through its span."""
        visited = self._plan_acts()
        for day in self._visits(visited):
            self._push(day, VISIT, None)
        for stint in self.calendar.stints:
            self._push(stint.start, STINT, stint)
        while self._queue and self._queue[0][0] < self.span + 1:
            day, _, _, what = heapq.heappop(self._queue)
            self._drive(day)
            if isinstance(what, Stint):
                self.stint = what
            elif isinstance(what, Act):
                self.act(day, what)
            else:
                self._visit(day)
        return self

    # --- what is to come

    def _push(self, day: float, order: int, what: Stint | Act | None) -> None:
        heapq.heappush(self._queue, (day, order, next(self._serial), what))

    def _plan_acts(self) -> list[tuple[float, str]]:
        """Give the planned acts their days, and the days near which people will read out."""
        rng, latest = self.rng, self.span - 40
        visited: list[tuple[float, str]] = []
        for act in self.plan.acts:
            day = math.floor(act.share * self.span) + rng.uniform(0.4, 0.58)
            off = math.floor(day + rng.uniform(80, 280)) + 0.5
            if act.kind == "load" and rng.random() < 0.45 and off < latest:
                act = replace(act, off=off)
                visited.append((off, "load"))
            if act.kind == "pressure":
                act = replace(act, slow=bool(rng.random() < 0.8), days=rng.uniform(120, 420))
                mend = math.floor(day + act.days * rng.uniform(0.9, 1.4)) + 0.5
                if rng.random() < 0.4 and mend < latest:
                    act = replace(act, mend=mend)
                    visited.append((mend, "repair"))
            if not act.slow:
                visited.append((day, act.kind))
            self._push(day, ACT, act)
        return visited

    def _visits(self, acts: list[tuple[float, str]]) -> list[float]:
        """Give the days of readings: some close before and after acts, the rest spread over the span."""
        rng, dial, span = self.rng, self.design.dial, self.span
        readings = int(rng.integers(dial.snapshots[0], dial.snapshots[1] + 1))
        near = []
        for at, kind in acts:
            day = math.floor(at)
            if rng.random() < dial.read_before:
                near.append(day + rng.uniform(0.28, 0.36))
            if kind in ("relearn", "rebuild") and rng.random() < 0.35:
                near.append(day + rng.uniform(0.62, 0.72))
            if rng.random() < dial.read_after:
                near.append(day + int(rng.integers(2, 18)) + rng.uniform(0.3, 0.7))
        near = [day for day in near if 5 < day < span - 5][: readings // 2]
        gaps = rng.gamma(4, 1, readings - len(near) - 1)
        grid = np.floor(np.append(0, np.cumsum(gaps) / gaps.sum()) * (span - 1))
        days = sorted([*(grid + rng.uniform(0.3, 0.72, len(grid))), *near])
        return [day for i, day in enumerate(days) if i == 0 or day - days[i - 1] > 0.1]

    # --- driving and learning

    def _learn_since_new(self) -> None:
        """Let the controller have learned before the first day, as often as the odometer allows."""
        km = min(self.odometer, 12000)
        shifts = self.rng.poisson(km * self.duty.per_km[:, None] * self._shares())
        self.controller.learn(shifts, self.asked(), self.design.fast, self.manner, self.rng)
        self.controller.measure_anew(self.packs.volume(), self.design.noise.volume, self.rng)
        self.controller.volume_count = self.rng.poisson(20, 5) + 1

    def _shares(self) -> Floats:
        return self.modes.shares(self.causes.load > 0, self.stint)

    def _drive(self, day: float) -> None:
        """Go on to a day in one stint: what wanders moves on, packs wear, the controller learns."""
        design, rng, km = self.design, self.rng, self.stint.pace * (day - self.day)
        kept = math.exp((self.day - day) / design.noise.memory)
        new, drawn = math.sqrt(1 - kept * kept), rng.standard_normal(122)
        w = self.wandering
        w.driver, w.climate = kept * w.driver + new * drawn[0], kept * w.climate + new * drawn[1]
        w.cell = kept * w.cell + new * drawn[2:].reshape(4, 10, 3)
        self.day = day
        if km <= 0:
            return
        self.packs.drive(km, self.heat())
        self.odometer, self.causes.fluid_age = self.odometer + km, self.causes.fluid_age + km
        shifts = rng.poisson(km * self.duty.per_km[:, None] * self._shares())
        self.controller.learn(shifts, self.asked(), design.fast, self.manner, rng)
        self.controller.measure(self._apparent_volume(), shifts, km, design.noise.volume, rng)

    def _apparent_volume(self) -> Floats:
        """Give the volumes as fills show them: fresh fluid makes them look a little off."""
        fluid = self.design.fluid
        fresh = math.exp(-self.causes.fluid_age / fluid.km)
        return self.packs.volume() * (1 + 0.004 * 0.3 * fluid.loss / 0.07 * fresh)

    # --- readings

    def _visit(self, day: float) -> None:
        """Read the controller out; a pack found beyond its limit may bring a rebuild."""
        rng = self.rng
        year = math.cos(2 * math.pi * ((self.epoch.day_of_year + day) - 20) / 365.25)
        warm = rng.random() < 0.9
        temperature = 84 - 4 * year + rng.normal(0, 6) if warm else rng.uniform(45, 66) - 5 * year
        shown, counts = self.controller.read_out(temperature, self.design, self.manner, rng)
        self.readings.append(Reading(day, self.odometer, temperature, shown, counts))
        self.states.append(self.packs.state(self.heat()))
        over = np.max((self.packs.volume() - V_LIMIT) / (V_LIMIT - V_NEW))
        may = over > 0 and self.rebuilds == 0 and day < self.span - 90 and day - self.last_act > 40
        # The more so the further it is beyond.
        if may and rng.random() < min(0.7, 0.15 + 3 * over):
            self._push(math.floor(day + rng.uniform(3, 18)) + 0.45, ACT, Act("rebuild"))
            self.rebuilds += 1

    # --- acts

    def act(self, day: float, act: Act) -> None:
        """Let something be done or begin, with its row in the truth and its entry in the log."""
        if act.kind == "mend" and self.causes.supply_loss(day) <= 0:
            return
        if act.kind == "rebuild" and day - self.last_rebuild < REBUILT_DAYS:
            return
        self.last_act = day
        cause = {"unload": "load", "mend": "pressure"}.get(act.kind, act.kind)
        self.truth.append(Done(cause, day, day + act.days if act.slow else None))
        does = {
            "power": self._power,
            "load": self._load,
            "unload": self._unload,
            "fluid": self._fluid,
            "relearn": self._relearn,
            "rebuild": self._rebuild,
            "pressure": self._pressure,
            "mend": self._mend,
        }
        does[act.kind](day, act)

    def _enter(
        self, day: float, kind: str, notes: Sequence[str], amount: float | None = None, unit: str = ""
    ) -> None:
        self.log.append(Entry(day, kind, amount, unit, str(self.rng.choice(notes))))

    def _power(self, day: float, act: Act) -> None:
        rng = self.rng
        share = rng.uniform(0.13, 0.34) * self.design.dial.size
        if rng.random() < 0.25 and not self.packs.sour.any():
            share = -share * 0.8
        self.causes.power = (1 + self.causes.power) * (1 + share) - 1
        notes = ["back to stock file", "torque limited", ""]
        if share > 0:
            self.packs.turn_sour(self.heat())
            notes = ["new calibration", "ECU tune", "bigger turbo fitted", "flash by dealer", ""]
        self._enter(day, "power", notes, round(share * self.peak, -1), "Nm")

    def _load(self, day: float, act: Act) -> None:
        part = self.rng.uniform(0.3, 0.75) * self.design.dial.size
        self.causes.load += part
        self.packs.turn_sour(self.heat())
        notes = ["new trailer", "heavier trailer", "box body", "digger on trailer", ""]
        self._enter(day, "load", notes, round(part * self.mass, -2), "kg")
        if act.off is not None:
            self._push(act.off, ACT, Act("unload", part=part))

    def _unload(self, day: float, act: Act) -> None:
        self.causes.load = max(0.0, self.causes.load - act.part)
        notes = ["trailer returned", "trailer sold", ""]
        self._enter(day, "load", notes, -round(act.part * self.mass, -2), "kg")

    def _fluid(self, day: float, act: Act) -> None:
        rng, whole = self.rng, self.design.dial.size >= 1
        self.causes.fluid_age *= rng.uniform(0, 0.15) if whole else rng.uniform(0.2, 0.5)
        brought = rng.uniform(0.6, 1.2) * (1 if whole else 0.5)
        self.causes.product += brought * 0.6**self.causes.product
        self._enter(day, "fluid", ["fluid and filter", "filter", "flush", "ATF service", ""])

    def _relearn(self, day: float, act: Act) -> None:
        self._clear()
        self._enter(day, "relearn", ["adaptations reset", "battery and relearn", "cleared", ""])

    def _rebuild(self, day: float, act: Act) -> None:
        renewed = self._to_renew()
        self.valves = draw_valves(self.valves, KEPT_AT_REBUILD, self.rng)
        self.packs.renew(renewed, self.duty.use, self.rng)
        self._end_loss(day)
        self._clear()
        self.causes.fluid_age = 0.0
        self.rebuilds, self.last_rebuild = self.rebuilds + 1, day
        names = [pack for pack, new in zip(PACKS, renewed, strict=True) if new]
        which = "all packs" if renewed.all() else " ".join(names)
        self._enter(day, "rebuild", [which, which, ""])

    def _to_renew(self) -> Bools:
        """Choose the packs to be renewed: all or some, and at any rate those that have grown."""
        rng = self.rng
        renewed: Bools = np.ones(5, bool) if rng.random() < 0.5 else rng.random(5) < 0.4
        renewed |= (self.packs.volume() - V_NEW) > 0.3 * (V_LIMIT - V_NEW)
        if not renewed.any():
            renewed[int(rng.integers(5))] = True
        return renewed

    def _pressure(self, day: float, act: Act) -> None:
        rng = self.rng
        kpa = rng.uniform(18, 52) * self.design.dial.size
        if act.slow:
            ramp = Ramp(day, day + act.days, kpa, rng.uniform(1.0, 1.6), len(self.truth) - 1)
            self.causes.ramps.append(ramp)
        else:
            self.causes.supply += kpa
            if rng.random() < 0.3:
                self._enter(day, "other", ["customer says shifts feel different"])
        if act.mend is not None:
            self._push(act.mend, ACT, Act("mend"))

    def _mend(self, day: float, act: Act) -> None:
        self._end_loss(day)
        self._enter(day, "repair", ["regulator valve", "pump", "seal and filter neck"])

    def _clear(self) -> None:
        self.controller.clear(
            self.design.tables.base, self.packs.volume(), self.design.noise.volume, self.rng
        )

    def _end_loss(self, day: float) -> None:
        """Put the supply pressure right; a slow loss that goes on ends here."""
        for ramp in self.causes.ramps:
            done = self.truth[ramp.row]
            if done.until is not None and done.until > day:
                self.truth[ramp.row] = replace(done, until=day)
        self.causes.ramps, self.causes.supply = [], 0.0
