"""Growth of the five packs on a grid of distance from the first day driven.

With `used` the share of a pack's allowance that is used, d(used)/dkm = rate(km) (1 + hasten used), so that
`used` has a closed form in the integral of the rate, and the distance at which it gets to 1 is exact. There
is one track for each number of acts that lie behind: within it no later act counts.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from tests.bench.dailyworld.acts import Act
from tests.bench.dailyworld.dials import Dial
from tests.bench.dailyworld.draws import factor, factors
from tests.bench.dailyworld.layout import LIMIT_CM3, NEW_CM3, Bools, Floats, Ints
from tests.bench.dailyworld.shared import Shared

GRID_KM = 250.0
#: A limit that lies further ahead than this is not known to be reached.
HORIZON_KM = 400_000.0
#: Distance over which a new pack beds in.
BED_IN_KM = 2500.0
#: Share of the allowance beyond which nothing is left to wear off.
WORN_OUT = 1.4
#: Where a life began that began before the first day.
LONG_AGO_KM = -1e9


@dataclass(frozen=True)
class Hurry:
    """Fast wear of one pack: from some distance on, over a ramp; `act` is the one behind it, or -1."""

    pack: int
    from_km: float
    ramp_km: float
    rate: float
    act: int


@dataclass(frozen=True)
class Packs:
    """What one unit's packs are like, and what happens to them.

    Attributes
    ----------
    acts, act_km
        What happens, and the distance driven by then.
    grid : array (K,)
        Distances, km.
    new : array (5,)
        Volumes at the start of the first life.
    rate, hasten, used, bed_in : array (5,)
        Usual wear a km, by how much it gets faster, share used on the first day, share used by bedding in.
    severity : array (K,)
        Factor on the wear along the way.
    hurries : tuple of Hurry
        Fast wear.
    redraws : array (12, 3, 5)
        What renewed packs are like.

    """

    acts: tuple[Act, ...]
    act_km: tuple[float, ...]
    grid: Floats
    new: Floats
    rate: Floats
    hasten: Floats
    used: Floats
    bed_in: Floats
    severity: Floats
    hurries: tuple[Hurry, ...]
    redraws: Floats


@dataclass(frozen=True)
class Track:
    """The law of wear after some acts: from `from_km` and `used` on, along the integral `way` (K, 5)."""

    grid: Floats
    from_km: float
    used: Floats
    hasten: Floats
    way: Floats
    way_there: Floats
    new: Floats
    life: Ints
    limit_km: Floats


@dataclass(frozen=True)
class Course:
    """Volumes by day: now, at the start of the life, number of the life, distance to the limit; (D, 5)."""

    volume: Floats
    new: Floats
    life: Ints
    remaining_km: Floats


@dataclass(frozen=True)
class _State:
    """What counts after some acts."""

    km: float
    used: Floats
    new: Floats
    rate: Floats
    hasten: Floats
    faster: Floats
    by_load: float
    life: Ints
    begun_km: Floats
    renewed: Bools


def draw_packs(
    shared: Shared,
    dial: Dial,
    km_end: float,
    odometer: float,
    acts: Sequence[Act],
    act_km: Sequence[float],
    rng: np.random.Generator,
) -> Packs:
    """Draw the packs of one unit."""
    grid = np.arange(0.0, km_end + HORIZON_KM + 4 * GRID_KM, GRID_KM)
    new = NEW_CM3 * (1 + rng.normal(0, 0.012, 5))
    rate = shared.duty.wear * factors(rng, 0.4, 5) * factor(rng, 0.25)
    hastens = rng.random(5) < 0.3 * (2 if dial.hard else 1)
    hasten = np.where(hastens, rng.uniform(0.3, 1.2, 5), 1e-6)
    # Severity of duty, in steps of 4000 km.
    knots = rng.normal(0, 0.18, len(grid) // 16 + 3)
    severity = np.exp(np.interp(np.arange(len(grid)) / 16.0, np.arange(len(knots)), knots))
    used = np.minimum(rate * odometer * factors(rng, 0.2, 5), 0.25) + rng.uniform(0.0, 0.02, 5)
    bed_in = rng.uniform(0.006, 0.025, 5)
    hurries: list[Hurry] = []

    def hurry(pack: int, from_km: float, gain: float, act: int) -> None:
        hurries.append(_hurry(pack, from_km, km_end, gain, act, rng))
        if rng.random() < dial.hasten:
            hasten[pack] = rng.uniform(0.8, 3.0)

    what = rng.random()
    if what < 0.11:  # one pack goes off by itself, before or during the record
        pack = int(rng.integers(5))
        from_km = -1.0 if rng.random() < 0.3 else rng.uniform(0.05, 0.75) * km_end
        hurry(pack, from_km, rng.uniform(0.2, 1.25), -1)
        if rng.random() < 0.15:
            hurry(int(rng.integers(5)), rng.uniform(0.0, 0.7) * km_end, rng.uniform(0.15, 0.7), -1)
    elif what < 0.14:  # already well worn, evenly
        pack = int(rng.integers(5))
        used[pack] += rng.uniform(0.2, 0.6)
        rate[pack] *= rng.uniform(1.5, 4.0)
    for i, act in enumerate(acts):
        if act.grow is not None and act.size > 0 and rng.random() < 0.13:
            pack = int(rng.choice(5, p=[0.1, 0.2, 0.3, 0.3, 0.1]))
            hurry(pack, act_km[i], rng.uniform(0.15, 0.9), i)
    return Packs(
        acts=tuple(acts),
        act_km=tuple(act_km),
        grid=grid,
        new=new,
        rate=rate,
        hasten=hasten,
        used=used,
        bed_in=bed_in,
        severity=severity,
        hurries=tuple(hurries),
        redraws=rng.normal(0, 1, (12, 3, 5)),
    )


def _hurry(
    pack: int, from_km: float, km_end: float, gain: float, act: int, rng: np.random.Generator
) -> Hurry:
    """Draw fast wear that uses up about `gain` of the allowance; from before the first day it is whole."""
    there = from_km < 0
    ramp = 1.0 if there else rng.uniform(500, 5000)
    rate = gain / max(km_end - max(from_km, 0.0), 4000.0) * rng.uniform(0.8, 1.2)
    return Hurry(pack, -10.0 if there else from_km, ramp, rate, act)


def with_act(packs: Packs, place: int, act: Act, km: float) -> Packs:
    """Give the packs with one more act, put in at some place."""
    return replace(
        packs,
        acts=(*packs.acts[:place], act, *packs.acts[place:]),
        act_km=(*packs.act_km[:place], km, *packs.act_km[place:]),
        hurries=tuple(replace(h, act=h.act + (h.act >= place)) for h in packs.hurries),
    )


def tracks(packs: Packs) -> list[Track]:
    """Work out the laws of wear after 0, 1, ... acts."""
    fresh = packs.used.max() < 0.02
    state = _State(
        km=0.0,
        used=packs.used,
        new=packs.new,
        rate=packs.rate,
        hasten=packs.hasten,
        faster=np.ones(5),
        by_load=1.0,
        life=np.zeros(5, dtype=np.int64),
        begun_km=np.full(5, 0.0 if fresh else LONG_AGO_KM),
        renewed=np.zeros(5, bool),
    )
    found = [_track(packs, state, 0)]
    for done, km in enumerate(packs.act_km, start=1):
        state = _after(packs, replace(state, km=km, used=used_at(found[-1], km)), done)
        found.append(_track(packs, state, done))
    return found


def _after(packs: Packs, state: _State, done: int) -> _State:
    """Say what the last of some acts changes."""
    act = packs.acts[done - 1]
    if act.cause == "power" and act.grow is not None:
        return replace(state, faster=state.faster * max(act.grow, 0.5))
    if act.cause == "load" and act.grow is not None:
        return replace(state, faster=state.faster * act.grow, by_load=act.grow)
    if act.cause == "load":
        return replace(state, faster=state.faster / state.by_load)
    if act.cause == "rebuild":
        drawn, renew = packs.redraws[done % len(packs.redraws)], act.renew
        return replace(
            state,
            used=np.where(renew, 0.0, state.used),
            new=np.where(renew, NEW_CM3 * (1 + 0.012 * drawn[0]), state.new),
            rate=np.where(renew, packs.rate * np.exp(0.2 * drawn[1]), state.rate),
            hasten=np.where(renew, np.minimum(state.hasten, 0.8), state.hasten),
            life=state.life + renew,
            begun_km=np.where(renew, state.km, state.begun_km),
            renewed=state.renewed | renew,
        )
    return state


def _track(packs: Packs, state: _State, done: int) -> Track:
    rate = _rate_along(packs, state, done)
    way = np.vstack([np.zeros(5), np.cumsum((rate[1:] + rate[:-1]) / 2 * GRID_KM, axis=0)])
    there = np.array([np.interp(state.km, packs.grid, way[:, p]) for p in range(5)])
    hasten = state.hasten
    to_go = np.log((1 + hasten) / (1 + hasten * np.minimum(state.used, 1))) / hasten + there
    hit = np.array([np.interp(to_go[p], way[:, p], packs.grid, right=np.inf) for p in range(5)])
    return Track(packs.grid, state.km, state.used, hasten, way, there, state.new, state.life, hit)


def _rate_along(packs: Packs, state: _State, done: int) -> Floats:
    """Give the wear a km along the whole grid, as if nothing more were to happen; (K, 5)."""
    km = packs.grid[:, None]
    rate = np.tile(state.rate * state.faster, (len(packs.grid), 1))
    acts = packs.acts
    unloaded = {
        i
        for i in range(done)
        if acts[i].cause == "load"
        and acts[i].size > 0
        and any(b.cause == "load" and b.size < 0 for b in acts[i + 1 : done])
    }
    for h in packs.hurries:
        if h.act < done and not state.renewed[h.pack]:
            part = (0.3 if h.act in unloaded else 1.0) * h.rate
            rate[:, h.pack] += part * np.clip((packs.grid - h.from_km) / h.ramp_km, 0, 1)
    rate = rate * packs.severity[:, None]
    bedding = packs.bed_in / BED_IN_KM * np.exp(-np.maximum(km - state.begun_km, 0) / BED_IN_KM)
    rate += np.where(km >= state.begun_km, bedding, 0.0) * (state.begun_km > LONG_AGO_KM)
    return np.asarray(rate)


def used_at(track: Track, km: float | Floats) -> Floats:
    """Give the share of the allowance that is used at some distance or distances; (5,) or (D, 5)."""
    there = np.stack(
        [np.interp(np.asarray(km, float), track.grid, track.way[:, p]) for p in range(5)], axis=-1
    )
    grown = np.exp(np.minimum(track.hasten * (there - track.way_there), 20))
    return np.asarray(np.minimum(((1 + track.hasten * track.used) * grown - 1) / track.hasten, WORN_OUT))


def follow(laws: Sequence[Track], km: Floats, done: Ints) -> Course:
    """Follow the packs over some distances, with so many acts behind at each."""
    volume, new, remaining = np.empty((len(km), 5)), np.empty((len(km), 5)), np.empty((len(km), 5))
    life = np.empty((len(km), 5), dtype=np.int64)
    for number, law in enumerate(laws):
        here = done == number
        if not here.any():
            continue
        used = used_at(law, km[here])
        volume[here] = law.new + used * (LIMIT_CM3 - law.new)
        new[here], life[here] = law.new, law.life
        left = law.limit_km - km[here][:, None]
        ahead = np.where(left > HORIZON_KM, np.inf, np.maximum(left, 0.0))
        remaining[here] = np.where(used >= 1, 0.0, ahead)
    return Course(volume, new, life, remaining)
