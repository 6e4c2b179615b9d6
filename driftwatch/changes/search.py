"""The joint search for a unit's changes: steps, transients and bends compete at every snapshot.

Starting from level and slope alone, the most probable change is added, and all that are in are then
re-examined one by one (still needed? another time? another pattern?), until nothing moves. Evidence is
the log Bayes factor of `driftwatch.changes.evidence`, plus the log prior odds that the caller gives for
each pattern at each snapshot. A change is accepted when its posterior log odds pass `threshold`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import logsumexp
from scipy.stats import chi2

from driftwatch.changes.design import (
    COURSES,
    SHARE_AFTER,
    SHARES,
    Design,
    Indices,
    candidates,
    whitened,
)
from driftwatch.changes.evidence import Effects, Pattern, log_factors, noisier_factor
from driftwatch.changes.results import Change, UnitFit
from driftwatch.panel.noise import Fleet
from driftwatch.panel.panel import Floats, Panel

#: Precision that stands for "nothing known before" on levels.
FLAT = 1e-8
#: How far, as a share of its size, a change may deviate from the expected course of arrival.
LATE_SHARE = 0.3
#: A change after nearly all shifts of a gap looks like one at the start of the next gap, and is placed there
#: unless the evidence is better by this much.
LATER = 6.0
MOST_CHANGES = 8
#: What makes a candidate worth a look: the squared standardised group means together beyond this quantile
#: of their chi-squared distribution; the cells' mean square beyond APART; one group's square beyond ALONE.
TOGETHER = 0.8
APART = 1.6
ALONE = 9.0
ROUNDS = 4


@dataclass(frozen=True)
class Placed:
    """A change in the model: its pattern (by number), its snapshot, and the share of shifts after it."""

    pattern: int
    index: int
    share: float = SHARE_AFTER


@dataclass(frozen=True)
class SearchResult:
    """Changes found, with the posterior log odds of every pattern at every snapshot, given the others.

    Attributes
    ----------
    placed : tuple of Placed
    tables : tuple of arrays (K, T)
        For each change: log posterior odds against its absence; -inf where it cannot be.

    """

    placed: tuple[Placed, ...]
    tables: tuple[Floats, ...]
    effects: tuple[Effects, ...]


def search(
    design: Design, patterns: tuple[Pattern, ...], log_prior: Floats, threshold: float
) -> SearchResult:
    """Find a unit's changes.

    Parameters
    ----------
    design : Design
        The unit's whitened readings.
    patterns : tuple of Pattern (K)
        What a change may look like.
    log_prior : array (K, T)
        Log prior odds of each pattern at each snapshot.
    threshold : float
        Least log posterior odds of a change against its absence.

    """
    placed: list[Placed] = []
    for _ in range(ROUNDS):
        before = list(placed)
        placed = _add(design, patterns, log_prior, threshold, placed)
        placed = _revise(design, patterns, log_prior, threshold, placed)
        if placed == before:
            break
    placed = sorted(placed, key=lambda p: (p.index, p.pattern))
    tables, effects = [], []
    for i, change in enumerate(placed):
        others = placed[:i] + placed[i + 1 :]
        kinds = _estimates(design, patterns, others, change.share)
        table = _table(design, patterns, log_prior, kinds, change.index)
        _average_moments(design, patterns, log_prior, others, change, table)
        tables.append(table)
        effects.append(kinds[patterns[change.pattern].kind])
    return SearchResult(tuple(placed), tuple(tables), tuple(effects))


def _average_moments(
    design: Design,
    patterns: tuple[Pattern, ...],
    log_prior: Floats,
    others: list[Placed],
    change: Placed,
    table: Floats,
) -> None:
    """Put into the table, at the change's own snapshot, odds averaged over the moments within the gap.

    The moment at which the change was placed suits the pattern it was placed as; other patterns are to be
    weighed at theirs.
    """
    nuisance, at = _nuisance(design, patterns, others), np.array([change.index])
    sudden = sorted({p.kind for p in patterns if p.kind != "bend"})
    rows = {kind: np.array([i for i, p in enumerate(patterns) if p.kind == kind]) for kind in sudden}
    gains: dict[str, list[Floats]] = {kind: [] for kind in sudden}
    noisier = []
    for share in SHARES:
        for kind in sudden:
            some = [patterns[i] for i in rows[kind]]
            effects = _effects_of(design, kind, share, at, nuisance, some[0].late)
            gains[kind].append(log_factors(effects, some, design.signal)[:, 0])
            if share == change.share:
                noisier.append(noisier_factor(effects, design.signal)[0])
    for kind in sudden:
        mean = np.logaddexp.reduce(gains[kind]) - np.log(len(SHARES))
        table[rows[kind], change.index] = mean - max(noisier) + log_prior[rows[kind], change.index]


def _add(
    design: Design, patterns: tuple[Pattern, ...], log_prior: Floats, threshold: float, placed: list[Placed]
) -> list[Placed]:
    while len(placed) < MOST_CHANGES:
        table = _table(design, patterns, log_prior, _estimates(design, patterns, placed))
        best = _best(table)
        if best is None or _strength(table, best) <= threshold or _among(best, placed):
            break
        placed = [_settle(design, patterns, log_prior, p, [*placed, best]) for p in [*placed, best]]
    return placed


def _revise(
    design: Design, patterns: tuple[Pattern, ...], log_prior: Floats, threshold: float, placed: list[Placed]
) -> list[Placed]:
    """Take each change out in turn and put the best in its place, or nothing."""
    kept = list(placed)
    for change in placed:
        if len(kept) < 2:
            break
        others = [p for p in kept if p != change]
        table = _table(design, patterns, log_prior, _estimates(design, patterns, others))
        best = _best(table)
        kept = others
        if best and not _among(best, others) and _strength(table, best) > threshold:
            kept = [*others, _settle(design, patterns, log_prior, best, others)]
    return kept


def _among(change: Placed, placed: list[Placed]) -> bool:
    return any((p.pattern, p.index) == (change.pattern, change.index) for p in placed)


def _settle(
    design: Design, patterns: tuple[Pattern, ...], log_prior: Floats, change: Placed, placed: list[Placed]
) -> Placed:
    """Move a change to the snapshot beside it, and the moment between snapshots, that fit it best."""
    pattern = patterns[change.pattern]
    if pattern.kind == "bend":
        return change
    last = len(design.distance) - 1
    near = np.array([j for j in (change.index - 1, change.index, change.index + 1) if 1 <= j <= last])
    nuisance = _nuisance(design, patterns, [p for p in placed if p != change])
    gain = np.concatenate(
        [
            log_factors(
                _effects_of(design, pattern.kind, share, near, nuisance, pattern.late),
                [pattern],
                design.signal,
            )[0]
            + log_prior[change.pattern, near]
            - (LATER if share == min(SHARES) else 0.0)
            for share in SHARES
        ]
    )
    best = int(np.argmax(gain))
    return Placed(change.pattern, int(near[best % len(near)]), SHARES[best // len(near)])


def _best(table: Floats) -> Placed | None:
    if not np.isfinite(table).any():
        return None
    pattern, index = np.unravel_index(int(np.argmax(table)), table.shape)
    return Placed(int(pattern), int(index))


def _strength(table: Floats, at: Placed) -> float:
    """Log odds of some change at this place: all patterns, and the snapshots beside it."""
    near = table[:, max(at.index - 1, 0) : at.index + 2]
    return float(logsumexp(near))


def _estimates(
    design: Design, patterns: tuple[Pattern, ...], placed: list[Placed], share: float = SHARE_AFTER
) -> dict[str, Effects]:
    """Effect estimates at every candidate, given the changes already in the model."""
    nuisance, precision = _nuisance(design, patterns, placed)
    every = np.arange(len(design.distance))
    estimates: dict[str, Effects] = {}
    for kind in sorted({p.kind for p in patterns}):
        late = next(p.late for p in patterns if p.kind == kind)
        estimates[kind] = _effects_of(design, kind, share, every, (nuisance, precision), late)
    return estimates


def _effects_of(
    design: Design, kind: str, share: float, at: Indices, nuisance: tuple[Floats, Floats], late: Floats
) -> Effects:
    """Effect estimates of one kind of change at some candidates, at one share of shifts after the change."""
    course = COURSES[kind]
    main = _columns(design, course.main, share, at)
    beside = course.beside or (course.late if kind == "step" else None)
    if beside is None:
        return estimate_effects(design, main, *nuisance)
    if kind == "step":
        # A step's lateness is weighed as it will be once the step is in the model: in proportion to it.
        late = LATE_SHARE * _typical_size(design, estimate_effects(design, main, *nuisance))
    return estimate_with(design, main, _columns(design, beside, share, at), nuisance, late)


def _typical_size(design: Design, effects: Effects) -> Floats:
    """Root mean square effect over each signal's cells, without its noise, for each of the cells, (C, J).

    Weighed by what each cell tells, so that it rests on the cells that are driven most.
    """
    member = (design.signal[:, None] == np.arange(design.signal.max(initial=-1) + 1)).astype(float)
    weight = np.where(
        np.isfinite(effects.own_var), 1.0 / np.where(effects.own_var > 0, effects.own_var, 1.0), 0.0
    )
    total = np.maximum(weight @ member, 1e-30)
    square = ((weight * effects.estimate**2) @ member - (weight > 0) @ member) / total
    return np.asarray(np.sqrt(np.maximum(square, 0.0))[:, design.signal].T)


def _columns(design: Design, shape: str, share: float, at: Indices) -> Floats:
    if len(at) == len(design.distance) and (share == SHARE_AFTER or shape == "bend"):
        return design.columns[shape]
    return whitened(design, shape, share, at)


def _nuisance(design: Design, patterns: tuple[Pattern, ...], placed: list[Placed]) -> tuple[Floats, Floats]:
    """Columns (C, T, 2 + n + m) that every candidate is estimated beside, and their prior precisions.

    Level and slope, the n changes placed, and what comes with them: shapes beside, of their own size, and
    shapes for a wrong rate or moment of arrival, in proportion to the change's size in that cell.
    """
    columns = [design.base]
    precision = [np.full(len(design.signal), FLAT), design.slope_precision]
    for change in placed:
        pattern = patterns[change.pattern]
        columns.append(_column(design, COURSES[pattern.kind].main, change))
        top = max(pattern.scales)
        sd = top * np.sqrt(pattern.spread**2 + (pattern.basis**2).sum(axis=1)) + np.abs(pattern.mean)
        precision.append(1.0 / np.maximum(sd, 1e-6) ** 2)
    if not placed:
        return design.base, np.stack(precision, axis=1)
    size = _solve(design, np.concatenate(columns, axis=2), np.stack(precision, axis=1))[0][:, 2:]
    for i, change in enumerate(placed):
        pattern = patterns[change.pattern]
        course = COURSES[pattern.kind]
        for shape, free in ((course.beside, pattern.late), (course.late, LATE_SHARE * np.abs(size[:, i]))):
            if shape is not None:
                columns.append(_column(design, shape, change))
                precision.append(1.0 / np.maximum(free, 1e-6) ** 2)
    return np.concatenate(columns, axis=2), np.stack(precision, axis=1)


def _column(design: Design, shape: str, change: Placed) -> Floats:
    return whitened(design, shape, change.share, np.array([change.index]))


def _solve(design: Design, columns: Floats, precision: Floats) -> tuple[Floats, Floats]:
    """Posterior mean (C, n) and covariance (C, n, n) of the columns' coefficients."""
    gram = np.swapaxes(columns, 1, 2) @ columns
    diagonal = np.arange(gram.shape[1])
    gram[:, diagonal, diagonal] += precision
    covariance = np.linalg.inv(gram)
    mean = np.einsum("cij,cj->ci", covariance, np.einsum("cti,ct->ci", columns, design.readings))
    return np.asarray(mean), np.asarray(covariance)


