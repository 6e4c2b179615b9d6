"""What each cause does to a transmission's learned values, as families of patterns.

A family says which signals, modes and shifts move together, and how freely; it has no fixed sizes. Sizes
are in multiples of each signal's noise, over a wide mixture of scales, so nothing rests on the numbers of
one transmission type. The structure is common practice in the trade (no source):

- power: apply and release trims and torque cut of all shifts move together, more in some gears;
- load: apply trims and shift time, mostly in the loaded mode, upshifts more than downshifts;
- fluid: apply trims and shift time of all shifts one way; release trims and torque cut hardly;
- pressure: the same amount in pressure units on every shift's apply trim, release in part, torque cut none;
- relearn: everything jumps and is learned back;
- rebuild: a new level for everything, and the renewed packs' volumes fall;
- wear (of one pack): its volume and the apply trims of the shifts that apply it grow;
- unexplained: whatever a change can do, in all cells, one signal, one mode, or the shifts onto one pack.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np

from driftwatch.changes.evidence import Jump, Pattern
from driftwatch.panel.noise import KM, Fleet
from driftwatch.panel.panel import Bools, Cell, Floats, Panel
from driftwatch.profile.model import Profile

SCALES = (1.5, 4.0, 12.0, 30.0)
#: The same of fluid work, which moves values little.
FLUID_SCALES = (0.6, 1.5, 4.0, 12.0)
#: Scales of the second of two causes in one visit against the first; fluid work may be much the smaller one.
SECOND_SHARE = 0.5
SMALL_SHARE = 0.15
#: How far values jump when they are cleared at a rebuild, in multiples of their noise, where nobody knows
#: whereto; and how far trims may miss zero, where they jump to zero.
CLEARED = 6.0
MISSES_ZERO = 1.0
#: How near to where they were values come back after a relearn, in multiples of their noise.
COMES_BACK = 0.5
#: Scales of that: cells that hardly wander come back nearer.
BACK_SCALES = (0.25, 1.0)
#: Share of rebuilds after which trims start from another value than zero.
STARTS_ELSEWHERE = 0.1
#: Room for the cells' own deviations where values were cleared in the same visit, against a change alone.
OWN_WHEN_CLEARED = 0.5
#: How far, as a share of what it had learned, a cleared trim may miss zero.
BASE_SPREAD = 0.15


@dataclass(frozen=True)
class Family:
    """A pattern and the causes it stands for.

    `causes` is empty for patterns that are not changes to report: ageing fluid, and wear that changes its
    rate (which the service forecast follows).
    `share` is the part of the cause's prior odds that this pattern has.
    """

    pattern: Pattern
    causes: tuple[str, ...]
    share: float = 1.0


class _Cells:
    """A panel's cells as arrays, for writing patterns in words."""

    def __init__(self, profile: Profile, cells: tuple[Cell, ...], fleet: Fleet) -> None:
        self.count = len(cells)
        self.signal = np.array([c.signal for c in cells], dtype=object)
        self.mode = np.array([c.mode for c in cells], dtype=object)
        self.channel = np.array([c.channel for c in cells], dtype=object)
        self.applies = np.array([c.applies or "" for c in cells], dtype=object)
        self.up = np.array([bool(c.is_up) for c in cells])
        self.pack = self.signal == "clutch_volume"
        noise = [fleet.noise[c.signal] for c in cells]
        self.sd = np.array([max(n.sd, n.resolution, 1e-9) for n in noise])
        self.allowance = np.array([_allowance(profile, c.channel) if c.mode == "" else 0.0 for c in cells])
        gears = [
            min(profile.shift(c.channel).gears) if not p else 1 for c, p in zip(cells, self.pack, strict=True)
        ]
        gear = np.array(gears, dtype=float)
        top = max(float(gear.max(initial=1.0)), 2.0)
        self.low_gear = np.where(self.pack, 0.0, 1.0 - 2.0 * (gear - 1.0) / (top - 1.0))
        self.loaded = loaded_modes(profile)
        self.everyday = profile.modes[0] if profile.modes else ""

    @cached_property
    def to_zero(self) -> Jump:
        """Clearing by which trims jump to zero, and the others somewhere."""
        trims = self.of("apply_trim", "release_trim")
        return Jump(np.where(trims, MISSES_ZERO, CLEARED) * self.sd, trims.astype(float), BASE_SPREAD)

    @cached_property
    def clearings(self) -> tuple[tuple[str, Jump, float], ...]:
        """Kinds of renewals, with the share of each: trims that jump to zero, or nobody knows where to."""
        anywhere = Jump(CLEARED * self.sd, np.zeros(self.count), 0.0)
        return (
            ("renewal", self.to_zero, 1.0 - STARTS_ELSEWHERE),
            ("renewal elsewhere", anywhere, STARTS_ELSEWHERE),
        )

    @cached_property
    def sudden(self) -> tuple[Family, ...]:
        return _sudden(self)

    @cached_property
    def drifts(self) -> list[Drift]:
        return _drifts(self)

    def of(self, *signals: str) -> Bools:
        return np.isin(self.signal, signals)

    def column(self, weight: Floats | Bools | float, where: Bools | None = None) -> Floats:
        values = np.broadcast_to(np.asarray(weight, dtype=float), (self.count,))
        return np.asarray(values * self.sd * (1.0 if where is None else where))


