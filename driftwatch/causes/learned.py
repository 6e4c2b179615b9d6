"""What logged work did to this fleet: signatures learned from its own events.

The families of `driftwatch.causes.signatures` say what power, load and fluid work may do to any transmission.
Where a fleet has logged enough of one kind, its own events say what that work does to these ones: which
signals, modes and directions of shift move how far against each other, and how large the whole is as a rule.

For each event the change of each cell is taken, from the readings before it to those after it, and from the
changes of all events of one kind a signature (`driftwatch.causes.signature_fit`). Entries are wrong, or
without effect, too often to be believed as they stand: an event counts as far as its change looks like what
was logged.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import logsumexp

from driftwatch.causes.prior import LOG_IS_RIGHT
from driftwatch.causes.signature_fit import (
    CELLS_DIFFER,
    LEARNED_SHARE,
    LEAST_SPREAD,
    Entries,
    believed,
    fit_signature,
)
from driftwatch.causes.signatures import Family, families
from driftwatch.changes.evidence import Effects, Pattern, log_factors, sharing, stack
from driftwatch.panel.noise import Fleet, corrected
from driftwatch.panel.panel import Cell, Floats, Panel
from driftwatch.panel.robust import nan_median

#: Causes that are learned, and how many events of one it takes, each as far as it is believed.
LEARNED = ("power", "load", "fluid")
#: Those among them that are plainly seen where they acted: their entries tell how far the log is right.
PLAIN = ("power", "load")
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
#: Rounds of estimating that chance; it settles after a few.
ROUNDS = 12
#: How far a group may move by itself, in multiples of noise, against the cause's general family at scale 1.
GROUPS_DIFFER = 0.1

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
    read: dict[str, list[_Event]] = {cause: [] for cause in LEARNED}
    for panel in panels:
        for event in panel.events:
            change = _change(panel, fleet, event.happened_at) if event.kind in LEARNED else None
            if change is not None:
                read[event.kind].append(_of_event(panel, fleet, change, event.kind, groups))
    evidence = {cause: np.array([e.general - e.otherwise for e in events]) for cause, events in read.items()}
    signatures: dict[str, LearnedSignature] = {}
    for cause, events in read.items():
        if len(events) >= LEAST_EVENTS:
            entries = _entries(events, groups, fleet)
            fitted, with_fit = fit_signature(entries, _expected(panels, fleet, cause, groups), LOG_IS_RIGHT)
            weight = float(believed(with_fit, LOG_IS_RIGHT).sum())
            if weight >= LEAST_EVENTS:
                # A change of the size that is usual here may say little against all sizes that might be.
                evidence[cause] = with_fit
                signatures[cause] = LearnedSignature(
                    direction=dict(zip(groups, fitted.direction.tolist(), strict=True)),
                    error=dict(zip(groups, fitted.error.tolist(), strict=True)),
                    magnitude=fitted.magnitude,
                    spread=fitted.spread,
                    events=weight,
                )
    return Logged(signatures, _share_right(np.concatenate([evidence[cause] for cause in PLAIN])))


def _share_right(evidence: Floats) -> float:
    """Chance that an entry acted, from what the readings say for each (E,), leaning on the usual chance.

    The share of entries believed, in which they are believed as far as that share says (EM for a proportion,
    with a beta prior).
    """
    right = LOG_IS_RIGHT
    for _ in range(ROUNDS):
        acted = float(believed(evidence, right).sum())
        right = (USUAL_ENTRIES * LOG_IS_RIGHT + acted) / (USUAL_ENTRIES + len(evidence))
    return right


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
    change = np.asarray(nan_median(values[first + 1 : first + AFTER], axis=0) - before)
    return change if np.isfinite(change).any() else None


@dataclass(frozen=True)
class _Event:
    """One event: mean change (G,) and number of cells (G,) of each group, and its evidence alone."""

    change: Floats
    count: Floats
    general: float
    otherwise: float


def _of_event(panel: Panel, fleet: Fleet, change: Floats, cause: str, groups: list[Group]) -> _Event:
    """Mean change of each group in multiples of noise, and what the general families say of it."""
    relative = change / np.array([fleet.noise[c.signal].sd for c in panel.cells])
    place = np.array([groups.index(_group(c)) if c.mode else len(groups) for c in panel.cells])
    told = np.isfinite(relative)
    count = np.bincount(place[told], minlength=len(groups) + 1)[:-1]
    total = np.bincount(place[told], relative[told], minlength=len(groups) + 1)[:-1]
    return _Event(total / np.maximum(count, 1), count.astype(float), *_evidence(panel, fleet, change, cause))


def _entries(events: list[_Event], groups: list[Group], fleet: Fleet) -> Entries:
    """Put the events of one kind together, with the noise of their groups' means."""
    count = np.stack([e.count for e in events])
    noise = [fleet.noise[signal] for signal, _, _ in groups]
    common = np.array([n.common_variance / n.sd**2 for n in noise])
    across = np.array([n.across_modes / n.sd**2 for n in noise])
    alike = np.array([[a[0] == b[0] for b in groups] for a in groups])
    one_mode = np.array([[a[:2] == b[:2] for b in groups] for a in groups])
    shared = np.where(one_mode, common[:, None], np.where(alike, across[:, None], 0.0))
    both = (count[:, :, None] > 0) & (count[:, None, :] > 0)
    covariance = OF_MEDIANS * np.where(both, shared, 0.0)
    diagonal = np.arange(len(groups))
    own = OF_MEDIANS * (1.0 - common) / np.maximum(count, 1.0)
    covariance[:, diagonal, diagonal] += np.where(count > 0, own, 1.0)
    return Entries(
        change=np.stack([e.change for e in events]),
        count=count,
        noise=covariance,
        general=np.array([e.general for e in events]),
        otherwise=np.array([e.otherwise for e in events]),
    )