def estimate_effects(design: Design, columns: Floats, nuisance: Floats, precision: Floats) -> Effects:
    """Generalised least squares of each candidate column beside the nuisance columns, cell by cell.

    The nuisance parameters have independent normal priors, so a cell too short to tell a slope from a step
    says little about either, instead of failing.
    """
    gram = np.swapaxes(nuisance, 1, 2) @ nuisance
    diagonal = np.arange(gram.shape[1])
    gram[:, diagonal, diagonal] += precision
    crossed = np.swapaxes(nuisance, 1, 2) @ columns
    cleaned = columns - nuisance @ np.linalg.solve(gram, crossed)
    return _effects(design, columns, cleaned)


def estimate_with(
    design: Design,
    columns: Floats,
    beside: Floats,
    nuisance: tuple[Floats, Floats],
    late: Floats,
) -> Effects:
    """Estimates of changes that come with something, each beside a column of prior size `late`.

    `late` has shape (C,) or (C, J).

    The `bonus` of the result is the log Bayes factor of the columns beside against none.
    """
    held, precision = nuisance
    gram = np.swapaxes(held, 1, 2) @ held
    diagonal = np.arange(gram.shape[1])
    gram[:, diagonal, diagonal] += precision
    both = np.concatenate([columns, beside], axis=2)
    free = both - held @ np.linalg.solve(gram, np.swapaxes(held, 1, 2) @ both)
    step, jump = free[:, :, : columns.shape[2]], free[:, :, columns.shape[2] :]
    prior = 1.0 / np.maximum(late if late.ndim == 2 else late[:, None], 1e-9) ** 2
    mass = np.einsum("ctj,ctj->cj", beside, jump) + prior
    score = np.einsum("ctj,ct->cj", jump, design.readings)
    bonus = 0.5 * (np.log(prior / mass) + score**2 / mass).sum(axis=0)
    slope = np.einsum("ctj,ctj->cj", beside, step) / mass
    effects = _effects(design, columns, step - jump * slope[:, None, :])
    return replace(effects, bonus=np.asarray(bonus))