@lru_cache(maxsize=64)
def _cells_of(profile: Profile, cells: tuple[Cell, ...], fleet: Fleet) -> _Cells:
    """Units with the same cells share their patterns."""
    return _Cells(profile, cells, fleet)


def _allowance(profile: Profile, clutch: str) -> float:
    pack = profile.clutch(clutch)
    if pack.limit_cm3 is None or pack.new_volume_cm3 is None:
        return 0.0
    return max(pack.limit_cm3 - pack.new_volume_cm3, 0.0)


def loaded_modes(profile: Profile) -> tuple[str, ...]:
    """Name the modes that are driven loaded: those called tow or haul, else every mode but the first."""
    modes = profile.modes
    named = tuple(m for m in modes if "tow" in m.lower() or "haul" in m.lower())
    return named or modes[1:] or modes


def families(panel: Panel, fleet: Fleet) -> tuple[Family, ...]:
    """Give every family for one unit's cells; the order is part of the result."""
    cells = _cells_of(panel.profile, panel.cells, fleet)
    span = max(float(panel.odometer_km[-1] - panel.odometer_km[0]) / KM, 0.2)
    drifts = (
        _family(name, "bend", _scaled(parts, 2.0 / span), cells, causes, share)
        for name, parts, causes, share in cells.drifts
    )
    return (*cells.sudden, *drifts)


def _sudden(cells: _Cells) -> tuple[Family, ...]:
    """Families of steps and renewals, which are the same for all units with these cells."""
    power, load, fluid, pressure = _power(cells), _load(cells), _fluid(cells), _pressure(cells)
    return (
        _family("power", "step", power, cells, ("power",)),
        _family("load", "step", load, cells, ("load",)),
        _family("fluid", "step", fluid, cells, ("fluid",), scales=FLUID_SCALES),
        _family("pressure", "step", pressure, cells, ("pressure",), 0.2),
        _family("power+load", "step", _both(power, load), cells, ("power", "load"), 0.3),
        *(
            _family(f"{name}+fluid", "step", _both(larger, fluid, share), cells, (name, "fluid"), prior / 2)
            for name, larger, prior in (("power", power, 1.0), ("load", load, 0.3))
            for share in (SECOND_SHARE, SMALL_SHARE)
        ),
        *_relearn(cells),
        *_rebuild(cells),
        *(
            _cleared_with(name, parts, cells)
            for name, parts in (("power", power), ("load", load), ("fluid", fluid))
        ),
        *_unexplained(cells),
    )


def _cleared_with(name: str, parts: Parts, cells: _Cells) -> Family:
    """Something was done and the learned values were cleared in the same visit.

    With less room for each cell's own deviation, and no largest scale: cells that all moved far, each its own
    way, are a rebuild.
    """
    basis, spread = parts[0], OWN_WHEN_CLEARED * parts[1]
    none = np.zeros(cells.count)
    pattern = Pattern(f"relearn+{name}", "renewal", basis, spread, none, SCALES[:-1], cells.to_zero)
    return Family(pattern, ("relearn", name), 0.5)


Drift = tuple[
    str, "Parts", tuple[str, ...], float
]  # name, parts over the unit's whole history, causes, share


