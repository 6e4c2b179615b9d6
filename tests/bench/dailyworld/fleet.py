"""A fleet of the daily world: its files as frames, and the truth about it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from driftwatch.profile.load import builtin
from tests.bench.dailyworld.acts import Act, acts_done, draw_act, plan_acts
from tests.bench.dailyworld.calendar import Driving, draw_driving, draw_readings
from tests.bench.dailyworld.controller import (
    learn,
    learned_before,
    share_closed,
    shifts_to_learn,
    with_wander,
)
from tests.bench.dailyworld.dials import DIALS, Dial
from tests.bench.dailyworld.layout import (
    BURN_IN,
    CELLS,
    LIMIT_CM3,
    MODES,
    NEW_CM3,
    PACKS,
    SHIFTS,
    SIGNALS,
    Ints,
)
from tests.bench.dailyworld.log import Entry, draw_log
from tests.bench.dailyworld.needs import draw_needs
from tests.bench.dailyworld.readout import read_out
from tests.bench.dailyworld.shared import Shared, draw_shared
from tests.bench.dailyworld.slips import Sheet, written
from tests.bench.dailyworld.use import draw_counts, resets
from tests.bench.dailyworld.wearing import Course, Packs, draw_packs, follow, tracks, with_act
from tests.bench.otherworld import OtherFleet

PROFILE = "generic-6"
#: Share of its allowance at which a pack draws attention to itself.
NOTICED = 0.9
_LAID_OUT = [(signal, shift, mode) for signal in SIGNALS for shift in SHIFTS for mode in MODES]
_LAID_OUT += [("clutch_volume", pack, "") for pack in PACKS]


@dataclass(frozen=True)
class _Told:
    """One unit, as it was and as it was read."""

    name: str
    driving: Driving
    acts: list[Act]
    at: Ints
    times: pd.DatetimeIndex
    course: Course
    sheet: Sheet
    in_service_on: pd.Timestamp | None
    entries: list[Entry]


def make_fleet(units: int, seed: int, difficulty: str) -> OtherFleet:
    """Make a fleet of `generic-6`; the same arguments give the same fleet.

    Parameters
    ----------
    units : int
        How many; a unit does not depend on how many others there are.
    seed : int
        Fixes every draw.
    difficulty : str
        A key of `DIALS`.

    Returns
    -------
    OtherFleet
        `truth` has the columns `unit`, `cause`, `at`, `until` (end of a slow loss of pressure, else NaT), and
        no rows for wear; `packs` has no odometer and no used share. Hard fleets contain odometers and values
        that were mistyped.

    """
    dial = DIALS[difficulty]
    shared = draw_shared(dial, np.random.default_rng([seed, dial.code, 0]))
    told = [
        _tell(f"U{n:04d}", shared, dial, np.random.default_rng([seed, dial.code, n]))
        for n in range(1, units + 1)
    ]
    return OtherFleet(
        units=_units(told),
        snapshots=pd.concat([_snapshots(t) for t in told], ignore_index=True),
        events=_events(told),
        truth=_truth(told),
        packs=pd.concat([_packs(t) for t in told], ignore_index=True),
        profiles={PROFILE: builtin(PROFILE)},
    )


def _tell(name: str, shared: Shared, dial: Dial, rng: np.random.Generator) -> _Told:
    driving = draw_driving(shared, rng)
    planned = plan_acts(dial, driving.days, float(driving.driven[-1]), rng)
    packs = _noticed(dial, driving, _own_packs(shared, dial, driving, planned, rng), rng)
    acts = list(packs.acts)
    course = follow(tracks(packs), driving.driven, acts_done(acts, driving.days))
    needs = draw_needs(shared, driving, acts, course, rng)
    counts = draw_counts(shared, driving, acts, needs.load, rng)
    at = draw_readings(dial, driving.days, acts, rng)
    asked = with_wander(needs.asked, shared.noise, rng)
    closed = share_closed(counts, shifts_to_learn(shared.duty.shifts_to_learn))
    start, cleared = learned_before(needs, counts, acts), resets(acts)
    learned = learn(start, asked, closed, needs.base, needs.asked[:, CELLS:], cleared)
    read = read_out(shared, driving, needs, learned, counts, at, cleared, rng)
    times = pd.DatetimeIndex(
        [
            driving.day(day) + pd.Timedelta(minutes=int(minutes))
            for day, minutes in zip(at, rng.integers(14 * 60, 20 * 60, len(at)), strict=True)
        ]
    )
    sheet = written(shared, dial, read, np.round(driving.odometer + driving.driven[at]), rng)
    born = driving.day(BURN_IN) - pd.Timedelta(days=int(driving.odometer / driving.usual_km))
    in_service_on = born if rng.random() < 0.75 else None
    entries = draw_log(shared.duty, dial, acts, driving.days, rng)
    return _Told(name, driving, acts, at, times, course, sheet, in_service_on, entries)


def _own_packs(
    shared: Shared, dial: Dial, driving: Driving, acts: list[Act], rng: np.random.Generator
) -> Packs:
    km_end = float(driving.driven[-1])
    act_km = [driving.before(a.day) for a in acts]
    return draw_packs(shared, dial, km_end, driving.odometer, acts, act_km, rng)


def _noticed(dial: Dial, driving: Driving, packs: Packs, rng: np.random.Generator) -> Packs:
    """Rebuild a unit with a pack near its limit, some of the time, if it is not rebuilt anyway."""
    acts = list(packs.acts)
    if any(a.cause == "rebuild" for a in acts) or rng.random() >= 0.45:
        return packs
    days = driving.days
    mornings = np.r_[0.0, driving.driven[:-1]]
    volume = follow(tracks(packs), mornings, acts_done(acts, days)).volume
    allowance = LIMIT_CM3 - NEW_CM3
    over = np.flatnonzero((volume >= LIMIT_CM3 - (1 - NOTICED) * allowance).any(axis=1))
    if not len(over):
        return packs
    day = int(over[0] + rng.uniform(20, 160))
    if not BURN_IN + 60 < day < BURN_IN + 0.93 * (days - BURN_IN):
        return packs
    act = draw_act(dial, "rebuild", day, rng)
    renew = volume[day] > NEW_CM3 + 0.6 * allowance
    act = replace(act, renew=act.renew | renew)
    return with_act(packs, sum(a.day <= day for a in acts), act, driving.before(day))


def _units(told: list[_Told]) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "unit": [t.name for t in told],
            "profile": PROFILE,
            "in_service_on": pd.Series([t.in_service_on for t in told], dtype="datetime64[ns]"),
            "site": "",
            "note": "",
        }
    )


def _snapshots(told: _Told) -> pd.DataFrame:
    """Lay the readings out in long form, without what was not read."""
    sheet = told.sheet
    row, cell = np.nonzero(sheet.kept)
    signal, channel, mode = (np.array(names, dtype=object)[cell] for names in zip(*_LAID_OUT, strict=True))
    return pd.DataFrame(
        {
            "unit": told.name,
            "taken_at": told.times.to_numpy()[row].astype("datetime64[ns]"),
            "odometer_km": sheet.odometer[row],
            "fluid_temp_c": sheet.temperature[row],
            "mode": mode,
            "channel": channel,
            "signal": signal,
            "value": sheet.values[row, cell],
            "learn_count": sheet.counts[row, cell],
        }
    )


def _packs(told: _Told) -> pd.DataFrame:
    at, wide = told.at, len(PACKS)
    return pd.DataFrame(
        {
            "unit": told.name,
            "clutch": list(PACKS) * len(at),
            "life": told.course.life[at].ravel(),
            "taken_at": np.repeat(told.times.to_numpy(), wide).astype("datetime64[ns]"),
            "volume_cm3": told.course.volume[at].ravel(),
            "limit_cm3": np.tile(LIMIT_CM3, len(at)),
            "remaining_km": np.round(told.course.remaining_km[at].ravel(), 1),
        }
    )


def _events(told: list[_Told]) -> pd.DataFrame:
    rows = [
        (t.name, t.driving.day(e.day), e.kind, e.amount, e.amount_unit, e.note)
        for t in told
        for e in t.entries
    ]
    columns = ["unit", "happened_at", "kind", "amount", "amount_unit", "note"]
    return pd.DataFrame(rows, columns=columns).astype({"happened_at": "datetime64[ns]", "amount": float})


def _truth(told: list[_Told]) -> pd.DataFrame:
    rows = [(t.name, a.cause, t.driving.day(a.day), _until(t.driving, a)) for t in told for a in t.acts]
    frame = pd.DataFrame(rows, columns=["unit", "cause", "at", "until"])
    return frame.astype({"at": "datetime64[ns]", "until": "datetime64[ns]"})


def _until(driving: Driving, act: Act) -> pd.Timestamp | None:
    """Give the end of a slow loss of pressure."""
    if act.span_km == 0:
        return None
    reached = int(np.searchsorted(driving.driven, driving.before(act.day) + act.span_km))
    return driving.day(min(reached, driving.days - 1))
