"""The walk of a whole fleet: records -> panels -> changes -> causes -> service -> what is said."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date
from functools import partial
from importlib.metadata import PackageNotFoundError, version

import numpy as np
from scipy.special import ndtr, ndtri

from driftwatch.assessment.cautions import cautions
from driftwatch.assessment.processes import each
from driftwatch.assessment.results import (
    Assessment,
    Effect,
    Finding,
    Rival,
    UnitAnalysis,
    UnitAssessment,
)
from driftwatch.assessment.sentences import finding_sentence, too_few_sentence, wear_sentence
from driftwatch.assessment.state import unit_state
from driftwatch.causes.drift import pressure_from_start
from driftwatch.causes.identify import drift_finding, explain_changes
from driftwatch.causes.learned import LearnedSignature, learn_signatures, with_learned
from driftwatch.causes.prior import log_prior
from driftwatch.causes.reliability import calibrated
from driftwatch.causes.results import CauseFinding
from driftwatch.causes.signatures import families, slope_families
from driftwatch.changes.design import build_design
from driftwatch.changes.fit import fit_unit, slope_effects
from driftwatch.changes.results import UnitFit
from driftwatch.changes.search import search
from driftwatch.errors import UnknownName
from driftwatch.panel.build import panels
from driftwatch.panel.faults import disturbance_proportion, without_faults
from driftwatch.panel.fleet import fit_fleet
from driftwatch.panel.noise import Fleet
from driftwatch.panel.panel import Panel
from driftwatch.service.growth import RatePrior
from driftwatch.service.outlook import Life, fleet_rates, km_per_day, outlooks
from driftwatch.service.results import ClutchOutlook
from driftwatch.settings import Settings
from driftwatch.store.records import Records

Progress = Callable[[str, int, int], None]

#: Log posterior odds that a change needs, at a false-alarm rate of 0.05 a unit; see docs/statistics.md.
THRESHOLD_AT_5_PERCENT = 3.5
#: A drop of a pack's volume by this share of its allowance, and this many standard errors, is a new life.
NEW_LIFE_SHARE = 0.15
#: The same at a change that is probably a rebuild.
REBUILT_SHARE = 0.03
NEW_LIFE_SES = 4.0


@dataclass(frozen=True)
class FleetQuantities:
    """What is learned from the whole fleet before any unit is judged."""

    fleet: Fleet
    rates: dict[str, dict[str, RatePrior]]
    learned: dict[str, dict[str, LearnedSignature]]


def analyse(
    records: Records,
    settings: Settings,
    units: Sequence[str] | None = None,
    progress: Progress | None = None,
) -> tuple[UnitAnalysis, ...]:
    """Assess every unit, or those asked for, on the evidence of the whole fleet in `records`.

    Raises
    ------
    UnknownName
        If a unit asked for is not in the records.

    """
    known = list(records.units["unit"])
    for unit in units or ():
        if unit not in known:
            raise UnknownName(
                f"there is no unit {unit!r}", do="`driftwatch assess --format table` lists them"
            )
    built = panels(records)
    fleet = fit_fleet(built, settings.shifts_to_learn)
    proportion = disturbance_proportion(built, fleet)
    clean = [without_faults(panel, fleet, proportion) for panel in built]
    quantities = fleet_quantities(clean, settings)
    wanted = [p for p in clean if units is None or p.unit in set(units)]
    judge = partial(analyse_unit, known=quantities, as_of=records.as_of, settings=settings)
    done = []
    for number, analysis in enumerate(each(judge, wanted), start=1):
        done.append(analysis)
        if progress is not None:
            progress("assessing units", number, len(wanted))
    return tuple(done)


def fleet_quantities(panels: list[Panel], settings: Settings) -> FleetQuantities:
    """Learn from all units together: noise, wear rates, and for each profile what logged work did."""
    fleet = fit_fleet(panels, settings.shifts_to_learn)
    names = sorted({p.profile.name for p in panels})
    learned = {n: learn_signatures([p for p in panels if p.profile.name == n], fleet) for n in names}
    return FleetQuantities(fleet, fleet_rates(panels), learned)


def assess(
    records: Records,
    settings: Settings,
    units: Sequence[str] | None = None,
    progress: Progress | None = None,
) -> Assessment:
    """Give the assessment alone; see `analyse`."""
    analyses = analyse(records, settings, units, progress)
    return Assessment(records.as_of, made_by(), tuple(a.assessment for a in analyses))


def made_by() -> str:
    """Name the program and its version."""
    try:
        return f"driftwatch {version('driftwatch-transmission')}"
    except PackageNotFoundError:
        return "driftwatch (not installed)"


def analyse_unit(panel: Panel, known: FleetQuantities, as_of: date, settings: Settings) -> UnitAnalysis:
    """Assess one unit: a pure function of its panel, the fleet quantities and the settings."""
    count = len(panel.days)
    if count < settings.least_snapshots or not panel.cells:
        return UnitAnalysis(panel, None, _too_few(panel, as_of, settings))
    design = build_design(panel, known.fleet)
    signatures = with_learned(
        families(panel, known.fleet), panel, known.fleet, known.learned[panel.profile.name]
    )
    patterns = tuple(f.pattern for f in signatures)
    prior = log_prior(panel, signatures, settings.event_slack_days)
    threshold = THRESHOLD_AT_5_PERCENT + float(np.log(0.05 / settings.false_alarm_rate))
    found = search(design, patterns, prior, threshold)
    fit = fit_unit(panel, design, patterns, found, known.fleet)
    causes = explain_changes(panel, signatures, found, settings.event_slack_days, settings.least_probability)
    slopes = slope_effects(design, patterns, found.placed)
    drifts = slope_families(panel, known.fleet, slopes.estimate[0])
    drifting = calibrated(pressure_from_start(slopes, drifts, design.signal), "pressure", False)
    if drifting >= settings.least_probability:
        causes.append(drift_finding(panel, slopes, drifting))
    causes = tidy(causes)
    clutches = outlooks(
        panel, lives(panel, fit, causes), known.rates[panel.profile.name], known.fleet, settings, as_of
    )
    findings = sorted(
        [_finding(panel, c) for c in causes] + _wear(panel, clutches, settings),
        key=lambda f: (f.by or f.after or date.min, f.cause),
    )
    bases = [
        c.index for c in causes if c.cause in ("rebuild", "relearn") and c.probability >= 0.5 and c.index
    ]
    said = cautions(panel, fit, as_of, settings, max(bases, default=0))
    state, sentence = unit_state(findings, clutches, said, as_of, _day(panel, count - 1))
    assessment = UnitAssessment(
        unit=panel.unit,
        profile=panel.profile.name,
        snapshots=count,
        first=_day(panel, 0),
        last=_day(panel, count - 1),
        odometer_km=float(panel.odometer_km[-1]),
        km_per_day=km_per_day(panel),
        state=state,
        sentence=sentence,
        findings=tuple(findings),
        clutches=tuple(clutches),
        cautions=tuple(said),
    )
    return UnitAnalysis(panel, fit, assessment)


def tidy(causes: list[CauseFinding]) -> list[CauseFinding]:
    """One change, one finding: the clearing that comes with a rebuild is part of it, echoes are merged."""
    rebuilt = {c.index for c in causes if c.cause == "rebuild" and c.probability >= 0.5}
    kept: list[CauseFinding] = []
    for cause in sorted(causes, key=lambda c: -c.probability):
        near = {cause.index, (cause.index or 0) - 1, (cause.index or 0) + 1}
        if cause.cause == "relearn" and near & rebuilt:
            continue
        if any(k.cause == cause.cause and k.drift == cause.drift and k.index in near for k in kept):
            continue
        if any(_same_loss(cause, k) for k in kept):
            continue
        kept.append(cause)
    return kept


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


def _finding(panel: Panel, cause: CauseFinding) -> Finding:
    index = cause.index
    after = _day(panel, max(index - 1, 0)) if index is not None else None
    by = None if cause.drift or index is None else _day(panel, index)
    half = float(ndtri(0.95))
    size = tuple(
        Effect(e.signal, e.unit, e.estimate, e.estimate - half * e.se, e.estimate + half * e.se)
        for e in cause.size
    )
    rivals = tuple(Rival(c, p) for c, p in cause.rivals)
    sentence = finding_sentence(
        cause.cause,
        cause.probability,
        after,
        by,
        cause.clutch,
        cause.modes,
        cause.event,
        size,
        rivals,
        cause.drift,
    )
    return Finding(
        cause=cause.cause,
        probability=cause.probability,
        after=after,
        by=by,
        clutch=cause.clutch,
        modes=cause.modes,
        shifts=cause.shifts,
        event=cause.event.id if cause.event else None,
        size=size,
        rivals=rivals,
        sentence=sentence,
    )


def _wear(panel: Panel, clutches: list[ClutchOutlook], settings: Settings) -> list[Finding]:
    """A wear finding for each pack that has probably used `wear_share` of its allowance in this life."""
    made = []
    half = float(ndtri(0.95))
    for outlook in clutches:
        sd = max(outlook.used_se, 1e-6)
        share_passed = float(ndtr((outlook.used - settings.wear_share) / sd))
        probability = calibrated(share_passed, "wear", False)
        if probability < settings.least_probability:
            continue
        gain = outlook.used * (outlook.limit_cm3 - outlook.life_start_cm3)
        spread = half * outlook.used_se * (outlook.limit_cm3 - outlook.life_start_cm3)
        shifts = tuple(s.id for s in panel.profile.shifts if s.applies == outlook.clutch)
        made.append(
            Finding(
                cause="wear",
                probability=probability,
                after=_day(panel, outlook.life_start),
                by=None,
                clutch=outlook.clutch,
                modes=panel.profile.modes,
                shifts=shifts,
                event=None,
                size=(Effect("clutch_volume", "cm3", gain, gain - spread, gain + spread),),
                rivals=(),
                sentence=wear_sentence(probability, outlook),
            )
        )
    return made


def _too_few(panel: Panel, as_of: date, settings: Settings) -> UnitAssessment:
    count = len(panel.days)
    return UnitAssessment(
        unit=panel.unit,
        profile=panel.profile.name,
        snapshots=count,
        first=_day(panel, 0) if count else None,
        last=_day(panel, count - 1) if count else None,
        odometer_km=float(panel.odometer_km[-1]) if count else None,
        km_per_day=km_per_day(panel),
        state="too_few",
        sentence=too_few_sentence(count),
        findings=(),
        clutches=(),
        cautions=tuple(cautions(panel, None, as_of, settings)),
    )


def _day(panel: Panel, row: int) -> date:
    day: date = panel.taken_at[row].astype("datetime64[D]").astype(object)
    return day
