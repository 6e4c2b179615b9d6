"""Effects of candidate changes, estimated beside the changes that are already in a unit's model.

Generalised least squares, cell by cell, with independent normal priors on what is held beside the
candidate: so a cell too short to tell a slope from a step says little about either, instead of failing.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from driftwatch.changes.design import COURSES, SHARE_AFTER, SLOW, SUDDEN, Columns, Design, Indices, products
from driftwatch.changes.evidence import Effects, Jump, Pattern, Sharing, jump_correction
from driftwatch.panel.panel import Bools, Floats

#: Precision that stands for "nothing known before" on levels.
FLAT = 1e-8
#: Standard deviation of the logarithm of a cell's rate of learning about the fleet's.
LATE_SHARE = 0.6
#: What that leaves, which is not linear in the rate, as a share of a change's size. Where nobody counted the
#: shifts, both are as many times as large as the rate is less known.
ROUGH_SHARE = 0.25
#: A cell is a loner when it moved so many standard deviations further than the others of its signal and mode,
#: which themselves moved less than STILL_SDS; at most so many cells, or this share, are taken for such.
LONER_SDS = 3.5
STILL_SDS = 1.5
LONERS = 3
LONER_SHARE = 0.05
#: Columns held before any change: level, slope, and what was not learned yet at the first snapshot.
BASE = 3
#: Number of the main shape of every kind of change among the shapes of its course: the first.
MAIN = 0
#: Least share of a candidate's information that must be its own, for the cell to say anything of it.
LEAST_OWN = 1e-6


@dataclass(frozen=True, order=True)
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
    mean = [np.zeros(len(design.signal))] * len(precision)
    mean[1] = design.slope_mean
    held = hold(design, np.concatenate(columns, axis=2), np.stack(precision, axis=1), np.stack(mean, axis=1))
    if not placed:
        return held
    late = less_known(design)
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
                precision.append(_precision(part * late * learned))
                mean.append(np.zeros(len(size)))
    held = hold(design, np.concatenate(columns, axis=2), np.stack(precision, axis=1), np.stack(mean, axis=1))
    return replace(held, effect=tuple(effect))


def less_known(design: Design) -> Floats:
    """How many times less is known of each cell's rate of learning than where shifts are counted, (C,)."""
    return np.asarray(np.hypot(1.0, design.use_spread / LATE_SHARE))


def _precision(sd: Floats) -> Floats:
    return np.asarray(1.0 / np.maximum(sd, 1e-6) ** 2)


def without_slope(design: Design, held: Held) -> Held:
    """Give what is held without the slope from the first snapshot on."""
    others = np.arange(held.raw.shape[2]) != 1
    return hold(design, held.raw[:, :, others], held.precision[:, others], held.mean[:, others])


def hold(design: Design, raw: Floats, precision: Floats, mean: Floats) -> Held:
    """Solve for columns (C, T, n) with prior means and precisions (C, n), to estimate others beside them."""
    weighed = design.precision @ raw
    gram = np.swapaxes(raw, 1, 2) @ weighed
    diagonal = np.arange(gram.shape[1])
    gram[:, diagonal, diagonal] += precision
    score = (design.weighed[:, None, :] @ raw)[:, 0] + precision * mean
    return Held(raw, mean, precision, weighed, np.asarray(np.linalg.inv(gram)), score)


def _column(design: Design, shape: str, change: Placed) -> Floats:
    at = np.array([change.index])
    shapes = SLOW if shape in SLOW else SUDDEN
    if change.share == SHARE_AFTER and shapes in design.columns:
        return np.asarray(design.columns[shapes].raw[shapes.index(shape)][:, :, at])
    return np.asarray(design.raw(shapes, at, change.share)[shapes.index(shape)])