def _expected(panels: Sequence[Panel], fleet: Fleet, cause: str, groups: list[Group]) -> Floats:
    """Covariance (G, G) that the general family of a cause has over groups of cells.

    From the unit with the most groups; one that it lacks may move by itself.
    """
    fullest = max(panels, key=lambda p: len({_group(c) for c in p.cells if c.mode}))
    family = next(f for f in families(fullest, fleet) if f.causes == (cause,) and f.pattern.kind == "step")
    sd = np.array([fleet.noise[c.signal].sd for c in fullest.cells])
    place = np.array([groups.index(_group(c)) if c.mode else -1 for c in fullest.cells])
    member = np.equal.outer(np.arange(len(groups)), place).astype(float)
    member /= np.maximum(member.sum(axis=1, keepdims=True), 1.0)
    basis = member @ (family.pattern.basis / sd[:, None])
    own = member @ (family.pattern.spread / sd) ** 2 + GROUPS_DIFFER**2
    return np.asarray(basis @ basis.T + np.diag(own))


def _evidence(panel: Panel, fleet: Fleet, change: Floats, cause: str) -> tuple[float, float]:
    """Log Bayes factors against no effect: of what was logged, and of no effect and all else together."""
    noise = [fleet.noise[c.signal] for c in panel.cells]
    together = sharing(panel.cells, fleet.across)
    of_mode = np.empty(together.member.shape[1])
    of_mode[together.group] = [1.0 - n.across_modes / max(n.common_variance, 1e-300) for n in noise]
    common = np.array([n.common_variance for n in noise])
    own = np.array([n.sd**2 for n in noise]) - common
    told = np.isfinite(change)
    effects = Effects(
        estimate=np.where(told, change, 0.0)[None],
        own_var=np.where(told, OF_MEDIANS * own, np.inf)[None],
        shared_sd=np.where(told, np.sqrt(OF_MEDIANS * common), 0.0)[None],
        of_mode=of_mode[None],
        bonus=np.zeros(1),
    )
    steps = [f for f in families(panel, fleet) if f.pattern.kind == "step" and f.causes != ("rebuild",)]
    factors = log_factors(effects, [stack([f.pattern for f in steps])], together)[:, 0]
    weighed = factors + np.log([f.share for f in steps])
    right = np.array([f.causes == (cause,) for f in steps])
    otherwise = np.logaddexp(0.0, np.log(OTHERWISE) + logsumexp(weighed[~right]))
    return float(logsumexp(weighed[right])), float(otherwise)