def _drifts(cells: _Cells) -> list[Drift]:
    """Families of drifts, by how far they go over a unit's history."""
    packs = sorted(set(cells.applies[cells.pack | cells.of("apply_trim")]))
    return [
        ("pressure drift", _pressure(cells), ("pressure",), 0.8),
        ("ageing fluid", _fluid(cells), (), 1.0),
        *((f"wear {pack}", _wear(cells, pack), (), 1.0) for pack in packs),
        ("unexplained drift", _everything(cells, cells.column(1.0) > 0), ("unexplained",), 0.1),
    ]


Parts = tuple[Floats, Floats]  # basis (C, R), spread (C,)


def _power(c: _Cells) -> Parts:
    moved = c.of("apply_trim", "release_trim", "torque_cut")
    basis = [c.column(0.85, moved), c.column(0.4 * c.low_gear, moved), c.column(0.6, c.of("shift_time"))]
    basis += [c.column(0.45, c.of(s)) for s in ("apply_trim", "release_trim", "torque_cut")]
    return _stack(basis, c.count), c.column(np.where(moved, 0.35, np.where(c.pack, 0.01, 0.12)))


def _load(c: _Cells) -> Parts:
    weight = np.where(np.isin(c.mode, c.loaded), 1.0, np.where(c.mode == c.everyday, 0.12, 0.35))
    if not np.isin(c.mode, c.loaded).any():
        weight = np.ones(c.count)
    lean = weight * np.where(c.up, 1.0, 0.6)
    moved = c.of("apply_trim", "shift_time")
    basis = [c.column(0.9 * lean, moved), c.column(0.25 * weight * np.where(c.up, 1.0, -1.0), moved)]
    basis += [c.column(0.45 * lean, c.of(s)) for s in ("apply_trim", "shift_time")]
    others = ~np.isin(c.mode, c.loaded)
    basis += [c.column(0.15, moved & others & (c.mode == m)) for m in sorted(set(c.mode[others & ~c.pack]))]
    basis += [c.column(0.3 * weight, c.of("release_trim"))]
    still = np.where(c.pack | c.of("torque_cut"), 0.03, 0.05)
    return _stack(basis, c.count), c.column(np.where(moved, 0.2 * weight, still))


def _fluid(c: _Cells) -> Parts:
    moved = c.of("apply_trim", "shift_time")
    basis = [c.column(0.85, moved)] + [c.column(0.5, c.of(s)) for s in ("apply_trim", "shift_time")]
    basis += [c.column(0.15, c.of("release_trim")), c.column(0.08, c.of("torque_cut"))]
    return _stack(basis, c.count), c.column(np.where(moved, 0.12, 0.05))


def _pressure(c: _Cells) -> Parts:
    apply, release = c.of("apply_trim"), c.of("release_trim")
    sd_apply = c.sd[apply].max(initial=0.0) or 1.0
    joint = np.where(apply, sd_apply, np.where(release, 0.5 * sd_apply, 0.0))
    basis = [joint, np.where(release, 0.25 * sd_apply, 0.0), c.column(0.5, c.of("shift_time"))]
    return _stack(basis, c.count), c.column(
        np.where(apply, 0.15, np.where(release | c.of("shift_time"), 0.15, 0.04))
    )


def _wear(c: _Cells, pack: str) -> Parts:
    trims = c.of("apply_trim") & (c.applies == pack)
    volume = c.pack & (c.channel == pack)
    basis = [c.column(1.0, trims | volume), c.column(0.6, trims), c.column(1.0, volume)]
    basis.append(c.column(0.3, c.of("shift_time") & (c.applies == pack)))
    return _stack(basis, c.count), c.column(np.where(trims, 0.2, 0.05))


def _everything(c: _Cells, where: Bools) -> Parts:
    basis = [c.column(0.8, where & c.of(s)) for s in sorted(set(c.signal)) if (where & c.of(s)).any()]
    return _stack(basis, c.count), c.column(np.where(where, 0.6, 0.03))