def _effects(design: Design, columns: Floats, cleaned: Floats) -> Effects:
    """Estimates from columns (C, T, J) and what is left of them beside the nuisance columns."""
    information = np.einsum("ctj,ctj->jc", columns, cleaned)
    score = np.einsum("ctj,ct->jc", cleaned, design.readings)
    least = 1e-6 * np.maximum(np.einsum("ctj,ctj->jc", columns, columns), 1e-12)
    told = information > least
    safe = np.where(told, information, 1.0)
    total = np.where(told, 1.0 / safe, np.inf)
    part = _shared_part(design, cleaned, safe)
    shared_var = np.where(told, part * np.where(told, total, 0.0), 0.0)
    return Effects(
        estimate=np.where(told, score / safe, 0.0),
        own_var=total - shared_var,
        shared_sd=np.sqrt(shared_var),
        bonus=np.zeros(len(information)),
    )


def slope_effects(design: Design, patterns: tuple[Pattern, ...], placed: tuple[Placed, ...]) -> Effects:
    """Slopes from the first snapshot on, per 10 000 km, beside level and all changes found; one row."""
    nuisance, precision = _nuisance(design, patterns, list(placed))
    others = np.arange(nuisance.shape[2]) != 1
    return estimate_effects(design, design.base[:, :, 1:2], nuisance[:, :, others], precision[:, others])


