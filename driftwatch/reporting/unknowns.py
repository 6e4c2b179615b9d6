"""What would change what a report says, and what it cannot know: told from what is missing in the data."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from driftwatch.assessment.results import UnitAnalysis, UnitAssessment
from driftwatch.panel.panel import Panel
from driftwatch.reporting import sentences
from driftwatch.reporting.outlooks import UNTOLD, why_untold
from driftwatch.reporting.texts import count
from driftwatch.wording import listed, name

#: Units that are named before the rest is only counted.
NAMED = 4
#: Parts of a fleet's readings with a temperature, or with counts, under which its lack is said.
FEW = 0.5


def fleet_would_change(units: Sequence[UnitAssessment]) -> tuple[str, ...]:
    """Say what would change the month's list."""
    lines = [
        "A physical check: a clean pan and pressures as the service literature has them outweigh a learned "
        "value, and worn material outweighs a calm one. Log what was found and done.",
    ]
    unlogged = [
        u.unit
        for u in units
        if any(f.probability >= 0.5 and f.cause != "wear" and f.event is None and f.by for f in u.findings)
    ]
    if unlogged:
        lines.append(
            f"Log entries that are missing: {count(len(unlogged), 'unit')} changed without one "
            f"({_named(unlogged)}). With an entry, cause and chance can move."
        )
    lines.append(
        "Another use of the vehicles: dates come from the distance each unit has run a day in the last "
        "year, and a unit that runs more reaches its limit sooner."
    )
    return tuple(lines)


def fleet_unknown(analyses: Sequence[UnitAnalysis]) -> tuple[str, ...]:
    """Say what the month's review cannot know."""
    units = [a.assessment for a in analyses]
    lines = []
    for why, without in _untold(analyses).items():
        if why != "too_few":  # said of these just below
            where = f"{UNTOLD[why][1]} ({_named(without)})"
            lines.append(f"When a clutch of {count(len(without), 'unit')} is due: {where}.")
    old = [u.unit for u in units if u.state == "too_few" or any(c.kind == "stale" for c in u.cautions)]
    if old:
        lines.append(
            f"How {count(len(old), 'unit')} {'is' if len(old) == 1 else 'are'} today: the readings are too "
            f"few or too old ({_named(old)})."
        )
    lines.append(
        "What happened in the last weeks: a change shows once the unit has been read out, and driven "
        "enough to "
        "learn, after it."
    )
    lines += _lacking([a.panel for a in analyses])
    lines.append("What the parts look like: nothing was opened, and a learned value is not a measurement.")
    return tuple(lines)


def no_forecast(analyses: Sequence[UnitAnalysis]) -> str:
    """Say why nothing can be said of when a clutch is due, where there is no forecast of any unit."""
    untold = _untold(analyses)
    reasons = [
        UNTOLD[why][1] + (f" ({_named(units)})" if len(untold) > 1 else "") for why, units in untold.items()
    ]
    return f"Nothing can be said of when a clutch is due: {listed(reasons)}." if reasons else ""


def unit_unknown(analysis: UnitAnalysis, cut: int) -> tuple[str, ...]:
    """Say what the follow-up of one unit cannot know; `cut` is the number of snapshots before the change."""
    panel, lines = analysis.panel, []
    since = len(panel.taken_at) - cut
    if 0 < since < 3:
        lines.append(
            f"Whether it stays so: there {'is one snapshot' if since == 1 else f'are {since} snapshots'} "
            "since "
            "the change."
        )
    read = {c.signal for c in panel.cells}
    missing = [sentences.signal(s.name).lower() for s in panel.profile.signals if s.name not in read]
    if missing:
        lines.append(f"Anything about {listed(missing)}: not read for this unit.")
    modes = [m for m in panel.profile.modes if m not in {c.mode for c in panel.cells}]
    if modes and any(c.mode for c in panel.cells):
        lines.append(f"How it shifts in {listed([name(m) for m in modes])} mode: not read.")
    lines += _lacking([panel])
    lines.append("What the parts look like: nothing was opened, and a learned value is not a measurement.")
    return tuple(lines)


def unit_would_change(verdict: str, analysis: UnitAnalysis, is_logged: bool) -> tuple[str, ...]:
    """Say what would change the verdict on one unit."""
    lines = {
        "hand over": ["A road test that does not feel right: it comes before any value on this page."],
        "drive first": [
            "More readings-out: from some more on, a change can be told from chance."
            if analysis.assessment.state == "too_few"
            else "The shifts that have not learned yet: read out once more when they have."
        ],
        "inspect first": [
            "A physical check that finds nothing: log it, drive the plan if there is one, and read out "
            "once more."
        ],
    }[verdict]
    if not is_logged:
        lines.append(
            "An entry in the log that says what was done: the map is then held against what it should do."
        )
    if analysis.assessment.clutches:
        lines.append(
            "More snapshots: how fast a clutch grows shows over several of them, not in the first one "
            "after work."
        )
    return tuple(lines)


def _untold(analyses: Sequence[UnitAnalysis]) -> dict[str, list[str]]:
    """Give the units without a forecast by the reason why there is none."""
    units: dict[str, list[str]] = {}
    for analysis in analyses:
        why = why_untold(analysis)
        if why:
            units.setdefault(why, []).append(analysis.assessment.unit)
    return units


def _lacking(panels: Sequence[Panel]) -> list[str]:
    """Say what most readings lack: the fluid's temperature, the counts of shifts learned from."""
    temps = [float(np.isfinite(p.fluid_temp_c).mean()) for p in panels if len(p.fluid_temp_c)]
    shifts = [p for p in panels if any(c.mode for c in p.cells) and np.isfinite(p.values).any()]
    counts = [
        float(np.isfinite(p.learn_counts[:, [bool(c.mode) for c in p.cells]]).any(axis=1).mean())
        for p in shifts
    ]
    lines = []
    if temps and np.mean(temps) < FEW:
        lines.append(
            "How warm the fluid was: mostly not recorded, so that a cold reading-out can look like a "
            "small change."
        )
    if counts and np.mean(counts) < FEW:
        lines.append(
            "How often the shifts were learned from: mostly not counted, so that an old value repeated "
            "can pass "
            "for a fresh one."
        )
    return lines


def _named(units: Sequence[str]) -> str:
    return listed([name(u) for u in units], NAMED)
