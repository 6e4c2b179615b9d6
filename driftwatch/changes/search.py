"""The joint search for a unit's changes: steps, transients and bends compete at every snapshot.

Starting from level and slope alone, the most probable change is added, and all that are in are then
re-examined one by one (still needed? another time? another pattern?), until nothing moves. Evidence is
the log Bayes factor of `driftwatch.changes.evidence`, plus the log prior odds that the caller gives for
each pattern at each snapshot. A change is accepted when its posterior log odds pass `threshold`.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from itertools import groupby

import numpy as np
from numpy.typing import NDArray
from scipy.special import logsumexp

from driftwatch.changes.design import SHARE_AFTER, SHARES, Design, Indices
from driftwatch.changes.estimates import Candidates, Held, Placed, held_beside
from driftwatch.changes.evidence import Effects, Jump, Pattern, Stack, log_factors, noisier_factor, stack
from driftwatch.panel.panel import Floats

#: A change after nearly all shifts of a gap looks like one at the start of the next gap, and is placed there
#: unless the evidence is better by this much.
LATER = 6.0
MOST_CHANGES = 8
ROUNDS = 4
#: A change with this log prior odds, because the log names it, has not to pass the threshold.
EXPECTED = -2.0
#: Snapshots on either side of a step at which its date is weighed.
DATED = 3
#: So many candidates, those at which the readings can say most, and the ones beside them, are weighed against
#: all patterns; and those that the log names.
MOST_LOOKED_AT = 3
#: Patterns of at most so many magnitudes are put into one array; wider ones into another.
NARROW = 7


@dataclass(frozen=True)
class SearchResult:
    """Changes found, with the posterior log odds of every pattern at every snapshot, given the others.

    Attributes
    ----------
    placed : tuple of Placed
    tables : tuple of arrays (K, T)
        For each change: log posterior odds against its absence; -inf where it cannot be or was not weighed.
    effects : tuple of Effects
        Estimates of each change's kind at every snapshot, given the others.
    held : Held
        Level, slope and all changes found, fitted together.
    left : array (K, T)
        Log posterior odds of one more change beside all that were found, too little to be called found; -inf
        where it cannot be or was not weighed.

    """

    placed: tuple[Placed, ...]
    tables: tuple[Floats, ...]
    effects: tuple[Effects, ...]
    held: Held
    left: Floats


def search(
    design: Design, patterns: tuple[Pattern, ...], log_prior: Floats, threshold: float
) -> SearchResult:
    """Find a unit's changes.

    Parameters
    ----------
    design : Design
        The unit's readings.
    patterns : tuple of Pattern (K)
        What a change may look like.
    log_prior : array (K, T)
        Log prior odds of each pattern at each snapshot.
    threshold : float
        Least log posterior odds of a change against its absence.

    """
    return _Search(design, patterns, log_prior, threshold).run()


@dataclass(frozen=True)
class _Search:
    design: Design
    patterns: tuple[Pattern, ...]
    log_prior: Floats
    threshold: float
    held: dict[tuple[Placed, ...], Held] = field(default_factory=dict)
    bests: dict[tuple[Placed, ...], Placed | None] = field(default_factory=dict)
    tables: dict[tuple[Placed, ...], Floats] = field(default_factory=dict)
    effects: dict[tuple[Placed, ...], dict[str, Effects]] = field(default_factory=dict)
    alone: dict[int, Stack] = field(default_factory=dict)

    @cached_property
    def rows(self) -> dict[str, Indices]:
        """Numbers of the patterns of each kind."""
        kinds = [p.kind for p in self.patterns]
        return {kind: np.flatnonzero([k == kind for k in kinds]) for kind in dict.fromkeys(kinds)}

    @cached_property
    def stacks(self) -> dict[str, list[Stack]]:
        """Patterns of each kind in arrays, consecutive ones of one width together."""
        stacks: dict[str, list[Stack]] = {}
        for kind, rows in self.rows.items():
            of_kind = [self.patterns[i] for i in rows]
            runs = groupby(of_kind, key=lambda p: (p.basis.shape[1] > NARROW, len(p.scales)))
            stacks[kind] = [stack(list(run)) for _, run in runs]
        return stacks

    @cached_property
    def jump(self) -> dict[str, Jump | None]:
        return {kind: self.patterns[rows[0]].jump for kind, rows in self.rows.items()}

    @property
    def sudden(self) -> list[str]:
        return [kind for kind in self.rows if kind != "bend"]

    @property
    def slow(self) -> list[str]:
        return [kind for kind in self.rows if kind == "bend"]

    @cached_property
    def best_prior(self) -> dict[str, Floats]:
        """Log prior odds of the likeliest pattern of each kind at each snapshot."""
        return {kind: logsumexp(self.log_prior[rows], axis=0) for kind, rows in self.rows.items()}

    def run(self) -> SearchResult:
        placed: list[Placed] = []
        for _ in range(ROUNDS):
            before = list(placed)
            placed = self._add(placed)
            if len(placed) > 1:
                revised = self._revise(placed)
                moved, placed = revised != placed, revised
            else:
                moved = False
            if placed == before or not moved:
                break
        # Taking changes out in turn may have left one out that belongs to those that stayed.
        placed = self._add(placed)
        placed = sorted(placed, key=lambda p: (p.index, p.pattern))
        tables, effects = [], []
        for i, change in enumerate(placed):
            others = placed[:i] + placed[i + 1 :]
            held = self._held(others)
            tables.append(self._odds(others, change))
            kind = self.patterns[change.pattern].kind
            effects.append(Candidates(self.design, held, None, change.share).effects(kind, self.jump[kind]))
        held = held_beside(self.design, self.patterns, placed)
        left = self._left(placed)
        return SearchResult(tuple(placed), tuple(tables), tuple(effects), held, left)

    def _held(self, placed: list[Placed]) -> Held:
        key = tuple(sorted(placed))
        if key not in self.held:
            self.held[key] = held_beside(self.design, self.patterns, placed)
        return self.held[key]

    def _effects(self, placed: list[Placed]) -> dict[str, Effects]:
        """Estimates of each kind of change at every snapshot, beside the changes placed."""
        key = tuple(sorted(placed))
        if key not in self.effects:
            candidates = Candidates(self.design, self._held(placed))
            self.effects[key] = {kind: candidates.effects(kind, self.jump[kind]) for kind in self.rows}
        return self.effects[key]

    def _add(self, placed: list[Placed]) -> list[Placed]:
        while len(placed) < MOST_CHANGES:
            best = self._best(placed)
            joined = placed if best is None else _joined(placed, self._settle(best, placed))
            if joined == placed:
                break
            placed = joined
        return placed

    def _revise(self, placed: list[Placed]) -> list[Placed]:
        """Take each change out in turn and put the best in its place, or nothing."""
        kept = list(placed)
        for change in placed:
            if len(kept) < 2:
                break
            others = [p for p in kept if p != change]
            best = self._best(others)
            kept = others if best is None else _joined(others, self._settle(best, others))
        return kept

    def _best(self, placed: list[Placed]) -> Placed | None:
        """Give the most probable further change, None if no place passes the threshold."""
        key = tuple(sorted(placed))
        if key not in self.bests:
            self.bests[key] = self._most_probable(placed)
        return self.bests[key]

    def _left(self, placed: list[Placed]) -> Floats:
        """Log posterior odds of a further change, (K, T); see `_table`."""
        key = tuple(sorted(placed))
        if key not in self.tables:
            self.tables[key] = self._table(placed)
        return self.tables[key]

    def _most_probable(self, placed: list[Placed]) -> Placed | None:
        table = self._left(placed)
        if not np.isfinite(table).any():
            return None
        best = self._furthest_ahead(table)
        if any((p.pattern, p.index) == (best.pattern, best.index) for p in placed):
            # What a change leaves unexplained at its own place is no second one; there may be one elsewhere.
            table = table.copy()
            for change in placed:
                table[:, max(change.index - 1, 0) : change.index + 2] = -np.inf
            best = self._furthest_ahead(table)
        return best if strength(table, best) > self.needed[best.pattern, best.index] else None

    def _furthest_ahead(self, table: Floats) -> Placed:
        """Give the place in a table of log odds (K, T) at which they are most over what is needed."""
        ahead = table - self.needed
        pattern, index = np.unravel_index(int(np.argmax(ahead)), ahead.shape)
        return Placed(int(pattern), int(index))

    @cached_property
    def needed(self) -> Floats:
        """Log odds that each change needs, (K, T): more than even ones where one was to be expected."""
        beside = np.pad(self.log_prior, ((0, 0), (1, 1)), constant_values=-np.inf)
        near = np.max([beside[:, :-2], beside[:, 1:-1], beside[:, 2:]], axis=0)
        return np.where(near > EXPECTED, min(self.threshold, 0.0), self.threshold)

    def _settle(self, change: Placed, placed: list[Placed]) -> Placed:
        """Move a change to where it fits best: a bend anywhere, others to a snapshot nearby and a moment."""
        pattern = self.patterns[change.pattern]
        last = len(self.design.distance) - 1
        others = [p for p in placed if p != change]
        if pattern.kind == "bend":
            near, shares = np.arange(1, last + 1), np.array([SHARE_AFTER])
        else:
            # Where a change stands out most from noise is not always where it fits best: of snapshots between
            # which little was learned, each may stand out.
            near = np.arange(max(change.index - DATED, 1), min(change.index + DATED, last) + 1)
            best = near[
                np.argmax(self._fit(change.pattern, self._effects(others)[pattern.kind].at(near), near))
            ]
            near = np.arange(max(best - 1, 1), min(best + 1, last) + 1)
            shares = np.array(SHARES)
        share, at = (part.ravel() for part in np.meshgrid(shares, near, indexing="ij"))
        effects = Candidates(self.design, self._held(others), at, share).effects(pattern.kind, pattern.jump)
        fit = self._fit(change.pattern, effects, at) - np.where(share == min(SHARES), LATER, 0.0)
        chosen = int(np.argmax(fit))
        return Placed(change.pattern, int(at[chosen]), float(share[chosen]))

    def _fit(self, pattern: int, effects: Effects, at: Indices) -> Floats:
        """Log posterior odds of one pattern at the snapshots `at`, against plain noise, (J,)."""
        if pattern not in self.alone:
            self.alone[pattern] = stack([self.patterns[pattern]])
        gain = log_factors(effects, [self.alone[pattern]], self.design.sharing)[0]
        return np.asarray(gain + self.log_prior[pattern, at])

    def _table(self, placed: list[Placed]) -> Floats:
        """Log posterior odds (K, T) of every pattern at the snapshots that are most worth a look."""
        table = np.full(self.log_prior.shape, -np.inf)
        every = np.arange(len(self.design.distance))
        found = self._effects(placed)
        for kinds in (self.sudden, self.slow):
            most = [self._most(kind, found[kind]) for kind in kinds]
            if not most:
                continue
            named = np.max([self.log_prior[self.rows[kind]].max(axis=0) for kind in kinds], axis=0) > EXPECTED
            at = every[(_best_few(np.max(most, axis=0), min(self.threshold, 0.0)) | named) & (every > 0)]
            if len(at):
                self._weigh(table, {k: found[k].at(at) for k in kinds}, at)
        return table

    def _weigh(self, table: Floats, found: dict[str, Effects], at: Indices) -> None:
        """Put into the table the log posterior odds of all patterns of some kinds at the snapshots `at`."""
        # "Perhaps noisier here" is one and the same rival of all kinds, at its strongest.
        noisier = np.max([noisier_factor(e, self.design.sharing) for e in found.values()], axis=0)
        for kind, effects in found.items():
            places = np.ix_(self.rows[kind], at)
            table[places] = self._gain(kind, effects) - noisier + self.log_prior[places]

    def _gain(self, kind: str, effects: Effects) -> Floats:
        """Log Bayes factors of all patterns of a kind, (K, J)."""
        return log_factors(effects, self.stacks[kind], self.design.sharing)

    def _odds(self, others: list[Placed], change: Placed) -> Floats:
        """Log posterior odds (K, T) of the patterns where a change lies, and of its own pattern nearby.

        A step was placed with a moment between two snapshots, which suits the pattern it was placed as; other
        patterns are to be weighed at theirs, so the odds at its snapshot are averaged over the moments.
        """
        pattern, last = self.patterns[change.pattern], len(self.design.distance) - 1
        table = np.full(self.log_prior.shape, -np.inf)
        near = np.arange(max(change.index - DATED, 1), min(change.index + DATED, last) + 1)
        held = self._held(others)
        if pattern.kind == "bend":
            table, near = self._left(others).copy(), np.arange(1, last + 1)
        effects = Candidates(self.design, held, near, change.share).effects(pattern.kind, pattern.jump)
        own = self._fit(change.pattern, effects, near) - noisier_factor(effects, self.design.sharing)
        table[change.pattern, near] = own
        if pattern.kind == "bend":
            return table
        at, share = np.full(len(SHARES), change.index), np.array(SHARES)
        here = SHARES.index(change.share)
        candidates = Candidates(self.design, held, at, share)
        gains, noisier = {}, []
        for kind in self.sudden:
            effects = candidates.effects(kind, self.jump[kind])
            gains[kind] = self._gain(kind, effects)
            noisier.append(noisier_factor(effects.at(np.array([here])), self.design.sharing)[0])
        for kind, gain in gains.items():
            rows = self.rows[kind]
            mean = logsumexp(gain, axis=1) - np.log(len(SHARES))
            table[rows, change.index] = mean - max(noisier) + self.log_prior[rows, change.index]
        return table

    def _most(self, kind: str, effects: Effects) -> Floats:
        """Log posterior odds that the readings can give a change of this kind at most, shape (T,).

        They can say what the means of the groups of cells say beyond noise, and what the cells say by
        scattering more than noise.
        """
        member = self.design.sharing.member
        told = np.isfinite(effects.own_var)
        weight = np.where(told, 1.0 / np.where(told, effects.own_var, 1.0), 0.0)
        total = weight @ member
        known = total > 0
        safe = np.where(known, total, 1.0)
        mean = (weight * effects.estimate) @ member / safe
        shared = (weight * effects.shared_sd) @ member / safe
        squares = np.where(known, mean**2 / (1.0 / safe + shared**2), 0.0)
        count = told.sum(axis=1)
        scatter = (weight * effects.estimate**2).sum(axis=1) - count - 2.0 * np.sqrt(2.0 * count)
        most = 0.5 * (np.maximum(squares - 1.0, 0.0).sum(axis=1) + np.maximum(scatter, 0.0))
        return np.asarray(most + np.maximum(effects.bonus, 0.0) + self.best_prior[kind])


def _joined(placed: list[Placed], change: Placed) -> list[Placed]:
    """Put a change to those placed; what one of them leaves at its own place is no second one."""
    there = any((p.pattern, p.index) == (change.pattern, change.index) for p in placed)
    return placed if there else [*placed, change]


def _best_few(most: Floats, threshold: float) -> NDArray[np.bool_]:
    """Mark the candidates at which most can be said, of those above the threshold, and the ones beside."""
    seen = most > threshold
    if seen.sum() > MOST_LOOKED_AT:
        seen &= most >= np.partition(most, -MOST_LOOKED_AT)[-MOST_LOOKED_AT]
    beside = seen.copy()
    beside[1:] |= seen[:-1]
    beside[:-1] |= seen[1:]
    return np.asarray(beside)


def strength(table: Floats, at: Placed) -> float:
    """Log odds of some change at this place: all patterns, and the snapshots beside it."""
    return float(logsumexp(table[:, max(at.index - 1, 0) : at.index + 2]))