def _shared_part(design: Design, cleaned: Floats, information: Floats) -> Floats:
    """Share of each estimate's variance that comes from the noise its signal's cells have in common, (J, C).

    Worked out for the best-read cell of each signal and mode, and taken for the others of its kind.
    """
    part = np.zeros(information.shape)
    for group in range(design.group.max(initial=-1) + 1):
        cells = np.flatnonzero(design.group == group)
        best = cells[np.argmax(information[:, cells].sum(axis=0))]
        weights = design.whiten[best].T @ cleaned[best] / information[:, best]
        common = design.common[design.signal[best]]
        shared = np.einsum("tj,tj->j", common @ weights, weights) * information[:, best]
        part[:, cells] = np.clip(shared, 0.0, 0.95)[:, None]
    return part


def _worth_a_look(design: Design, effects: Effects) -> NDArray[np.bool_]:
    """Candidates at which something moved: a group of cells together, or many cells apart, (J,).

    Only these are weighed against the patterns. At the others no pattern could reach the threshold: the
    means of the groups are together smaller than noise makes them in four cases of five.
    """
    told = np.isfinite(effects.own_var)
    weight = np.where(told, 1.0 / np.where(told, effects.own_var, 1.0), 0.0)
    member = (design.group[:, None] == np.arange(design.group.max(initial=-1) + 1)).astype(float)
    total = weight @ member
    known = total > 0
    safe = np.where(known, total, 1.0)
    mean = (weight * effects.estimate) @ member / safe
    shared = (weight * effects.shared_sd) @ member / safe
    squares = np.where(known, mean**2 / (1.0 / safe + shared**2), 0.0)
    scatter = (weight * effects.estimate**2).sum(axis=1) / np.maximum(told.sum(axis=1), 1)
    strong = squares.sum(axis=1) > chi2.ppf(TOGETHER, np.maximum(known.sum(axis=1), 1))
    seen = np.asarray(strong | (scatter > APART) | (squares.max(axis=1, initial=0.0) > ALONE))
    return np.asarray(np.convolve(seen, [1, 1, 1], mode="same") > 0)