def _relearn(c: _Cells) -> tuple[Family, ...]:
    """Values that were cleared come back to where they were; trims start from zero, seldom from elsewhere."""
    shifts, signals = ~c.pack, sorted(set(c.signal[~c.pack]))
    basis = _stack([c.column(COMES_BACK, c.of(s)) for s in signals], c.count)
    spread = c.column(np.where(shifts, COMES_BACK, 0.01))
    none = np.zeros(c.count)
    return tuple(
        Family(
            Pattern("relearn", kind, basis, spread, none, BACK_SCALES, jump, returns=True),
            ("relearn",),
            share,
        )
        for kind, jump, share in c.clearings
    )


#: Drop of the packs' volumes at a rebuild, as shares of the allowance: mean, shared and own spread.
#: Worn packs drop far, packs that were nearly new hardly. With the share of each among rebuilds.
RENEWED = ((-0.3, 0.15, 0.2, 0.55), (-0.06, 0.03, 0.06, 0.44), (0.0, 0.0, 0.01, 0.01))

#: Share of rebuilds of which the clearing is not seen: all was learned again by the next snapshot.
LEARNED_IN = 0.2

#: The same where one pack alone was renewed: mean, spread, and share of each pack among rebuilds.
ONE_RENEWED = (-0.5, 0.25, 0.05)


def _rebuild(c: _Cells) -> list[Family]:
    """New levels everywhere at one of several scales; the packs' volumes fall by part of the allowance.

    Not at the smallest scale: values that were only cleared settle that far from where they were, too.
    """
    made = []
    for scale in SCALES[1:]:
        for mean, shared, own, chance in RENEWED:
            columns = [scale * c.column(0.8, c.of(s)) for s in sorted(set(c.signal[~c.pack]))]
            columns.append(np.where(c.pack, shared * c.allowance, 0.0))
            spread = np.where(c.pack, own * c.allowance, scale * 0.7 * c.sd)
            drop = np.where(c.pack, mean * c.allowance, 0.0)
            basis = _stack(columns, c.count)
            kinds = [(kind, jump, (1.0 - LEARNED_IN) * share) for kind, jump, share in c.clearings]
            for kind, jump, share in [*kinds, ("step", None, LEARNED_IN)]:
                pattern = Pattern("rebuild", kind, basis, np.maximum(spread, 1e-9), drop, (1.0,), jump)
                made.append(Family(pattern, ("rebuild",), share * chance / (len(SCALES) - 1)))
    return made + [_one_renewed(c, pack) for pack in sorted(set(c.channel[c.pack]))]


def _one_renewed(c: _Cells, pack: str) -> Family:
    """One pack alone was renewed: its volume falls far, the shifts onto it get new levels, others hardly."""
    here, onto = c.pack & (c.channel == pack), ~c.pack & (c.applies == pack)
    basis = [
        np.where(here, ONE_RENEWED[1] * c.allowance, 0.0),
        *(c.column(4.0, onto & c.of(s)) for s in sorted(set(c.signal[onto]))),
    ]
    spread = c.column(np.where(onto, 4.0, np.where(c.pack, 0.05, 0.5)))
    drop = np.where(here, ONE_RENEWED[0] * c.allowance, 0.0)
    pattern = Pattern("rebuild", "renewal", _stack(basis, c.count), spread, drop, (1.0,), c.to_zero)
    return Family(pattern, ("rebuild",), ONE_RENEWED[2])


def _unexplained(c: _Cells) -> list[Family]:
    """One family for all cells and one for each signal, mode and pack; they share the prior odds.

    Volumes that alone stand elsewhere from one snapshot to the next are wear that came in a rush: that is no
    finding of its own, as the packs' growth is followed anyway.
    """
    groups: list[tuple[str, Bools]] = [("everywhere", ~c.pack)]
    groups += [(s, c.of(s)) for s in sorted(set(c.signal))]
    groups += [(m, c.mode == m) for m in sorted(set(c.mode[~c.pack]))]
    groups += [(f"onto {p}", ~c.pack & (c.applies == p)) for p in sorted(set(c.applies[~c.pack]))]
    made = []
    for name, where in groups:
        rush = bool((where & c.pack).any())
        called, causes = ("wear in a rush", ()) if rush else (f"unexplained {name}", ("unexplained",))
        made.append(_family(called, "step", _everything(c, where), c, causes, 1.0 / len(groups)))
    return made


