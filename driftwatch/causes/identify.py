"""From changes to causes: the posterior probability of each cause of each change.

Every change found has, given the others, a table of posterior log odds over families and snapshots. The
probability of a cause is the share of its families (pairs count for both causes), with "no change at all"
among the alternatives.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr
from statsmodels.stats.multitest import multipletests

from driftwatch.causes.prior import beside_odds, nearness
from driftwatch.causes.reliability import calibrated
from driftwatch.causes.results import CauseFinding, SignalEffect
from driftwatch.causes.signatures import Family
from driftwatch.causes.split import split_effect
from driftwatch.changes.estimates import Placed
from driftwatch.changes.evidence import Effects, Sharing
from driftwatch.changes.search import SearchResult
from driftwatch.panel.panel import Bools, Event, Floats, Panel

#: Snapshots on either side of the best one over which the probability of a drift is summed.
REACH = 2
#: Share of false ones among the modes, and among the shifts, that are said to be touched by a change.
FALSELY_TOUCHED = 0.05
#: A mode counts as touched if it moved at least this part as far as the one that moved furthest.
GOOD_PART = 0.25
#: Causes that reach every mode and shift by their nature.
WHOLE_UNIT = ("relearn", "rebuild")
#: Causes whose traces a rebuild in the same visit hides.
HIDDEN_BY_REBUILD = ("power", "load", "fluid")


def explain_changes(
    panel: Panel,
    families: tuple[Family, ...],
    found: SearchResult,
    sharing: Sharing,
    slack_days: float,
    least: float,
    right: float,
) -> list[CauseFinding]:
    """Give the findings of every change; causes under `least` are left out, as rivals too.

    `right` is the chance that an entry of power or load acted.
    """
    findings: list[CauseFinding] = []
    for number, (place, table) in enumerate(zip(found.placed, found.tables, strict=True)):
        chances = _chances(families, table, place)
        told = {
            cause: _of_cause(panel, families, table, place, chances, cause, slack_days)
            for cause in sorted({cause for together in chances for cause in together})
        }
        pair = max(chances, key=lambda together: chances[together])
        split = {}
        if len(pair) == 2 and "relearn" not in pair:
            both = next(f for f in families if f.causes == pair)
            split = split_effect(found.effects[number], place.index, families, both, sharing)
        for cause, one in told.items():
            if one.probability < least:
                continue
            effects = _at(panel, sharing, found.effects[number], place.index)
            modes, shifts = _everywhere(panel) if cause in WHOLE_UNIT else _touched(panel, effects)
            findings.append(
                CauseFinding(
                    cause=cause,
                    probability=one.probability,
                    index=one.index,
                    drift=one.drift,
                    change=number,
                    clutch=None,
                    modes=modes,
                    shifts=shifts,
                    event=one.event,
                    size=_part_sizes(panel, split[cause], modes)
                    if cause in split
                    else _sizes(panel, effects, modes),
                    rivals=_as_held(_rivals(chances, cause), told, one.probability, least),
                )
            )
        renewed = chances.get(("rebuild",), 0.0)
        if renewed >= least:
            findings += _hidden(panel, number, place, renewed, slack_days, right)
    return findings


@dataclass(frozen=True)
class _OfCause:
    """One cause of one change: its probability in the model (`share`) and as it holds, where, its entry."""

    share: float
    probability: float
    index: int
    drift: bool
    event: Event | None


def _of_cause(
    panel: Panel,
    families: tuple[Family, ...],
    table: Floats,
    place: Placed,
    chances: dict[tuple[str, ...], float],
    cause: str,
    slack_days: float,
) -> _OfCause:
    index, drift = _best_of(families, table, place, cause)
    event = _event(panel, index, cause, slack_days)
    share = min(sum(p for together, p in chances.items() if cause in together), 1.0)
    return _OfCause(share, calibrated(share, cause, event is not None), index, drift, event)


def _as_held(
    rivals: dict[str, float], told: dict[str, _OfCause], probability: float, least: float
) -> tuple[tuple[str, float], ...]:
    """Give rivals their probability as it holds, so that one change is not told with two of one cause.

    None gets more than a finding of this probability leaves; under `least` it is none.
    """
    held = [
        (cause, min(p / told[cause].share * told[cause].probability, 1.0 - probability))
        for cause, p in rivals.items()
    ]
    return tuple(sorted((r for r in held if r[1] >= least), key=lambda rival: -rival[1]))


def _hidden(
    panel: Panel, number: int, place: Placed, renewed: float, slack_days: float, right: float
) -> list[CauseFinding]:
    """What the log says was done at a rebuild: its traces cannot be told from the new base.

    So the readings say nothing of it, and the log is believed as far as it is where something else acted.
    """
    found = []
    for event in panel.events:
        near = float(nearness(panel, event, slack_days)[max(place.index - 1, 0) : place.index + 2].sum())
        if event.kind in HIDDEN_BY_REBUILD and near > 0.5:
            odds = beside_odds(event.kind, right)
            found.append(
                CauseFinding(
                    cause=event.kind,
                    probability=renewed * odds / (1.0 + odds),
                    index=place.index,
                    drift=False,
                    change=number,
                    clutch=None,
                    modes=(),
                    shifts=(),
                    event=event,
                    size=(),
                    rivals=(),
                )
            )
    return found


def _rivals(chances: dict[tuple[str, ...], float], cause: str) -> dict[str, float]:
    """Causes that may have acted instead: with their probability where this one did not.

    What is likelier to have acted beside this cause than instead of it is no rival.
    """
    instead: dict[str, float] = {}
    beside: dict[str, float] = {}
    for together, p in chances.items():
        found = beside if cause in together else instead
        for other in together:
            found[other] = found.get(other, 0.0) + p
    return {c: p for c, p in instead.items() if p > beside.get(c, 0.0)}


def _everywhere(panel: Panel) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """All modes and shifts read: a relearn or rebuild leaves none out."""
    modes = {c.mode for c in panel.cells}
    channels = {c.channel for c in panel.cells}
    return (
        tuple(m for m in panel.profile.modes if m in modes),
        tuple(s.id for s in panel.profile.shifts if s.id in channels),
    )


def _chances(families: tuple[Family, ...], table: Floats, place: Placed) -> dict[tuple[str, ...], float]:
    """Probability of each cause or pair of causes near the change.

    The empty tuple stands for drifts that are not reported; what is missing to 1 is "no change".
    """
    window = table[:, _near(families, place)]
    top = max(float(window.max()), 0.0)
    weight = np.exp(window - top).sum(axis=1)
    total = weight.sum() + np.exp(-top)
    chances: dict[tuple[str, ...], float] = {}
    for family, share in zip(families, weight / total, strict=True):
        chances[family.causes] = chances.get(family.causes, 0.0) + float(share)
    return chances


def _near(families: tuple[Family, ...], place: Placed) -> slice:
    """Snapshots at which a change's causes are weighed: its own, and for a drift those about it.

    A step was placed with a moment between two snapshots; at its neighbours that moment is another change.
    """
    reach = REACH if families[place.pattern].pattern.kind == "bend" else 0
    return slice(max(place.index - reach, 1), place.index + reach + 1)


def _best_of(families: tuple[Family, ...], table: Floats, place: Placed, cause: str) -> tuple[int, bool]:
    """Most probable snapshot for this cause, and whether its likeliest family is a drift."""
    near = _near(families, place)
    rows = [i for i, f in enumerate(families) if cause in f.causes]
    window = table[rows, near]
    row, column = np.unravel_index(int(np.argmax(window)), window.shape)
    return near.start + int(column), families[rows[int(row)]].pattern.kind == "bend"


@dataclass(frozen=True)
class _CellEffects:
    """Estimated effects of one change, cell by cell (C,), with the parts of their errors.

    `across` is the standard deviation of what all cells of the signal share, `of_mode` that of what only
    those of one mode do; `mode` is the number of each cell's.
    """

    estimate: Floats
    own_var: Floats
    across: Floats
    of_mode: Floats
    mode: NDArray[np.int64]


def _at(panel: Panel, sharing: Sharing, effects: Effects, index: int) -> _CellEffects:
    shared, of_mode = effects.shared_sd[index], effects.of_mode[index][sharing.group]
    return _CellEffects(
        effects.estimate[index],
        effects.own_var[index],
        np.sqrt(1.0 - of_mode) * shared,
        np.sqrt(of_mode) * shared,
        np.unique([c.mode for c in panel.cells], return_inverse=True)[1],
    )


def _pooled(cells: _CellEffects, where: Bools) -> tuple[float, float]:
    """Precision-weighted mean effect over some cells of one signal, and its standard error."""
    told = where & np.isfinite(cells.own_var)
    if not told.any():
        return np.nan, np.nan
    weight = 1.0 / cells.own_var[told]
    total = weight.sum()
    mean = float((weight * cells.estimate[told]).sum() / total)
    across = (weight * cells.across[told]).sum() / total
    of_mode = np.bincount(cells.mode[told], weight * cells.of_mode[told]) / total
    return mean, float(np.sqrt(1.0 / total + across**2 + (of_mode**2).sum()))


def _touched(panel: Panel, effects: _CellEffects) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Modes and shifts whose cells moved together beyond noise, on any signal.

    Many means are looked at, so the false discovery rate is controlled (Benjamini and Yekutieli, since
    shifts share packs and are not independent), for modes and for shifts apart.
    """
    signal = np.array([c.signal for c in panel.cells])
    mode = np.array([c.mode for c in panel.cells])
    channel = np.array([c.channel for c in panel.cells])
    modes = _mostly(effects, {m: mode == m for m in panel.profile.modes}, signal)
    inside = np.isin(mode, modes) if modes else mode != ""
    shifts = {s.id: inside & (channel == s.id) for s in panel.profile.shifts}
    return modes, _moved(effects, shifts, signal)


