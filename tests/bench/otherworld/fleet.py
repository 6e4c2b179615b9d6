"""A fleet of the other world: its files as frames, and the truth about it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from driftwatch.profile.load import builtin
from driftwatch.profile.model import Profile
from tests.bench.otherworld.calendar import EPOCH, Driving, draw_driving, draw_readings, draw_warmth
from tests.bench.otherworld.controller import ReadOut, read_out
from tests.bench.otherworld.dials import DIALS, Dial
from tests.bench.otherworld.needs import daily_needs
from tests.bench.otherworld.story import Deed, draw_deeds, draw_log
from tests.bench.otherworld.trouble import Gaps, fleet_gaps, unit_gaps, with_slips
from tests.bench.otherworld.wearing import Volumes, grow, remaining_km
from tests.bench.otherworld.world import (
    KINDS,
    Floats,
    Ints,
    Layout,
    World,
    draw_gearbox,
    draw_world,
    layout,
)

#: Growth that makes a finding of wear, as a share of the allowance at the start of the life.
WEAR_SHARE = 0.3


@dataclass(frozen=True)
class OtherFleet:
    """A fleet in the forms of the contract, with the truth.

    Attributes
    ----------
    units, snapshots, events : DataFrame
        As files would have them; `snapshots` in long form, sorted by unit and time.
    truth : DataFrame
        One row a cause: `unit`, `cause`, `at`, `until` (end of a slow loss, or of the life of a worn pack;
        NaT for a step or where it goes on), `clutch` ("" except for wear), `size`, `logged`. A wear row
        begins on the day on which 30 % of the allowance was used up by growth since the first snapshot
        of that life.
    packs : DataFrame
        One row a unit, clutch and snapshot: `unit`, `clutch`, `taken_at`, `odometer_km`, `life`,
        `volume_cm3` (true), `limit_cm3`, `used` (share of the allowance since the first snapshot of the
        life), `remaining_km` (0 if reached; infinite if not within 300 000 km).
    profiles : dict
        The profile, by name.

    """

    units: pd.DataFrame
    snapshots: pd.DataFrame
    events: pd.DataFrame
    truth: pd.DataFrame
    packs: pd.DataFrame
    profiles: dict[str, Profile]


@dataclass(frozen=True)
class _Told:
    """One unit, as it was and as it was read."""

    name: str
    driving: Driving
    at: Ints
    deeds: list[Deed]
    volumes: Volumes
    shown: ReadOut
    warmth: Floats
    gaps: Gaps
    events: list[dict[str, object]]
    logged: list[bool]


def make_fleet(profile: str, units: int, seed: int, difficulty: str | Dial) -> OtherFleet:
    """Make a fleet; the same arguments give the same fleet.

    Parameters
    ----------
    profile : str
        Name of a built-in profile with the five usual signals.
    units : int
        How many; a unit does not depend on how many others there are.
    seed : int
        Fixes every draw.
    difficulty : str or Dial
        A key of `DIALS`, or settings of one's own.

    """
    kind, dial = builtin(profile), DIALS[difficulty] if isinstance(difficulty, str) else difficulty
    cells = layout(kind)
    rng = np.random.default_rng([seed, 0])
    world, lacks = draw_world(kind, rng), fleet_gaps(cells, dial, rng)
    told = [
        _tell(f"V{n:04d}", cells, world, lacks, dial, np.random.default_rng([seed, n]))
        for n in range(1, units + 1)
    ]
    frame = pd.DataFrame(
        {
            "unit": [t.name for t in told],
            "profile": profile,
            "in_service_on": [pd.Timestamp(EPOCH) - pd.Timedelta(days=400) for _ in told],
            "site": "",
            "note": "invented",
        }
    )
    snapshots = pd.concat([_snapshots(t, cells, dial, seed) for t in told], ignore_index=True)
    for column in ("unit", "mode", "channel", "signal"):
        snapshots[column] = snapshots[column].astype("category")
    events = pd.DataFrame(
        [e for t in told for e in t.events],
        columns=["unit", "happened_at", "kind", "amount", "amount_unit", "note"],
    )
    events["happened_at"] = pd.to_datetime(events["happened_at"])
    events["amount"] = events["amount"].astype(float)
    packs = pd.concat([_packs(t, kind) for t in told], ignore_index=True)
    truth = pd.concat([_truth(t, kind) for t in told], ignore_index=True)
    return OtherFleet(frame, snapshots, events, truth, packs, {kind.name: kind})


def _tell(name: str, cells: Layout, world: World, lacks: Gaps, dial: Dial, rng: np.random.Generator) -> _Told:
    driving = draw_driving(dial, rng)
    deeds = draw_deeds(cells.profile, dial, driving.days, rng)
    entries, logged = draw_log(deeds, dial, driving.days, rng)
    tows = any(d.cause == "load" for d in deeds)
    towing = rng.uniform(0.15, 0.5) if tows else rng.choice([0.01, rng.uniform(0.05, 0.45)], p=[0.2, 0.8])
    box = draw_gearbox(cells, world, float(towing), rng)
    visits = sorted({d.day for d in deeds if d.cause not in ("wear", "pressure")})
    at = draw_readings(dial, driving.days, visits, rng)
    warmth = draw_warmth(at, driving.first, rng)
    volumes = grow(cells.profile, driving, deeds, rng)
    needs = daily_needs(cells, world, box, driving, deeds, volumes, dial.noise, rng)
    shown = read_out(cells, box, driving, deeds, needs, volumes, at, warmth, dial.noise, rng)
    events: list[dict[str, object]] = [
        {
            "unit": name,
            "happened_at": _day(driving, e.day),
            "kind": e.kind,
            "amount": e.amount,
            "amount_unit": e.amount_unit,
            "note": "",
        }
        for e in entries
    ]
    return _Told(
        name, driving, at, deeds, volumes, shown, warmth, unit_gaps(cells, lacks, dial, rng), events, logged
    )


def _day(driving: Driving, day: int) -> pd.Timestamp:
    return pd.Timestamp(EPOCH) + pd.Timedelta(days=driving.first + day)


def _times(told: _Told) -> pd.DatetimeIndex:
    """Readings are taken in working hours, at a time that depends on nothing but the day."""
    minutes = 480 + (told.at * 97) % 540
    days = pd.to_datetime(EPOCH + told.driving.first + told.at)
    return pd.DatetimeIndex(days + pd.to_timedelta(minutes, unit="min"))


def _snapshots(told: _Told, cells: Layout, dial: Dial, seed: int) -> pd.DataFrame:
    """Lay the readings out in long form, without what was not read."""
    rng = np.random.default_rng([seed, int(told.name[1:]), 1])
    profile = cells.profile
    kept = ~told.gaps.cells
    packs = 0 if told.gaps.volumes else len(profile.clutches)
    names = {
        "mode": [""] * packs + [profile.modes[m] for m in cells.mode[kept]],
        "channel": [c.id for c in profile.clutches][:packs]
        + [profile.shifts[s].id for s in cells.shift[kept]],
        "signal": ["clutch_volume"] * packs + [KINDS[k] for k in cells.kind[kept]],
    }
    values = np.hstack([told.shown.volumes[:, :packs], told.shown.values[:, kept]])
    counts = np.hstack([told.shown.volume_counts[:, :packs], told.shown.counts[:, kept]])
    signals = [profile.signal(s) for s in names["signal"]]
    lower = np.array([s.lower for s in signals], dtype=float)
    upper = np.array([s.upper for s in signals], dtype=float)
    step = np.array([s.resolution for s in signals], dtype=float)
    values = with_slips(values, lower, upper, step, dial.slips, rng)
    if told.gaps.counts:
        counts = np.full_like(counts, np.nan)
    rows, width = values.shape
    warmth = np.full(rows, np.nan) if told.gaps.temperature else np.round(told.warmth, 1)
    frame = pd.DataFrame(
        {
            "unit": told.name,
            "taken_at": np.repeat(_times(told).to_numpy(), width),
            "odometer_km": np.repeat(np.round(told.driving.odometer[told.at]), width),
            **{name: texts * rows for name, texts in names.items()},
            "value": values.ravel(),
            "fluid_temp_c": np.repeat(warmth, width),
            "learn_count": counts.ravel(),
        }
    )
    return frame[rng.random(len(frame)) >= dial.unread] if dial.unread > 0 else frame


def _packs(told: _Told, profile: Profile) -> pd.DataFrame:
    volumes, at = told.volumes, told.at
    wide = len(profile.clutches)
    used = _used(volumes.path[at], volumes.life[at], volumes.path[at], volumes.life[at], volumes.limit)
    return pd.DataFrame(
        {
            "unit": told.name,
            "clutch": [c.id for c in profile.clutches] * len(at),
            "taken_at": np.repeat(_times(told).to_numpy(), wide),
            "odometer_km": np.repeat(told.driving.odometer[at], wide),
            "life": volumes.life[at].ravel(),
            "volume_cm3": volumes.path[at].ravel(),
            "limit_cm3": np.tile(volumes.limit, len(at)),
            "used": used.ravel(),
            "remaining_km": remaining_km(volumes, at).ravel(),
        }
    )


def _used(path: Floats, life: Ints, read: Floats, read_life: Ints, limit: Floats) -> Floats:
    """Share of the allowance used since the first snapshot of each life; 0 before that snapshot."""
    used = np.zeros_like(path)
    for pack in range(path.shape[1]):
        for number in np.unique(read_life[:, pack]):
            first = read[read_life[:, pack] == number, pack][0]
            own = life[:, pack] == number
            used[own, pack] = (path[own, pack] - first) / (limit[pack] - first)
    return np.maximum(used, 0.0)


def _truth(told: _Told, profile: Profile) -> pd.DataFrame:
    """Rows for what was done, and for the packs that have used up their share."""
    rows: list[dict[str, object]] = []
    for deed, logged in zip(told.deeds, told.logged, strict=True):
        if deed.cause != "wear":
            until = _day(told.driving, deed.day + deed.ramp_days) if deed.ramp_days else pd.NaT
            rows.append(_row(told, deed.cause, deed.day, until, "", deed.size, logged))
    rows += _worn(told, profile)
    columns = ["unit", "cause", "at", "until", "clutch", "size", "logged"]
    frame = pd.DataFrame(rows, columns=columns).sort_values("at", kind="stable")
    return frame.astype({"at": "datetime64[us]", "until": "datetime64[us]", "logged": bool, "size": float})


def _worn(told: _Told, profile: Profile) -> list[dict[str, object]]:
    volumes, at = told.volumes, told.at
    used = _used(volumes.path, volumes.life, volumes.path[at], volumes.life[at], volumes.limit)
    rows = []
    for pack, clutch in enumerate(profile.clutches):
        for number in np.unique(volumes.life[:, pack]):
            days = np.flatnonzero(volumes.life[:, pack] == number)
            over = days[used[days, pack] >= WEAR_SHARE]
            if len(over):
                ended = days[-1] < told.driving.days - 1
                until = _day(told.driving, int(days[-1])) if ended else pd.NaT
                size = float(used[days[-1], pack])
                rows.append(_row(told, "wear", int(over[0]), until, clutch.id, size, False))
    return rows


def _row(
    told: _Told, cause: str, day: int, until: object, clutch: str, size: float, logged: bool
) -> dict[str, object]:
    return {
        "unit": told.name,
        "cause": cause,
        "at": _day(told.driving, day),
        "until": until,
        "clutch": clutch,
        "size": size,
        "logged": logged,
    }
