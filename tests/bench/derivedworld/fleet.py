"""A fleet of the derived world: its files as frames, and the truth about it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass

import numpy as np
import pandas as pd
from pandas.api.typing import NaTType

from driftwatch.profile.load import builtin
from tests.bench.derivedworld.arrangement import (
    CELL_CHANNEL,
    CELL_MODE,
    CELL_SIGNAL,
    PACKS,
    PROFILE,
)
from tests.bench.derivedworld.design import Design, draw_design
from tests.bench.derivedworld.dials import DIALS
from tests.bench.derivedworld.plans import Plan, make_plans
from tests.bench.derivedworld.told import Logged, Told, keep_log, tell
from tests.bench.derivedworld.unit import Unit
from tests.bench.derivedworld.wear import PACK_STATE, remaining_km
from tests.bench.otherworld import OtherFleet

Time = pd.Timestamp | NaTType


@dataclass(frozen=True)
class _Story:
    """One unit as it was, as it was read, and as it was logged."""

    unit: Unit
    in_service_on: Time
    told: Told
    log: list[Logged]


def make_fleet(units: int, seed: int, difficulty: str) -> OtherFleet:
    """Make a fleet of the profile generic-6; the same arguments give the same fleet.

    Parameters
    ----------
    units : int
        How many; roles are dealt to the fleet as a whole, so a unit depends on how many there are.
    seed : int
        Fixes every draw.
    difficulty : str
        A key of `DIALS`.

    Returns
    -------
    OtherFleet
        `truth` has the columns `unit`, `cause`, `at` and `until`, without rows for wear, which is read from
        `packs`: `unit`, `clutch`, `life`, `taken_at`, `volume_cm3` (true), `limit_cm3`, `remaining_km` (0 if
        reached; infinite if not within 400 000 km).

    """
    root = np.random.SeedSequence([int(seed), sorted(DIALS).index(difficulty)])
    for_design, for_plans, for_units = root.spawn(3)
    design = draw_design(DIALS[difficulty], np.random.default_rng(for_design))
    plans = make_plans(units, design.dial, np.random.default_rng(for_plans))
    stories = [
        _live(design, plan, f"U{n:03d}", np.random.default_rng(own))
        for n, (plan, own) in enumerate(zip(plans, for_units.spawn(units), strict=True), start=1)
    ]
    frame = pd.DataFrame(
        {
            "unit": [s.unit.name for s in stories],
            "profile": PROFILE,
            "in_service_on": _times([s.in_service_on for s in stories]),
            "site": "",
            "note": "invented",
        }
    )
    columns = ["unit", "happened_at", "kind", "amount", "amount_unit", "note"]
    events = pd.DataFrame([asdict(line) for s in stories for line in s.log], columns=columns)
    events["happened_at"] = _times(events["happened_at"].tolist())
    events["amount"] = events["amount"].astype(float)
    return OtherFleet(
        units=frame,
        snapshots=pd.concat([_snapshots(s) for s in stories], ignore_index=True),
        events=events,
        truth=pd.concat([_truth(s.unit) for s in stories], ignore_index=True),
        packs=_packs(stories),
        profiles={PROFILE: builtin(PROFILE)},
    )


def _live(design: Design, plan: Plan, name: str, rng: np.random.Generator) -> _Story:
    unit = Unit(design, rng, plan, name).run()
    days = int(unit.readings[0].odometer / unit.duty.km_day * rng.uniform(0.8, 1.2))
    served = unit.epoch - pd.Timedelta(days=days)
    known = rng.random() < 0.7
    told = tell(unit)
    return _Story(unit, served.normalize() if known else pd.NaT, told, keep_log(unit))


def _times(times: Sequence[Time]) -> pd.Series[pd.Timestamp]:
    return pd.Series(list(times), dtype="datetime64[ns]")


def _taken_at(story: _Story) -> pd.Series[pd.Timestamp]:
    return _times([story.unit.when(day) for day in story.told.days])


def _snapshots(story: _Story) -> pd.DataFrame:
    """Lay the readings out in long form, without what was not read."""
    told = story.told
    row, cell = np.nonzero(told.there)
    return pd.DataFrame(
        {
            "unit": story.unit.name,
            "taken_at": _taken_at(story).to_numpy()[row],
            "odometer_km": told.odometer[row],
            "fluid_temp_c": told.temperature[row],
            "mode": CELL_MODE[cell],
            "channel": CELL_CHANNEL[cell],
            "signal": CELL_SIGNAL[cell],
            # Adding nought makes of a negative nought a plain one.
            "value": np.round(told.values[row, cell], 3) + 0.0,
            "learn_count": told.counts[row, cell],
        }
    )


def _truth(unit: Unit) -> pd.DataFrame:
    done = sorted(unit.truth, key=lambda d: d.day)
    return pd.DataFrame(
        {
            "unit": pd.Series([unit.name] * len(done), dtype=str),
            "cause": pd.Series([d.cause for d in done], dtype=str),
            "at": _times([unit.when(d.day) for d in done]),
            "until": _times([pd.NaT if d.until is None else unit.when(d.until) for d in done]),
        }
    )


def _packs(stories: list[_Story]) -> pd.DataFrame:
    """Give the true state of every pack at each reading."""
    states = pd.concat(
        [
            pd.DataFrame(np.concatenate(s.unit.states), columns=list(PACK_STATE)).assign(
                unit=s.unit.name,
                clutch=PACKS * len(s.unit.states),
                taken_at=np.repeat(_taken_at(s).to_numpy(), len(PACKS)),
            )
            for s in stories
        ],
        ignore_index=True,
    )
    states = states.assign(life=states["life"].astype(int), remaining_km=remaining_km(states))
    return states[["unit", "clutch", "life", "taken_at", "volume_cm3", "limit_cm3", "remaining_km"]]
