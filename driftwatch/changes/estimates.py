"""Effects of candidate changes, estimated beside the changes that are already in a unit's model.

Generalised least squares, cell by cell, with independent normal priors on what is held beside the
candidate: so a cell too short to tell a slope from a step says little about either, instead of failing.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from driftwatch.changes.design import COURSES, SHARE_AFTER, Columns, Design, Indices
from driftwatch.changes.evidence import Effects, Jump, Pattern
from driftwatch.panel.panel import Bools, Floats

#: Precision that stands for "nothing known before" on levels.
FLAT = 1e-8
#: Standard deviation of the logarithm of a cell's rate of learning about the fleet's.
LATE_SHARE = 0.6
#: What that leaves, which is not linear in the rate, as a share of a change's size.
ROUGH_SHARE = 0.25
#: A cell is a loner when it moved so many standard deviations further than the others of its signal and mode,
#: which themselves moved less than STILL_SDS; at most so many cells, or this share, are taken for such.
LONER_SDS = 3.5
STILL_SDS = 1.5
LONERS = 3
LONER_SHARE = 0.05
#: Columns held before any change: level, slope, and what was not learned yet at the first snapshot.
BASE = 3
#: Least share of a candidate's information that must be its own, for the cell to say anything of it.
LEAST_OWN = 1e-6


@dataclass(frozen=True)
class Placed:
    """A change in the model: its pattern (by number), its snapshot, and the share of shifts after it."""

    pattern: int
    index: int
    share: float = SHARE_AFTER


@dataclass(frozen=True)
class Held:
    """What every candidate is estimated beside: n columns with their prior precisions.

    Attributes
    ----------
    raw : array (C, T, n)
        Level, slope, the changes placed, and what comes with them.
    mean, precision : array (C, n)
        Of the coefficients, before the readings.
    weighed : array (C, T, n)
        Noise precision times `raw`.
    inverse : array (C, n, n)
        Posterior covariance of the coefficients.
    score : array (C, n)
        raw' precision readings, and what the prior adds.
    effect : tuple of int
        For each change placed, its column: of what stays, or of the jump where nothing does.

    """

    raw: Floats
    mean: Floats
    precision: Floats
    weighed: Floats
    inverse: Floats
    score: Floats
    effect: tuple[int, ...] = ()

    @property
    def solution(self) -> Floats:
        """Posterior mean of the coefficients, shape (C, n)."""
        return np.asarray((self.inverse @ self.score[:, :, None])[:, :, 0])


def held_beside(design: Design, patterns: tuple[Pattern, ...], placed: list[Placed]) -> Held:
    """Give level, slope, what was not learned at the start, the changes placed and what comes with them.

    Shapes that come beside a change have a size of their own; shapes for a wrong rate or moment of arrival
    are in proportion to the size in that cell of what is learned.
    """
    columns, precision = [design.base], [np.full(len(design.signal), FLAT), design.slope_precision]
    precision.append(_precision(design.start_sd))
    for change in placed:
        pattern = patterns[change.pattern]
        columns.append(_column(design, COURSES[pattern.kind].main, change))
        precision.append(_precision(pattern.largest))
    held = hold(design, np.concatenate(columns, axis=2), np.stack(precision, axis=1))
    if not placed:
        return held
    mean = [np.zeros(len(design.signal))] * len(precision)
    size = held.solution[:, BASE:]
    size_se = np.sqrt(np.maximum(np.diagonal(held.inverse, axis1=1, axis2=2)[:, BASE:], 0.0))
    effect = list(range(BASE, BASE + len(placed)))
    for i, change in enumerate(placed):
        pattern = patterns[change.pattern]
        course = COURSES[pattern.kind]
        precision[BASE + i] = _precision(pattern.fitting(size[:, i], size_se[:, i]))
        learned = np.abs(size[:, i])
        if course.beside is not None and pattern.jump is not None:
            expected, free = (part[:, 0] for part in pattern.jump.prior(design.before[:, [change.index]]))
            effect[i] = len(precision) if pattern.returns else effect[i]
            columns.append(_column(design, course.beside, change))
            precision.append(_precision(free))
            mean.append(expected)
            learned = np.hypot(expected, free)
        for shape, part in ((course.late, LATE_SHARE), (course.rough, ROUGH_SHARE)):
            if shape is not None:
                columns.append(_column(design, shape, change))
                precision.append(_precision(part * learned))
                mean.append(np.zeros(len(size)))
    held = hold(design, np.concatenate(columns, axis=2), np.stack(precision, axis=1), np.stack(mean, axis=1))
    return replace(held, effect=tuple(effect))


def _precision(sd: Floats) -> Floats:
    return np.asarray(1.0 / np.maximum(sd, 1e-6) ** 2)


def without_slope(design: Design, held: Held) -> Held:
    """Give what is held without the slope from the first snapshot on."""
    others = np.arange(held.raw.shape[2]) != 1
    return hold(design, held.raw[:, :, others], held.precision[:, others], held.mean[:, others])


def hold(design: Design, raw: Floats, precision: Floats, mean: Floats | None = None) -> Held:
    """Solve for columns (C, T, n) with prior precisions (C, n), beside which others will be estimated.

    Their prior means (C, n) are zero if not given.
    """
    mean = np.zeros_like(precision) if mean is None else mean
    weighed = design.precision @ raw
    gram = np.swapaxes(raw, 1, 2) @ weighed
    diagonal = np.arange(gram.shape[1])
    gram[:, diagonal, diagonal] += precision
    score = (design.weighed[:, None, :] @ raw)[:, 0] + precision * mean
    return Held(raw, mean, precision, weighed, np.asarray(np.linalg.inv(gram)), score)


def _column(design: Design, shape: str, change: Placed) -> Floats:
    at = np.array([change.index])
    if change.share == SHARE_AFTER and shape in design.columns:
        return design.columns[shape].raw[:, :, at]
    return design.placed(shape, at, change.share).raw


@dataclass(frozen=True)
class _Rest:
    """Candidate columns with what others explain of them taken off: the held ones, then one more at a time.

    Attributes
    ----------
    raw : array (C, T, J)
    weighed : array (C or B, T, J)
        Noise precision times what is left of `raw`; of the cells `rows` only, where there are such.
    rows : array (B,) or None
    information : array (C, J)
        raw' precision raw, of what is left.
    whole : array (C, J)
        The same before anything was taken off.
    score : array (C, J)
        What is left of raw' precision readings.

    """

    raw: Floats
    weighed: Floats
    rows: Indices | None
    information: Floats
    whole: Floats
    score: Floats

    def without(self, other: _Rest, slope: Floats, crossed: Floats, score: Floats) -> _Rest:
        """Take off `slope` (C, J) times another column."""
        here: Indices | slice = slice(None) if self.rows is None else self.rows
        return replace(
            self,
            weighed=self.weighed - slope[here, None, :] * other.weighed[here],
            information=self.information - slope * crossed,
            score=self.score - slope * score,
        )


def _beside(held: Held, columns: Columns, group: Indices | None = None) -> _Rest:
    """Take the held columns off candidates; with `group`, work out `weighed` for its best-read cells only."""
    crossed = np.swapaxes(held.raw, 1, 2) @ columns.weighed
    explained = held.inverse @ crossed
    information = columns.information - (crossed * explained).sum(axis=1)
    rows = None if group is None else _best_read(information, group)
    here: Indices | slice = slice(None) if rows is None else rows
    return _Rest(
        columns.raw,
        columns.weighed[here] - held.weighed[here] @ explained[here],
        rows,
        information,
        columns.information,
        columns.score - (held.score[:, None, :] @ explained)[:, 0],
    )


def _best_read(information: Floats, group: Indices) -> Indices:
    """Give the cell of each group that tells most of all candidates together, (G,)."""
    order = np.lexsort((-information.sum(axis=1), group))
    first = np.r_[True, np.diff(group[order]) > 0]
    return np.asarray(order[first])


@dataclass(frozen=True)
class Candidates:
    """Changes at some snapshots, to be estimated beside what is held; kinds share their columns.

    Attributes
    ----------
    design : Design
        The unit's readings.
    held : Held
        What the effects are estimated beside.
    at : array of int (J,), optional
        Candidate snapshots; all, half-way before each, if not given.
    share : float or array (J,)
        Share of the shifts before each candidate snapshot that came after the change.

    """

    design: Design
    held: Held
    at: Indices | None = None
    share: float | Floats = SHARE_AFTER
    rests: dict[str, _Rest] = field(default_factory=dict)

    def effects(self, kind: str, jump: Jump | None) -> Effects:
        """Estimate one of the kinds of `COURSES`, with what comes beside it, where something does."""
        course, design = COURSES[kind], self.design
        main = self._rest(course.main, design.group)
        bonus = np.zeros(main.score.shape[1])
        if course.late is None:
            return _effects(design, main, bonus)
        late = self._rest(course.late)
        if course.beside is not None and jump is not None:
            expected, free = jump.prior(design.before if self.at is None else design.before[:, self.at])
            (main, late), bonus = _taken_off([main, late], self._rest(course.beside), expected, free)
            size = np.hypot(expected, free)
        else:
            # Lateness is weighed as it will be once the change is in the model: in proportion to it.
            size = _typical_size(design, _effects(design, main, bonus))
        nowhere, rest = np.zeros_like(size), [main]
        if course.rough is not None:
            rest.append(self._rest(course.rough))
        rest, by_late = _taken_off(rest, late, nowhere, LATE_SHARE * size)
        if course.rough is not None:
            rest, by_rough = _taken_off(rest[:1], rest[1], nowhere, ROUGH_SHARE * size)
            by_late = by_late + by_rough
        main = rest[0]
        learning = np.isfinite(design.learned[:, -1])
        return _without_loners(_effects(design, main, bonus + by_late), design.group, learning)

    def _rest(self, shape: str, group: Indices | None = None) -> _Rest:
        if shape not in self.rests:
            design = self.design
            known = design.columns[shape] if self.at is None else None
            columns = known or design.placed(shape, np.asarray(self.at), self.share)
            self.rests[shape] = _beside(self.held, columns, group)
        return self.rests[shape]


def _without_loners(effects: Effects, group: Indices, learning: Bools) -> Effects:
    """Let cells say nothing that moved far, alone, while the others of their signal and mode stood still.

    That is a slip of the keyboard or a single value that was cleared, no change of the transmission. Where
    more than a few cells do so, it is something real.
    """
    told = np.isfinite(effects.own_var)
    sd = np.sqrt(np.where(told, effects.own_var + effects.shared_sd**2, 1.0))
    z = np.where(told, effects.estimate / sd, 0.0)
    member = (group[:, None] == np.arange(group.max(initial=-1) + 1)).astype(float)
    others = (told @ member)[:, group] - told
    rest = ((z @ member)[:, group] - z) / np.maximum(others, 1.0)
    # A pack does not learn but has a life of its own: one may be renewed while the others stay.
    judged = told & (others > 0) & learning
    alone = judged & (np.abs(z - rest) > LONER_SDS) & (np.abs(rest) < STILL_SDS)
    few = alone.sum(axis=1) <= np.maximum(LONERS, LONER_SHARE * told.sum(axis=1))
    alone &= few[:, None]
    return replace(
        effects,
        estimate=np.where(alone, 0.0, effects.estimate),
        own_var=np.where(alone, np.inf, effects.own_var),
        shared_sd=np.where(alone, 0.0, effects.shared_sd),
    )


def estimate_effects(design: Design, columns: Columns, held: Held) -> Effects:
    """Effect estimates of any columns, with nothing beside them but what is held."""
    main = _beside(held, columns, design.group)
    return _effects(design, main, np.zeros(main.score.shape[1]))


def _taken_off(
    columns: list[_Rest], other: _Rest, mean: Floats, spread: Floats
) -> tuple[list[_Rest], Floats]:
    """Take a column off others; its coefficients are `mean`, give or take `spread`, before the readings.

    With it comes the log Bayes factor of that column against none, (J,).
    """
    prior = 1.0 / np.maximum(spread, 1e-9) ** 2
    # Rounding can leave a column that is all but held already a little under zero.
    information = np.maximum(other.information, 0.0)
    mass = information + prior
    # Against what is expected of it, the other column's coefficient is nought before the readings.
    score = other.score - mean * information
    bonus = 0.5 * (np.log(prior / mass) + score**2 / mass)
    bonus = (bonus + mean * other.score - 0.5 * mean**2 * information).sum(axis=0)
    rest = []
    for column in columns:
        crossed = (column.raw * other.weighed).sum(axis=1)
        column = replace(column, score=column.score - mean * crossed)
        rest.append(column.without(other, crossed / mass, crossed, score))
    return rest, bonus


def _effects(design: Design, main: _Rest, bonus: Floats) -> Effects:
    """Estimates, and the parts of their variance."""
    told = main.information > LEAST_OWN * np.maximum(main.whole, 1e-12)
    safe = np.where(told, main.information, 1.0)
    total = np.where(told, 1.0 / safe, np.inf)
    part = _shared_part(design, main, safe)
    shared_var = np.where(told, part * np.where(told, total, 0.0), 0.0)
    return Effects(
        estimate=np.where(told, main.score / safe, 0.0).T,
        own_var=(total - shared_var).T,
        shared_sd=np.sqrt(shared_var).T,
        bonus=bonus,
    )


def _shared_part(design: Design, main: _Rest, information: Floats) -> Floats:
    """Share of each estimate's variance that comes from the noise its signal's cells have in common, (C, J).

    Worked out for the best-read cell of each signal and mode, and taken for the others of its kind.
    """
    best = _best_read(information, design.group) if main.rows is None else main.rows
    weights = main.weighed / information[best, None, :]
    spread = (weights * (design.common[design.signal[best]] @ weights)).sum(axis=1)
    # The cells' slopes from the start are not independent of each other either.
    tilt = (weights * design.base[best, :, 1:2]).sum(axis=1)
    spread += design.slope_common[design.signal[best], None] * tilt**2
    return np.asarray(np.clip(spread * information[best], 0.0, 0.95)[design.group])


def _typical_size(design: Design, effects: Effects) -> Floats:
    """Root mean square effect over each signal's cells, without its noise, for each of the cells, (C, J).

    Weighed by what each cell tells, so that it rests on the cells that are driven most.
    """
    member = (design.signal[:, None] == np.arange(design.signal.max(initial=-1) + 1)).astype(float)
    told = np.isfinite(effects.own_var)
    weight = np.where(told, 1.0 / np.where(told, effects.own_var, 1.0), 0.0)
    total = np.maximum(weight @ member, 1e-30)
    square = ((weight * effects.estimate**2) @ member - told @ member) / total
    return np.asarray(np.sqrt(np.maximum(square, 0.0))[:, design.signal].T)
