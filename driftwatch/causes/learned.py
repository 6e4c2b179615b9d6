"""What logged work did to this fleet: signatures learned from its own events.

The families of `driftwatch.causes.signatures` say what power, load and fluid work may do to any transmission.
Where a fleet has logged enough of one kind, its own events say what that work does to these ones: which
signals, modes and directions of shift move how far against each other, and how large the whole is as a rule.

For each event the change of each cell is taken, from the readings before it to those after it. An event
counts as far as its change looks like what was logged, among all that the general families know: entries are
wrong, or without effect, too often to be believed. One direction over groups of cells and one magnitude an
event are then fitted (rank-one least squares; groups that an event does not show are left out).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import expit, logit, logsumexp

from driftwatch.causes.prior import LOG_IS_RIGHT
from driftwatch.causes.signatures import Family, families
from driftwatch.changes.evidence import Effects, Pattern, log_factors, stack
from driftwatch.panel.noise import Fleet, corrected
from driftwatch.panel.panel import Cell, Floats, Panel
from driftwatch.panel.robust import nan_median

#: Causes that are learned, and how many events of one it takes, each as far as it is believed.
LEARNED = ("power", "load", "fluid")
LEAST_EVENTS = 3.0
#: Readings of a cell before, and after, an event; of those after, the first is still learning.
BEFORE = 3
AFTER = 4
#: No other entry may lie within so many days.
ALONE_DAYS = 60.0
#: Odds, before its readings are seen, that an entry that did not act stands for another cause.
OTHERWISE = 0.1
#: The usual chance that an entry acted counts as this many entries.
USUAL_ENTRIES = 6.0
#: Variance of the difference of two medians of three readings, in variances of one, noise wandering slowly.
OF_MEDIANS = 1.0
#: Rounds of fitting; they settle after a few.
ROUNDS = 12
#: Share of a cause's prior odds that goes to what was learned; the rest stays with the general family.
LEARNED_SHARE = 0.6
#: Least spread of the magnitudes, as a share of their mean: a few events show less than there is.
SIZES_DIFFER = 0.3
#: How far units of one fleet differ, as a share of the direction, and at least in multiples of noise.
CELLS_DIFFER = 0.3
LEAST_SPREAD = 0.1

Group = tuple[str, str, bool]  # signal, mode, upshift


@dataclass(frozen=True, eq=False)
class LearnedSignature:
    """What one cause does in this fleet.

    Attributes
    ----------
    direction : dict
        Group of cells -> change in multiples of noise; root mean square one.
    error : dict
        Group of cells -> standard error of that.
    magnitude, spread : float
        Mean and standard deviation of the events' magnitudes along it.
    events : float
        How many events this was learned from, each counted as far as it is believed.

    """

    direction: dict[Group, float]
    error: dict[Group, float]
    magnitude: float
    spread: float
    events: float


@dataclass(frozen=True)
class Logged:
    """What a fleet's log says of the fleet.

    Attributes
    ----------
    signatures : dict
        Cause -> what logged work of that kind did; causes with too few believed entries are left out.
    right : float
        Chance that an entry of such work acted.

    """

    signatures: dict[str, LearnedSignature]
    right: float


def learn_from_log(panels: Sequence[Panel], fleet: Fleet) -> Logged:
    """Learn from the logged events of all panels of one profile."""
    groups = sorted({_group(c) for p in panels for c in p.cells if c.mode})
    rows: dict[str, list[Floats]] = {cause: [] for cause in LEARNED}
    told: dict[str, list[float]] = {cause: [] for cause in LEARNED}
    for panel in panels:
        for event in panel.events:
            change = _change(panel, fleet, event.happened_at) if event.kind in LEARNED else None
            if change is not None:
                rows[event.kind].append(_by_group(panel, fleet, change, groups))
                told[event.kind].append(_evidence(panel, fleet, change, event.kind))
    beliefs = {cause: _belief(np.array(told[cause]), LOG_IS_RIGHT) for cause in LEARNED}
    signatures = {
        cause: _fit(np.stack(rows[cause]), beliefs[cause], groups)
        for cause in LEARNED
        if beliefs[cause].sum() >= LEAST_EVENTS
    }
    return Logged(signatures, _share_right(np.concatenate([told[cause] for cause in LEARNED])))


def _share_right(evidence: Floats) -> float:
    """Chance that an entry acted, from what the readings say for each (E,), leaning on the usual chance.

    The share of entries believed, in which they are believed as far as that share says (EM for a proportion,
    with a beta prior).
    """
    right = LOG_IS_RIGHT
    for _ in range(ROUNDS):
        believed = float(_belief(evidence, right).sum())
        right = (USUAL_ENTRIES * LOG_IS_RIGHT + believed) / (USUAL_ENTRIES + len(evidence))
    return right


def _belief(evidence: Floats, right: float) -> Floats:
    """Probability that each of some entries acted, if a share `right` of all does."""
    return np.asarray(expit(logit(right) + evidence))


def with_learned(
    general: tuple[Family, ...], panel: Panel, fleet: Fleet, learned: dict[str, LearnedSignature]
) -> tuple[Family, ...]:
    """Put what was learned beside the general families of one unit, with its share of their prior odds."""
    if not learned:
        return general
    made = []
    for family in general:
        alone = len(family.causes) == 1 and family.causes[0] in learned and family.pattern.kind == "step"
        made.append(replace(family, share=(1.0 - LEARNED_SHARE) * family.share) if alone else family)
    added = [
        Family(_pattern(cause, signature, panel, fleet), (cause,), LEARNED_SHARE)
        for cause, signature in learned.items()
    ]
    return (*made, *added)


def _pattern(cause: str, learned: LearnedSignature, panel: Panel, fleet: Fleet) -> Pattern:
    sd = np.array([fleet.noise[c.signal].sd for c in panel.cells])
    known = [_group(c) if c.mode else None for c in panel.cells]
    direction = np.array([learned.direction.get(g, 0.0) if g else 0.0 for g in known])
    error = np.array([learned.error.get(g, 1.0) if g else 0.0 for g in known])
    size = float(np.hypot(learned.magnitude, learned.spread))
    spread = size * np.hypot(CELLS_DIFFER * direction, error) + LEAST_SPREAD
    return Pattern(
        name=f"{cause} as in this fleet",
        kind="step",
        basis=(learned.spread * direction * sd)[:, None],
        spread=np.where([g is None for g in known], 0.03, spread) * sd,
        mean=learned.magnitude * direction * sd,
        scales=(1.0,),
    )


def _group(cell: Cell) -> Group:
    return (cell.signal, cell.mode, bool(cell.is_up))


def _change(panel: Panel, fleet: Fleet, at: np.datetime64) -> Floats | None:
    """Change of each cell at an event, (C,); None where another one is near or there are no readings."""
    near = [e for e in panel.events if abs((e.happened_at - at) / np.timedelta64(1, "D")) < ALONE_DAYS]
    first = int(np.searchsorted(panel.taken_at, at))
    if len(near) > 1 or first < 1 or first + 1 >= len(panel.days):
        return None
    values = corrected(panel, fleet)
    before = nan_median(values[max(first - BEFORE, 0) : first], axis=0)
    return np.asarray(nan_median(values[first + 1 : first + AFTER], axis=0) - before)


def _by_group(panel: Panel, fleet: Fleet, change: Floats, groups: list[Group]) -> Floats:
    """Mean change of each group in multiples of noise, (G,); NaN where a group was not read."""
    relative = change / np.array([fleet.noise[c.signal].sd for c in panel.cells])
    place = np.array([groups.index(_group(c)) if c.mode else len(groups) for c in panel.cells])
    told = np.isfinite(relative)
    count = np.bincount(place[told], minlength=len(groups) + 1)[:-1]
    total = np.bincount(place[told], relative[told], minlength=len(groups) + 1)[:-1]
    return np.asarray(np.where(count > 0, total / np.maximum(count, 1), np.nan))


def _evidence(panel: Panel, fleet: Fleet, change: Floats, cause: str) -> float:
    """Log Bayes factor of a change being what was logged, against no effect and all else that it may be."""
    names = sorted({c.signal for c in panel.cells})
    noise = [fleet.noise[c.signal] for c in panel.cells]
    common = np.array([n.common_white_sd**2 + n.common_wander_sd**2 for n in noise])
    own = np.array([n.sd**2 for n in noise]) - common
    told = np.isfinite(change)
    effects = Effects(
        estimate=np.where(told, change, 0.0)[None],
        own_var=np.where(told, OF_MEDIANS * own, np.inf)[None],
        shared_sd=np.where(told, np.sqrt(OF_MEDIANS * common), 0.0)[None],
        bonus=np.zeros(1),
    )
    steps = [f for f in families(panel, fleet) if f.pattern.kind == "step"]
    signal = np.array([names.index(c.signal) for c in panel.cells], dtype=np.int64)
    factors = log_factors(effects, stack([f.pattern for f in steps]), signal)[:, 0]
    weighed = factors + np.log([f.share for f in steps])
    right = np.array([f.causes == (cause,) for f in steps])
    otherwise = np.logaddexp(0.0, np.log(OTHERWISE) + logsumexp(weighed[~right]))
    return float(logsumexp(weighed[right]) - otherwise)


def _fit(changes: Floats, belief: Floats, groups: list[Group]) -> LearnedSignature:
    """Fit one direction (G,) and a magnitude an event (E,) to changes (E, G), believed so far (E,)."""
    told = np.isfinite(changes)
    filled = np.where(told, changes, 0.0)
    direction = np.nan_to_num(belief @ np.abs(filled) / np.maximum(belief @ told, 1e-9))
    for _ in range(ROUNDS):
        magnitude = filled @ direction / np.maximum(told @ direction**2, 1e-9)
        weight = (belief * magnitude)[:, None] * told
        direction = (weight * filled).sum(axis=0) / np.maximum((weight.T @ magnitude), 1e-9)
        size = max(float(np.sqrt(np.mean(direction**2))), 1e-9)
        direction, magnitude = direction / size, magnitude * size
    left = np.where(told, filled - magnitude[:, None] * direction, 0.0)
    strength = np.maximum((belief * magnitude**2) @ told, 1e-9)
    spare = np.maximum(belief @ told - 1.0, 0.5)
    error = np.sqrt((belief @ left**2) / spare / strength)
    mean = float(np.average(magnitude, weights=belief))
    variance = float(np.average((magnitude - mean) ** 2, weights=belief))
    return LearnedSignature(
        direction=dict(zip(groups, direction.tolist(), strict=True)),
        error=dict(zip(groups, error.tolist(), strict=True)),
        magnitude=mean,
        spread=float(np.sqrt(variance + (SIZES_DIFFER * mean) ** 2)),
        events=float(belief.sum()),
    )