def _mostly(effects: _CellEffects, groups: dict[str, Bools], signal: NDArray[np.str_]) -> tuple[str, ...]:
    """Of the groups that moved, those that moved a good part as far as the one that moved furthest.

    A trailer that is pulled in one mode is felt a little in the others; it is not said to be there.
    """
    moved = _moved_signals(effects, groups, signal)
    furthest: dict[str, float] = {}
    for (_, s), size in moved.items():
        furthest[s] = max(size, furthest.get(s, 0.0))
    kept = {name for (name, s), size in moved.items() if size >= GOOD_PART * furthest[s]}
    return tuple(name for name in groups if name in kept)


def _moved(effects: _CellEffects, groups: dict[str, Bools], signal: NDArray[np.str_]) -> tuple[str, ...]:
    """Groups that moved on any signal."""
    moved = {name for name, _ in _moved_signals(effects, groups, signal)}
    return tuple(name for name in groups if name in moved)


def _moved_signals(
    effects: _CellEffects, groups: dict[str, Bools], signal: NDArray[np.str_]
) -> dict[tuple[str, str], float]:
    """Groups and signals whose mean effect is beyond noise, with its size."""
    found, p_values = {}, []
    for name, where in groups.items():
        for s in sorted(set(signal[where])):
            mean, se = _pooled(effects, where & (signal == s))
            if np.isfinite(se) and se > 0:
                found[name, str(s)] = abs(mean)
                p_values.append(2.0 * float(ndtr(-abs(mean) / se)))
    if not p_values:
        return {}
    rejected = multipletests(p_values, FALSELY_TOUCHED, method="fdr_by")[0]
    return {key: size for (key, size), hit in zip(found.items(), rejected, strict=True) if hit}