def _table(
    design: Design,
    patterns: tuple[Pattern, ...],
    log_prior: Floats,
    kinds: dict[str, Effects],
    always: int | None = None,
) -> Floats:
    """Log posterior odds (K, T) of every pattern at every snapshot worth a look, and at `always`."""
    table, seen = log_prior.copy(), np.zeros(log_prior.shape, dtype=bool)
    looks = {kind: _worth_a_look(design, effects) for kind, effects in kinds.items()}
    none = np.zeros(log_prior.shape[1], dtype=bool)
    sudden = np.logical_or.reduce([none, *(look for kind, look in looks.items() if kind != "bend")])
    for bends in (False, True):
        looked = looks.get("bend", none) if bends else sudden
        at = np.flatnonzero(looked | (np.arange(len(looked)) == always))
        of_kind = {k: effects.at(at) for k, effects in kinds.items() if (k == "bend") == bends}
        if not len(at) or not of_kind:
            continue
        # "Perhaps noisier here" is one and the same rival of all sudden kinds, at its strongest.
        noisier = np.max([noisier_factor(effects, design.signal) for effects in of_kind.values()], axis=0)
        for kind, effects in of_kind.items():
            rows = np.array([i for i, p in enumerate(patterns) if p.kind == kind])
            gain = log_factors(effects, [patterns[i] for i in rows], design.signal)
            table[np.ix_(rows, at)] += gain - noisier
            seen[np.ix_(rows, at)] = True
    table[~seen] = -np.inf
    table[:, 0] = -np.inf
    return table


def fit_unit(
    panel: Panel, design: Design, patterns: tuple[Pattern, ...], found: SearchResult, fleet: Fleet
) -> UnitFit:
    """Fit level, slope and all changes found together, and give them with their standard errors."""
    nuisance, precision = _nuisance(design, patterns, list(found.placed))
    solution, covariance = _solve(design, nuisance, precision)
    raw = [np.broadcast_to(np.ones_like(design.distance), design.readings.shape)]
    raw.append(np.broadcast_to(design.distance, design.readings.shape))
    courses = [COURSES[patterns[p.pattern].kind] for p in found.placed]
    raw += [_shape(design, c.main, p) for c, p in zip(courses, found.placed, strict=True)]
    for course, place in zip(courses, found.placed, strict=True):
        raw += [_shape(design, shape, place) for shape in (course.beside, course.late) if shape is not None]
    shapes = np.stack(raw, axis=2)
    se = np.sqrt(np.maximum(np.diagonal(covariance, axis1=1, axis2=2), 0.0))
    changes = tuple(
        Change(
            kind=COURSES[patterns[place.pattern].kind].main,
            index=place.index,
            span=_span(table, place),
            effect=solution[:, 2 + i],
            effect_se=se[:, 2 + i],
            evidence=_strength(table, place),
        )
        for i, (place, table) in enumerate(zip(found.placed, found.tables, strict=True))
    )
    return UnitFit(
        fitted=np.einsum("cti,ci->tc", shapes, solution),
        fitted_se=np.sqrt(np.maximum(np.einsum("cti,cij,ctj->tc", shapes, covariance, shapes), 0.0)),
        slope=solution[:, 1],
        slope_se=se[:, 1],
        noise_sd=np.array([fleet.noise[c.signal].sd for c in panel.cells]),
        changes=changes,
    )


def _shape(design: Design, shape: str, place: Placed) -> Floats:
    at = np.array([place.index])
    return candidates(shape, design.learned, design.distance, design.shifts_to_learn, place.share, at)[
        :, :, 0
    ]


def _span(table: Floats, place: Placed, level: float = 0.9) -> tuple[int, int]:
    """Smallest run of snapshots around the change that holds `level` of its pattern's probability."""
    row = np.exp(table[place.pattern] - table[place.pattern].max())
    row /= row.sum()
    low = high = place.index
    while row[low : high + 1].sum() < level:
        left = row[low - 1] if low > 0 else -1.0
        right = row[high + 1] if high + 1 < len(row) else -1.0
        if left >= right:
            low -= 1
        else:
            high += 1
    return low, high
