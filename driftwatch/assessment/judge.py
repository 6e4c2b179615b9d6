"""What is worked out of each unit: its own part of the walk, the same on whatever day it is told."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from driftwatch.causes.drift import pressure_drift, pressure_from_start
from driftwatch.causes.identify import drift_finding, explain_changes
from driftwatch.causes.learned import Logged, learn_from_log, with_learned
from driftwatch.causes.prior import log_prior
from driftwatch.causes.results import CauseFinding
from driftwatch.causes.signatures import families, slope_families
from driftwatch.changes.design import build_design
from driftwatch.changes.fit import fit_unit, slope_effects
from driftwatch.changes.results import UnitFit
from driftwatch.changes.search import search
from driftwatch.panel.copies import first_alike, told_once
from driftwatch.panel.faults import disturbance_proportion, without_faults
from driftwatch.panel.fleet import fit_fleet
from driftwatch.panel.noise import Fleet
from driftwatch.panel.panel import Bools, Floats, Misnoted, Panel
from driftwatch.service.growth import RatePrior
from driftwatch.service.outlook import Life, fleet_rates, forecasts
from driftwatch.service.results import PackForecast
from driftwatch.settings import Settings

#: Log posterior odds that a change needs, at a false-alarm rate of 0.05 a unit; see docs/statistics.md.
THRESHOLD_AT_5_PERCENT = 3.5
#: A drop of a pack's volume by this share of its allowance, and this many standard errors, is a new life.
NEW_LIFE_SHARE = 0.15
#: The same at a change that is probably a rebuild.
REBUILT_SHARE = 0.03
NEW_LIFE_SES = 4.0
#: What is said in the same visit as a rebuild is part of it, whatever the log says.
PART_OF_REBUILD = ("relearn", "unexplained")


@dataclass(frozen=True)
class FleetQuantities:
    """What is learned from the whole fleet before any unit is judged.

    Attributes
    ----------
    rough : Fleet
        The noise with slips and disturbances in it, by which these are found.
    disturbance : dict
        Signal -> how a disturbance of a whole snapshot moves it.
    fleet : Fleet
        The noise without them.
    rates : dict
        Profile -> pack -> prior of its growth.
    logged : dict
        Profile -> what the log says: what logged work did, and how often entries are right.

    """

    rough: Fleet
    disturbance: dict[str, float]
    fleet: Fleet
    rates: dict[str, dict[str, RatePrior]]
    logged: dict[str, Logged]


@dataclass(frozen=True)
class Judged:
    """What was worked out of one unit.

    Attributes
    ----------
    usable, slips : array (T, C) of bool
        As in `Panel`, with suspected slips found.
    disturbance : array (T, C) or None
    misnoted : tuple of Misnoted
        As in `Panel`.
    fit : UnitFit or None
        None where there are too few readings.
    causes : tuple of CauseFinding
    packs : tuple of PackForecast

    """

    usable: Bools
    slips: Bools
    disturbance: Floats | None
    misnoted: tuple[Misnoted, ...]
    fit: UnitFit | None = None
    causes: tuple[CauseFinding, ...] = ()
    packs: tuple[PackForecast, ...] = ()

    def seen(self, panel: Panel) -> Panel:
        """Give the unit's panel with what was found of slips, disturbances and units of measure."""
        found = {name: getattr(self, name) for name in ("usable", "slips", "disturbance", "misnoted")}
        return replace(panel, **found)


def learn_fleet(panels: list[Panel], settings: Settings) -> FleetQuantities:
    """Learn from all units together: noise, wear rates, and for each profile what logged work did."""
    panels = [told_once(panel, first_alike(panel)) for panel in panels]
    rough = fit_fleet(panels, settings.shifts_to_learn)
    disturbance = disturbance_proportion(panels, rough)
    clean = [without_faults(panel, rough, disturbance) for panel in panels]
    fleet = fit_fleet(clean, settings.shifts_to_learn)
    names = sorted({p.profile.name for p in clean})
    logged = {n: learn_from_log([p for p in clean if p.profile.name == n], fleet) for n in names}
    return FleetQuantities(rough, disturbance, fleet, fleet_rates(clean), logged)


def judge_unit(panel: Panel, known: FleetQuantities, settings: Settings) -> Judged:
    """Work out one unit: a pure function of its panel, the fleet quantities and the settings."""
    whole, first = panel, first_alike(panel)
    panel = without_faults(told_once(panel, first), known.rough, known.disturbance)
    slips = panel.slips[:, first]
    usable = whole.usable & ~slips
    if most_readings(panel) < settings.least_snapshots:
        return Judged(usable, slips, panel.disturbance, panel.misnoted)
    design = build_design(panel, known.fleet)
    logged = known.logged[panel.profile.name]
    signatures = with_learned(families(panel, known.fleet), panel, known.fleet, logged.signatures)
    patterns = tuple(f.pattern for f in signatures)
    prior = log_prior(panel, signatures, settings.event_slack_days, logged.right)
    threshold = THRESHOLD_AT_5_PERCENT + float(np.log(0.05 / settings.false_alarm_rate))
    found = search(design, patterns, prior, threshold)
    fit = fit_unit(panel, design, patterns, found, known.fleet)
    slack, least = settings.event_slack_days, settings.least_probability
    causes = explain_changes(panel, signatures, found, design.sharing, slack, least, logged.right)
    slopes = slope_effects(design, found.held)
    drifts = slope_families(panel, known.fleet, slopes.estimate[0])
    since_start = pressure_from_start(slopes, drifts, design.sharing)
    drifting = pressure_drift(since_start, signatures, found.left)
    if drifting >= settings.least_probability:
        causes.append(drift_finding(panel, design.sharing, slopes, drifting))
    causes = tidy(causes)
    rates = known.rates[panel.profile.name]
    packs = forecasts(panel, lives(panel, fit, causes), rates, known.fleet, settings)
    causes = [_with_those_alike(cause, panel, first) for cause in causes]
    fit = fit.taking(first)
    return Judged(usable, slips, panel.disturbance, panel.misnoted, fit, tuple(causes), tuple(packs))