def _family(
    name: str,
    kind: str,
    parts: Parts,
    c: _Cells,
    causes: tuple[str, ...],
    share: float = 1.0,
    scales: tuple[float, ...] = SCALES,
) -> Family:
    basis, spread = parts
    return Family(Pattern(name, kind, basis, spread, np.zeros(c.count), scales), causes, share)


def _both(larger: Parts, smaller: Parts, share: float = SECOND_SHARE) -> Parts:
    """Two causes in one visit; the second at a share of the scale of the first."""
    basis = np.concatenate([larger[0], share * smaller[0]], axis=1)
    return basis, np.sqrt(larger[1] ** 2 + (share * smaller[1]) ** 2)


def _scaled(parts: Parts, by: float) -> Parts:
    return parts[0] * by, parts[1] * by


@dataclass(frozen=True)
class SlopeFamilies:
    """What slopes from the first snapshot on may look like: usual, falling pressure, or ageing fluid."""

    usual: Pattern
    pressure: tuple[Pattern, ...]
    ageing: tuple[Pattern, ...]


#: Sizes of unusual drifts, in multiples of the fleet's spread of units' common slopes.
DRIFT_SCALES = (3.0, 8.0, 20.0)


#: Share of the spread of a unit's drift that apply trims, or shift time, have without the other.
AGES_ALONE = 0.5
#: How far the apply trims of a pack's shifts may drift because of its wear, in multiples of what single cells
#: do in the fleet: with its volume, or this much where the volume is not read.
WITH_WEAR_UNREAD = 3.0


def slope_families(panel: Panel, fleet: Fleet, slopes: Floats) -> SlopeFamilies:
    """Give the slope families of one unit's cells, per 10 000 km, shapes (C,).

    `slopes` are the estimates, of which those of the volumes say how far wear reaches into the apply trims: a
    pack that grows as others do moves them no further than usual.
    """
    c = _cells_of(panel.profile, panel.cells, fleet)
    noise = [fleet.noise[cell.signal] for cell in panel.cells]
    mean = np.array([n.slope for n in noise])
    common = np.array([max(n.slope_common_sd, 0.05 * n.sd) for n in noise])
    own = np.array([max(n.slope_sd, 0.05 * n.sd) for n in noise])
    # What drifts in a usual unit is its fluid: apply trims and shift time together, and each a little alone.
    ages = c.of("apply_trim", "shift_time")
    alone = np.where(ages, AGES_ALONE, 1.0)
    columns = [np.where(c.of(s), alone * common, 0.0) for s in sorted(set(c.signal))]
    columns.append(np.where(ages, np.sqrt(1.0 - AGES_ALONE**2) * common, 0.0))
    for pack in sorted(set(c.applies[c.pack | c.of("apply_trim")])):
        trims, volume = c.of("apply_trim") & (c.applies == pack), c.pack & (c.channel == pack)
        grows = WITH_WEAR_UNREAD
        if volume.any():
            grows = float(np.hypot(1.0, (np.abs(slopes - mean) / own)[volume].max()))
        columns += [np.where(trims, grows * own, 0.0), np.where(volume, grows * own, 0.0)]
    usual = _stack(columns, c.count)
    typical = float(np.max(common[c.of("apply_trim")], initial=0.0)) or float(common.max(initial=1.0))
    apply, release = c.of("apply_trim"), c.of("release_trim")
    falling = np.where(apply, 1.0, np.where(release, 0.5, 0.0)) * typical
    partly = np.where(release, 0.25, 0.0) * typical
    old = np.where(ages, common, 0.0)

    def with_drift(scale: float, *drift: Floats) -> Pattern:
        basis = np.concatenate([usual, scale * _stack(list(drift), c.count)], axis=1)
        return Pattern("slopes", "bend", basis, own, mean, (1.0,))

    return SlopeFamilies(
        usual=Pattern("slopes", "bend", usual, own, mean, (1.0,)),
        pressure=tuple(with_drift(s, falling, partly) for s in DRIFT_SCALES),
        ageing=tuple(with_drift(s, old) for s in DRIFT_SCALES),
    )


def _stack(columns: list[Floats], count: int) -> Floats:
    """Columns (count,) side by side; a zero one where the unit has no cells that they could be about."""
    return np.stack(columns, axis=1) if columns else np.zeros((count, 1))
