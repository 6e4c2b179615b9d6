"""Search for steps and bends in one series, at a given memory of the noise.

The mean is a level, or a straight line, plus changes: a step at an index, a bend (the slope changes, the
value does not jump) at an index, or both. With whitened readings this is least squares, and the columns
that belong to all possible places of a change differ only in where they start. Their products with anything
are therefore sums over tails, so that one pass over the series prices a change at every place.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from driftwatch.changes.memory import Floats, Whitener, log_likelihood

KINDS = ("step", "bend", "both")
#: A column that keeps less than this share of itself, once the others are taken off, says nothing new.
DISTINCT = 1e-9
#: Below this ratio of pivots, columns nearly repeat each other.
NEARLY_REPEATED = 1e-5
#: Rounds of moving each change in turn; seldom more than one moves anything.
SWEEPS = 2


@dataclass(frozen=True, order=True)
class Placed:
    """A change at the index of the first reading of the new segment, of kind 0 step, 1 bend, 2 both."""

    index: int
    kind: int


@dataclass(frozen=True)
class Rules:
    """What the search may do.

    Attributes
    ----------
    sloped : bool
        The base is a straight line, not a level.
    kinds : tuple of int
        Kinds of change allowed.
    extra : array (3,)
        Log-likelihood that a kind must gain beyond the price of a change.
    min_size : int
        Least number of readings in a segment.
    most : int
        Most changes looked for.

    """

    sloped: bool
    kinds: tuple[int, ...]
    extra: tuple[float, float, float]
    min_size: int
    most: int


@dataclass(frozen=True)
class Found:
    """Best set of changes of its number, with its score: log-likelihood less the extra prices of kinds."""

    changes: tuple[Placed, ...]
    score: float
    memory: float


@dataclass
class Series:
    """Readings y (n,) at positions x (n,), scaled to 0..1, with gaps in units of the usual gap.

    Attributes
    ----------
    floor : float
        Least variance that independent noise can have: what the resolution of the values allows.
    hidden : float
        Variance, as if from independent noise on top, below which nothing stands out against the cycle.
    sd : float or None
        Standard deviation of the noise where known.
    season : array (n, k) or None
        Columns of the cycle.

    """

    x: Floats
    y: Floats
    gaps: Floats
    floor: float = 0.0
    hidden: float = 0.0
    sd: float | None = None
    season: Floats | None = None
    whitened: dict[float, Whitened] = field(default_factory=dict, repr=False)

    def whitener(self, memory: float) -> Whitener:
        """Whitener of this series' gaps."""
        return Whitener.of(self.gaps, memory)

    def at_memory(self, memory: float) -> Whitened:
        """Whitened view, kept for the next call."""
        if memory not in self.whitened:
            self.whitened[memory] = Whitened(self, self.whitener(memory))
        return self.whitened[memory]


def tails(values: Floats) -> Floats:
    """Sums of values[s] over s > t, for each t, along the first axis."""
    total = np.cumsum(values[::-1], axis=0)[::-1]
    return np.asarray(total - values)


def orthonormal(columns: Floats) -> Floats:
    """Orthonormal basis of a few columns (n, k).

    Cholesky's factor of the products, twice for accuracy: for tall, thin arrays many times faster than a QR
    factorisation by several threads. Columns that nearly repeat each other are left to QR.
    """
    out = columns
    for _ in range(2):
        try:
            factor = np.linalg.cholesky(out.T @ out)
        except np.linalg.LinAlgError:
            return np.asarray(np.linalg.qr(columns)[0])
        sizes = np.diag(factor)
        if sizes.min() < NEARLY_REPEATED * sizes.max():
            return np.asarray(np.linalg.qr(columns)[0])
        out = out @ np.linalg.inv(factor).T
    return np.asarray(out)