def most_readings(panel: Panel) -> int:
    """Readings of the cell that was read most often: snapshots in which nothing was read tell nothing."""
    return int(np.isfinite(panel.values).sum(axis=0).max(initial=0))


def _with_those_alike(cause: CauseFinding, panel: Panel, first: NDArray[np.int64]) -> CauseFinding:
    """Name the modes and shifts as well that read like those that are named."""
    cells = panel.cells
    named = [cells[k].mode in cause.modes and cells[k].channel in cause.shifts for k in first]
    alike = [c for c, k, told in zip(cells, first, named, strict=True) if told and cells[k] is not c]
    modes, shifts = {*cause.modes, *(c.mode for c in alike)}, {*cause.shifts, *(c.channel for c in alike)}
    return replace(
        cause,
        modes=tuple(m for m in panel.profile.modes if m in modes),
        shifts=tuple(s.id for s in panel.profile.shifts if s.id in shifts),
    )


def tidy(causes: list[CauseFinding]) -> list[CauseFinding]:
    """One change, one finding: what comes with a rebuild is part of it, echoes are merged.

    Values are cleared with it, and parts that are new or differ move them as no cause by itself does. What
    else was done in that visit cannot be told from the new levels, so only the log can say it.
    """
    rebuilds = [c for c in causes if c.cause == "rebuild" and c.probability >= 0.5]
    kept: list[CauseFinding] = []
    for cause in sorted(_without_echoes(causes), key=lambda c: -c.probability):
        if any(_part_of(rebuild, cause) for rebuild in rebuilds):
            continue
        if any(_same_loss(cause, k) for k in kept):
            continue
        kept.append(cause)
    return kept


def _part_of(rebuild: CauseFinding, cause: CauseFinding) -> bool:
    """Whether this is part of a rebuild: beside it, unlogged and no likelier. A drift is not."""
    unlogged = cause.event is None and cause.cause != "rebuild" and not cause.drift
    hidden = unlogged and cause.probability <= rebuild.probability
    return (hidden or cause.cause in PART_OF_REBUILD) and _beside(cause.index, rebuild.index)


def _without_echoes(causes: list[CauseFinding]) -> list[CauseFinding]:
    """Keep the surest of findings of one cause at one snapshot after another: one change that came slowly."""
    runs: list[list[CauseFinding]] = []
    for cause in sorted(causes, key=lambda c: (c.cause, c.drift, -1 if c.index is None else c.index)):
        before = runs[-1][-1] if runs else None
        alike = before is not None and (before.cause, before.drift) == (cause.cause, cause.drift)
        if before is not None and alike and _beside(before.index, cause.index):
            runs[-1].append(cause)
        else:
            runs.append([cause])
    return [max(run, key=lambda c: c.probability) for run in runs]


def _beside(one: int | None, other: int | None) -> bool:
    """Whether two findings lie at one snapshot or at neighbours; those without a beginning lie at one."""
    if one is None or other is None:
        return one is other
    return abs(one - other) <= 1


def _same_loss(one: CauseFinding, other: CauseFinding) -> bool:
    """A supply pressure that goes on changing one way, or a drift that levels off, is one loss."""
    if one.cause != "pressure" or other.cause != "pressure":
        return False
    ways = [e.estimate > 0 for c in (one, other) for e in c.size if e.signal == "apply_trim"]
    return (one.drift and other.drift) or len(ways) < 2 or ways[0] == ways[1]


def lives(panel: Panel, fit: UnitFit, causes: list[CauseFinding]) -> dict[str, Life]:
    """Say where each pack's present life began, and where its rate may have changed."""
    pulls = tuple(
        c.index for c in causes if c.cause in ("power", "load") and c.probability >= 0.5 and c.index
    )
    rebuilt = {c.change for c in causes if c.cause == "rebuild" and c.probability >= 0.5}
    made = {}
    for i, cell in enumerate(panel.cells):
        if cell.signal != "clutch_volume":
            continue
        pack = panel.profile.clutch(cell.channel)
        allowance = max((pack.limit_cm3 or 0.0) - (pack.new_volume_cm3 or 0.0), 0.0)
        starts = []
        for number, change in enumerate(fit.changes):
            share = REBUILT_SHARE if number in rebuilt else NEW_LIFE_SHARE
            drop = max(share * allowance, NEW_LIFE_SES * float(change.effect_se[i]), 1e-9)
            if change.kind == "step" and change.effect[i] < -drop:
                starts.append(change.index)
        made[cell.channel] = Life(max(starts, default=0), pulls)
    return made