@dataclass(frozen=True)
class _Rest:
    """What is left of candidate columns of S shapes beside the held ones, and beside shapes taken off since.

    A column that is left is a sum of the columns of all S0 shapes beside the held ones; `part` says of how
    much of each, for the cells that tell most of all candidates together.

    Attributes
    ----------
    shapes : tuple of str (S)
        Those that are left; the main one, the first, always is.
    whole : array (C, J)
        Product with the precision of the main shape before anything was taken off.
    best : array of int (G,)
        The cell of each signal and mode that is read best.
    beside : array (S0, G, T, J)
        Noise precision times what the held columns leave of each shape, in the best-read cells.
    part : array (S, S0, G, J)
        How much of each shape (second axis) is in what is left of each (first axis), in the best-read cells.
    information : array (S, S, C, J)
        Products with the precision between of what is left of every two shapes.
    score : array (S, C, J)
        Products of what is left with the precision and the readings.

    """

    shapes: tuple[str, ...]
    whole: Floats
    best: Indices
    beside: Floats
    part: Floats
    information: Floats
    score: Floats

    def without(self, shape: str, mean: Floats, spread: Floats) -> tuple[_Rest, Floats]:
        """Take one shape off the others; its coefficients are `mean`, give or take `spread`, beforehand.

        With it comes the log Bayes factor of that column against none, (J,).
        """
        other = self.shapes.index(shape)
        kept = [i for i in range(len(self.shapes)) if i != other]
        prior = 1.0 / np.maximum(spread, 1e-9) ** 2
        # Rounding can leave a column that is all but held already a little under zero.
        information = np.maximum(self.information[other, other], 0.0)
        mass = information + prior
        # Against what is expected of it, the other column's coefficient is nought before the readings.
        score = self.score[other] - mean * information
        bonus = 0.5 * (np.log(prior / mass) + score**2 / mass)
        bonus = (bonus + mean * self.score[other] - 0.5 * mean**2 * information).sum(axis=0)
        crossed = self.information[kept, other]
        slope = crossed / mass
        left = replace(
            self,
            shapes=tuple(self.shapes[i] for i in kept),
            part=self.part[kept] - slope[:, None, self.best] * self.part[other],
            information=self.information[np.ix_(kept, kept)] - slope[:, None] * crossed,
            score=self.score[kept] - mean * crossed - slope * score,
        )
        return left, np.asarray(bonus)

    def weighed(self) -> Floats:
        """Noise precision times what is left of the main shape, for the best-read cells: (G, T, J)."""
        return np.asarray(np.einsum("sgj,sgtj->gtj", self.part[MAIN], self.beside))


def _beside(design: Design, held: Held, shapes: tuple[str, ...], columns: Columns) -> _Rest:
    """Take the held columns off candidates; by the main shape cells are read best or worse."""
    crossed = np.swapaxes(held.raw, 1, 2) @ columns.weighed
    explained = held.inverse @ crossed
    information = columns.information - products(crossed, explained)
    best = _best_read(information[MAIN, MAIN], design.sharing.cells)
    count = len(shapes)
    return _Rest(
        shapes=shapes,
        whole=columns.information[MAIN, MAIN],
        best=best,
        beside=columns.weighed[:, best] - held.weighed[best] @ explained[:, best],
        part=np.broadcast_to(
            np.eye(count)[:, :, None, None], (count, count, len(best), columns.raw.shape[3])
        ),
        information=information,
        score=columns.score - (held.score[:, None, :] @ explained)[:, :, 0],
    )


def _best_read(information: Floats, groups: list[Indices]) -> Indices:
    """Give the cell of each group that tells most of all candidates together, (G,)."""
    told = information.sum(axis=1)
    return np.array([cells[np.argmax(told[cells])] for cells in groups], dtype=np.int64)


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
    rests: dict[tuple[str, ...], _Rest] = field(default_factory=dict)
    jumps: dict[str, Effects] = field(default_factory=dict)

    def effects(self, kind: str, jump: Jump | None) -> Effects:
        """Estimate one of the kinds of `COURSES`, with what comes beside it, where something does."""
        course, design = COURSES[kind], self.design
        rest = self._rest(course.shapes)
        bonus = np.zeros(rest.information.shape[3])
        if course.late is None:
            return _effects(design, rest, bonus)
        if course.beside is not None and jump is not None:
            expected, free = jump.prior(design.before if self.at is None else design.before[:, self.at])
            jumps = self._jumps(course.beside, rest)
            rest, bonus = rest.without(course.beside, expected, free)
            bonus = bonus + jump_correction(jumps, expected.T, free.T, design.sharing)
            size = np.hypot(expected, free)
        else:
            # Lateness is weighed as it will be once the change is in the model: in proportion to it.
            size = _typical_size(design, _effects(design, rest, bonus))
        size = size * less_known(design)[:, None]
        for shape, share in ((course.late, LATE_SHARE), (course.rough, ROUGH_SHARE)):
            if shape is not None:
                rest, by_it = rest.without(shape, np.zeros_like(size), share * size)
                bonus = bonus + by_it
        learning = np.isfinite(design.learned[:, -1])
        return _without_loners(_effects(design, rest, bonus), design.sharing, learning)

    def _jumps(self, shape: str, rest: _Rest) -> Effects:
        """Estimates of the jump of renewals, which is one and the same for all of them."""
        if shape not in self.jumps:
            self.jumps[shape] = _jumps(self.design, rest, shape, self.at)
        return self.jumps[shape]

    def _rest(self, shapes: tuple[str, ...]) -> _Rest:
        if shapes not in self.rests:
            design = self.design
            known = design.columns[shapes] if self.at is None else None
            columns = known or design.placed(shapes, np.asarray(self.at), self.share)
            self.rests[shapes] = _beside(design, self.held, shapes, columns)
        return self.rests[shapes]