def drift_finding(panel: Panel, sharing: Sharing, slopes: Effects, probability: float) -> CauseFinding:
    """A pressure drift whose beginning was not found."""
    effects = _at(panel, sharing, slopes, 0)
    modes, shifts = _touched(panel, effects)
    return CauseFinding(
        cause="pressure",
        probability=probability,
        index=None,
        drift=True,
        change=None,
        clutch=None,
        modes=modes,
        shifts=shifts,
        event=None,
        size=_sizes(panel, effects, modes),
        rivals=(),
    )


def _sizes(panel: Panel, effects: _CellEffects, modes: tuple[str, ...]) -> tuple[SignalEffect, ...]:
    signal = np.array([c.signal for c in panel.cells])
    inside = np.array([not modes or c.mode in modes or c.mode == "" for c in panel.cells])
    sizes = []
    for kind in panel.profile.signals:
        if kind.per_pack or not (signal == kind.name).any():
            continue
        mean, se = _pooled(effects, inside & (signal == kind.name))
        if np.isfinite(se):
            sizes.append(SignalEffect(kind.name, kind.unit, mean, se))
    return tuple(sizes)


def _part_sizes(
    panel: Panel, part: tuple[Floats, Floats], modes: tuple[str, ...]
) -> tuple[SignalEffect, ...]:
    """Mean effect on each signal of one of two causes that acted together."""
    mean, covariance = part
    sizes = []
    for kind in panel.profile.signals:
        where = np.array([c.signal == kind.name and (not modes or c.mode in modes) for c in panel.cells])
        if not kind.per_pack and where.any():
            variance = covariance[np.ix_(where, where)].mean()
            sizes.append(
                SignalEffect(
                    kind.name, kind.unit, float(mean[where].mean()), float(np.sqrt(max(variance, 0.0)))
                )
            )
    return tuple(sizes)


def _event(panel: Panel, index: int, cause: str, slack_days: float) -> Event | None:
    """The logged event of this kind whose date fits the gap before the snapshot, if there is one."""
    best: tuple[float, Event] | None = None
    for event in panel.events:
        if event.kind != cause and not (event.kind == "repair" and cause in ("pressure", "unexplained")):
            continue
        chance = float(nearness(panel, event, slack_days)[max(index - 1, 0) : index + 2].sum())
        if chance > 0.05 and (best is None or chance > best[0]):
            best = (chance, event)
    return best[1] if best else None