class Whitened:
    """A series at one memory, ready for pricing changes at all places."""

    def __init__(self, series: Series, whitener: Whitener) -> None:
        self.series, self.whitener = series, whitener
        self.n = len(series.y)
        self.x = series.x
        self.y = whitener(series.y)
        self.ones = whitener(np.ones(self.n))
        self.line = whitener(series.x)
        self.start = 1.0 / whitener.scale
        self.square_steps = self.start**2 + tails(self.ones**2)
        ones_tail, cross_tail = tails(self.ones**2), tails(self.ones * self.line)
        line_tail = tails(self.line**2)
        self.square_bends = np.maximum(line_tail - 2 * self.x * cross_tail + self.x**2 * ones_tail, 0.0)
        self.cross = cross_tail - self.x * ones_tail
        self.floor = self.n * max(series.floor, series.hidden * whitener.spread)
        self.season = None if series.season is None else whitener(series.season)
        self.cycle_size = 0 if series.season is None else series.season.shape[1]

    def columns(self, changes: tuple[Placed, ...], sloped: bool) -> Floats:
        """Whitened design of a set of changes (n, k)."""
        made = [self.ones]
        if sloped:
            made.append(self.line)
        if self.season is not None:
            made.extend(self.season.T)
        for change in changes:
            index = change.index
            if change.kind != 1:
                step = np.zeros(self.n)
                step[index] = self.start[index]
                step[index + 1 :] = self.ones[index + 1 :]
                made.append(step)
            if change.kind != 0:
                bend = np.zeros(self.n)
                bend[index + 1 :] = self.line[index + 1 :] - self.x[index] * self.ones[index + 1 :]
                made.append(bend)
        return np.column_stack(made)

    def remainder(self, changes: tuple[Placed, ...], sloped: bool) -> tuple[Floats, Floats, float]:
        """Orthonormal basis of the design, residuals, and their sum of squares."""
        basis = orthonormal(self.columns(changes, sloped))
        residual = self.y - basis @ (basis.T @ self.y)
        return basis, residual, float(residual @ residual)

    def log_likelihood(self, rss: float) -> float:
        """Log-likelihood at a residual sum of squares, not below what the resolution of the values allows."""
        if self.series.sd is not None:
            return log_likelihood(self.whitener, rss, self.n, self.series.sd)
        # The columns of a cycle take as many readings' worth of information out of the noise.
        return log_likelihood(self.whitener, max(rss, self.floor), self.n - self.cycle_size)

    def savings(self, basis: Floats, residual: Floats) -> Floats:
        """How much a change of each kind at each place would take off the sum of squares: array (3, n)."""
        both = np.column_stack([residual, basis])
        ones_tails = tails(self.ones[:, None] * both)
        steps = self.start[:, None] * both + ones_tails
        bends = tails(self.line[:, None] * both) - self.x[:, None] * ones_tails
        step_left = self.square_steps - np.einsum("ij,ij->i", steps[:, 1:], steps[:, 1:])
        bend_left = self.square_bends - np.einsum("ij,ij->i", bends[:, 1:], bends[:, 1:])
        cross_left = self.cross - np.einsum("ij,ij->i", steps[:, 1:], bends[:, 1:])
        step_ok = step_left > DISTINCT * self.square_steps
        bend_ok = bend_left > DISTINCT * np.maximum(self.square_bends, 1e-30)
        p, q = steps[:, 0], bends[:, 0]
        out = np.zeros((3, self.n))
        np.divide(p * p, step_left, out=out[0], where=step_ok)
        np.divide(q * q, bend_left, out=out[1], where=bend_ok)
        determinant = step_left * bend_left - cross_left**2
        joint_ok = step_ok & bend_ok & (determinant > 1e-6 * step_left * bend_left)
        joint = bend_left * p * p - 2 * cross_left * p * q + step_left * q * q
        np.divide(joint, determinant, out=out[2], where=joint_ok)
        return out


def allowed(n: int, others: tuple[Placed, ...], min_size: int) -> np.ndarray:
    """Where a change leaves at least `min_size` readings in each segment: bool (n,)."""
    free = np.zeros(n, dtype=bool)
    free[min_size : n - min_size + 1] = True
    for change in others:
        free[max(change.index - min_size + 1, 0) : change.index + min_size] = False
    return free


def best_addition(view: Whitened, others: tuple[Placed, ...], rules: Rules) -> tuple[float, Placed] | None:
    """Place one more change where the score rises most; None where there is no room."""
    free = allowed(view.n, others, rules.min_size)
    if not free.any():
        return None
    basis, residual, rss = view.remainder(others, rules.sloped)
    saved = view.savings(basis, residual)
    best: tuple[float, Placed] | None = None
    for kind in rules.kinds:
        row = np.where(free, saved[kind], -1.0)
        index = int(np.argmax(row))
        gain = view.log_likelihood(rss - float(row[index])) - rules.extra[kind]
        if best is None or gain > best[0]:
            best = gain, Placed(index, kind)
    return best


def total_extra(changes: tuple[Placed, ...], rules: Rules) -> float:
    """Sum of the extra prices of the kinds."""
    return sum(rules.extra[change.kind] for change in changes)


def refined(
    view: Whitened, changes: tuple[Placed, ...], score: float, rules: Rules
) -> tuple[tuple[Placed, ...], float]:
    """Move each change in turn to where it is worth most, the others standing, until nothing moves."""
    for _ in range(SWEEPS):
        before = changes
        for change in before:
            if change in changes:
                changes, score = moved(view, changes, change, score, rules)
        if changes == before:
            break
    return changes, score


def moved(
    view: Whitened, changes: tuple[Placed, ...], change: Placed, score: float, rules: Rules
) -> tuple[tuple[Placed, ...], float]:
    """Move one change to where it is worth most, if that raises the score."""
    others = tuple(c for c in changes if c != change)
    found = best_addition(view, others, rules)
    value = -np.inf if found is None else found[0] - total_extra(others, rules)
    if found is None or value <= score + 1e-9:
        return changes, score
    return tuple(sorted((*others, found[1]))), value


def path(view: Whitened, rules: Rules, patience: float) -> list[Found]:
    """Best sets of 0, 1, 2, ... changes, each grown from the one before.

    Neighbours of a new change may move when it comes.
    Growing stops at `rules.most`, or where two more changes together have brought less than `patience`.
    """
    score = view.log_likelihood(view.remainder((), rules.sloped)[2])
    changes: tuple[Placed, ...] = ()
    out = [Found(changes, score, view.whitener.memory)]
    while len(changes) < rules.most:
        found = best_addition(view, changes, rules)
        if found is None:
            break
        score = found[0] - total_extra(changes, rules)
        changes = tuple(sorted((*changes, found[1])))
        place = changes.index(found[1])
        for neighbour in (*changes[max(place - 1, 0) : place], *changes[place + 1 : place + 2]):
            changes, score = moved(view, changes, neighbour, score, rules)
        out.append(Found(changes, score, view.whitener.memory))
        if len(out) > 3 and score - out[-3].score < patience:
            break
    return out