def _jumps(design: Design, rest: _Rest, shape: str, at: Indices | None) -> Effects:
    """Estimates of the shape that comes beside a renewal, beside the main one, so that a step is no jump.

    They tell of a single reading or a few: as much of their error is shared as of one reading's.
    """
    at = np.arange(len(design.distance)) if at is None else at
    other = rest.shapes.index(shape)
    whole, crossed = rest.information[other, other], rest.information[MAIN, other]
    slope = crossed / np.maximum(rest.information[MAIN, MAIN], 1e-12)
    information = whole - slope * crossed
    told = information > LEAST_OWN * np.maximum(whole, 1e-12)
    safe = np.where(told, information, 1.0)
    variance = np.where(told, 1.0 / safe, 0.0)
    shared = design.in_common[:, at] * variance
    return Effects(
        estimate=np.where(told, (rest.score[other] - slope * rest.score[MAIN]) / safe, 0.0).T,
        own_var=np.where(told, variance - shared, np.inf).T,
        shared_sd=np.sqrt(shared).T,
        of_mode=design.in_mode[design.signal[rest.best]][:, at].T,
        bonus=np.zeros(len(at)),
    )


def _without_loners(effects: Effects, sharing: Sharing, learning: Bools) -> Effects:
    """Let cells say nothing that moved far, alone, while the others of their signal and mode stood still.

    That is a slip of the keyboard or a single value that was cleared, no change of the transmission. Where
    more than a few cells do so, it is something real.
    """
    told = np.isfinite(effects.own_var)
    sd = np.sqrt(np.where(told, effects.own_var + effects.shared_sd**2, 1.0))
    z = np.where(told, effects.estimate / sd, 0.0)
    member, group = sharing.member, sharing.group
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
    """Effect estimates of columns of one shape, with nothing beside them but what is held."""
    rest = _beside(design, held, ("alone",), columns)
    return _effects(design, rest, np.zeros(columns.raw.shape[3]))


def _effects(design: Design, rest: _Rest, bonus: Floats) -> Effects:
    """Estimates of the main shape, and the parts of their variance."""
    information = rest.information[MAIN, MAIN]
    told = information > LEAST_OWN * np.maximum(rest.whole, 1e-12)
    safe = np.where(told, information, 1.0)
    total = np.where(told, 1.0 / safe, np.inf)
    part, of_mode = _shared_parts(design, rest.weighed(), rest.best, safe[rest.best])
    shared_var = np.where(told, part * np.where(told, total, 0.0), 0.0)
    return Effects(
        estimate=np.where(told, rest.score[MAIN] / safe, 0.0).T,
        own_var=(total - shared_var).T,
        shared_sd=np.sqrt(shared_var).T,
        of_mode=of_mode.T,
        bonus=bonus,
    )


def _shared_parts(
    design: Design, weighed: Floats, best: Indices, information: Floats
) -> tuple[Floats, Floats]:
    """Share of each estimate's variance that comes from the noise its signal's cells have in common, (C, J).

    And the part of that which is common to one mode only, (G, J). Worked out for the best-read cell of each
    signal and mode, and taken for the others of its kind.
    """
    weights = weighed / information[:, None, :]
    spread = (weights * (design.common[design.signal[best]] @ weights)).sum(axis=1)
    of_mode = (weights * (design.common_of_mode[design.signal[best]] @ weights)).sum(axis=1)
    # The cells' slopes from the start are not independent of each other either.
    tilt = (weights * design.base[best, :, 1:2]).sum(axis=1)
    spread += design.slope_common[design.signal[best], None] * tilt**2
    shared = np.clip(spread * information, 0.0, 0.95)[design.group]
    return np.asarray(shared), np.clip(of_mode / np.maximum(spread, 1e-300), 0.0, 1.0)


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
