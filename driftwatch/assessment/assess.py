"""The walk of a whole fleet: records -> panels -> changes -> causes -> service -> what is said."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import date
from importlib.metadata import PackageNotFoundError, version

from scipy.special import ndtr, ndtri
from threadpoolctl import threadpool_limits

from driftwatch.assessment.cautions import cautions
from driftwatch.assessment.judge import FleetQuantities, Judged, judge_unit, most_readings
from driftwatch.assessment.kept import CODING, Kept, fleet_known, judged_from, unit_marks
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
from driftwatch.causes.reliability import calibrated
from driftwatch.causes.results import CauseFinding
from driftwatch.errors import UnknownName
from driftwatch.panel.basis import basis
from driftwatch.panel.build import panels
from driftwatch.panel.panel import Panel
from driftwatch.service.outlook import km_per_day, told_on
from driftwatch.service.results import ClutchOutlook
from driftwatch.settings import Settings
from driftwatch.store.records import Records

Progress = Callable[[str, int, int], None]

#: Units after whose number what was worked out is written to the file of what is kept.
AT_A_TIME = 100


def analyse(
    records: Records,
    settings: Settings,
    units: Sequence[str] | None = None,
    progress: Progress | None = None,
    kept: Kept | None = None,
) -> tuple[UnitAnalysis, ...]:
    """Assess every unit, or those asked for, on the evidence of the whole fleet in `records`.

    With `kept`, what was worked out before is taken from there, and what is worked out now goes there; the
    answer is the same without.

    Raises
    ------
    UnknownName
        If a unit asked for is not in the records.

    """
    names = set(records.units["unit"])
    for unit in units or ():
        if unit not in names:
            raise UnknownName(f"there is no unit {unit!r}", do="`driftwatch unit list` lists them")
    # The matrices are small: threads of the linear algebra would only be in each other's way.
    with threadpool_limits(limits=1, user_api="blas"):
        return _walk(records, settings, units, progress, kept)


def _walk(
    records: Records,
    settings: Settings,
    units: Sequence[str] | None,
    progress: Progress | None,
    kept: Kept | None,
) -> tuple[UnitAnalysis, ...]:
    built = panels(records)
    known, fleet_mark = fleet_known(basis(built), settings, kept)
    wanted = [p for p in built if units is None or p.unit in set(units)]
    marks = unit_marks(wanted, fleet_mark, settings) if kept else [""] * len(wanted)
    before = kept.present(marks) if kept else set()

    def work(number: int) -> tuple[Judged, UnitAssessment, str | None]:
        panel, mark = wanted[number], marks[number]
        found = judged_from(kept.text(mark)) if kept and mark in before else None
        judged = found or judge_unit(panel, known, settings)
        to_keep = CODING.text(judged) if kept and found is None else None
        return judged, tell_unit(panel, judged, records.as_of, settings), to_keep

    done: list[UnitAnalysis] = []
    made: list[tuple[str, str, str]] = []
    for number, (judged, said, to_keep) in enumerate(each(work, len(wanted))):
        done.append(UnitAnalysis(judged.seen(wanted[number]), judged.fit, said))
        if kept and to_keep is not None:
            made.append((marks[number], said.unit, to_keep))
            if len(made) == AT_A_TIME:
                kept.add(made)
                made.clear()
        if progress is not None:
            progress("assessing units", number + 1, len(wanted))
    if kept:
        kept.add(made)
        kept.tidy(before, [str(name) for name in records.units["unit"]])
    return tuple(done)


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
    judged = judge_unit(panel, known, settings)
    return UnitAnalysis(judged.seen(panel), judged.fit, tell_unit(panel, judged, as_of, settings))


def tell_unit(panel: Panel, judged: Judged, as_of: date, settings: Settings) -> UnitAssessment:
    """Say on some day what was worked out of a unit."""
    panel = judged.seen(panel)
    fit, count = judged.fit, len(panel.days)
    if fit is None:
        return _too_few(panel, as_of, settings)
    clutches = [told_on(pack, as_of) for pack in judged.packs]
    findings = sorted(
        [_finding(panel, c) for c in judged.causes] + _wear(panel, clutches, settings),
        key=lambda f: (f.by or f.after or date.min, f.cause),
    )
    bases = [
        c.index
        for c in judged.causes
        if c.cause in ("rebuild", "relearn") and c.probability >= 0.5 and c.index
    ]
    said = cautions(panel, fit, as_of, settings, max(bases, default=0))
    state, sentence = unit_state(findings, clutches, said, as_of, _day(panel, count - 1))
    return UnitAssessment(
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
                sentence=wear_sentence(probability, outlook, _day(panel, len(panel.days) - 1)),
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
        sentence=too_few_sentence(count, most_readings(panel)),
        findings=(),
        clutches=(),
        cautions=tuple(cautions(panel, None, as_of, settings)),
    )


def _day(panel: Panel, row: int) -> date:
    day: date = panel.taken_at[row].astype("datetime64[D]").astype(object)
    return day
