"""Choosing a series' changes: how many, which, and with which memory of the noise."""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import log

import numpy as np
from scipy.optimize import minimize_scalar

from driftwatch.changes.memory import LONGEST
from driftwatch.changes.mixture import (
    Found,
    Placed,
    Rules,
    Series,
    Whitened,
    allowed,
    path,
    refined,
    total_extra,
)
from driftwatch.changes.partition import best_partitions, optimal_partition
from driftwatch.changes.reading import Reading
from driftwatch.changes.season import HIDDEN, cycle_columns, cycle_variance

#: Memories at which places of changes are searched.
MEMORIES = (0.0, 0.25, 0.5, 0.7, LONGEST)
#: Shorter series are too short to tell a change from noise.
FEWEST = 8
MOST_CHANGES = 20
#: A series must have this many readings for each change it may show.
READINGS_A_CHANGE = 15
#: Exact partitions are tried up to this many changes, in series up to this long.
EXACT_CHANGES = 6
EXACT_LENGTH = 1500
#: The search for more changes stops when two more have together brought less log-likelihood than this.
PATIENCE = 5.0
CONFIDENCE = 0.95
#: Bounds on twice the log-likelihood ratio: of a jump's place, and of a bend's (chi-squared, one degree).
SET_STEP = -2 * log(1 - CONFIDENCE**0.5)
SET_BEND = 3.841458820694124
#: Variance, as a share of the whole, below which differences are rounding errors of the computer.
ROUNDING = 1e-14


@dataclass(frozen=True)
class Price:
    """What changes cost, in log-likelihood.

    Attributes
    ----------
    first : float
        Price of one change.
    n : int
        Number of readings.
    flat : bool
        Each further change costs the same. Otherwise it costs more, as readings run out: each takes about
        three numbers (place, size, and often slope) out of the data.

    """

    first: float
    n: int
    flat: bool = False

    def total(self, count: int) -> float:
        """Price of `count` changes."""
        return self.first * weight(count, self.n, self.flat)

    def last(self, count: int) -> float:
        """Price of the last of `count` changes."""
        return self.total(count) - self.total(count - 1)


def weight(count: int, n: int, flat: bool = False) -> float:
    """Price of `count` changes in n readings, as a multiple of the price of one."""
    return float(count) if flat or count < 2 else count * (n - 5) / max(n - 3 * count - 2, 1)


def default_min_size(n: int) -> int:
    """Least segment for n readings: 3 to 8."""
    return max(3, min(8, n // 16))


def scaled(reading: Reading, noise_sd: float | None) -> Series:
    """Series with values about 0 and of size 1, and positions from 0 to 1."""
    values, positions = reading.values, reading.positions
    centre, unit, start, length = scale(reading)
    season, hidden = None, 0.0
    if reading.cycle:
        season = cycle_columns(reading.kept, (positions - start) / length, reading.cycle)
        hidden = HIDDEN * cycle_variance(season, values) / unit**2
    return Series(
        x=(positions - start) / length,
        y=(values - centre) / unit,
        gaps=reading.gaps,
        floor=max(_rounding_share(len(values)) * (reading.resolution / unit) ** 2, ROUNDING),
        hidden=hidden,
        sd=None if noise_sd is None else noise_sd / unit,
        season=season,
    )


def _rounding_share(n: int) -> float:
    """Least variance of the noise, in squared steps of the values' resolution.

    Rounding makes 1/12 where values change from step to step, but less where they stand still: a clear step
    between two constant stretches must be seen, however long they are.
    """
    return max(min(1 / 12, 1.2 / max(n, 1)), 0.002)


def scale(reading: Reading) -> tuple[float, float, float, float]:
    """Centre and unit of the values, start and length of the positions."""
    if not len(reading.values):
        return 0.0, 1.0, 0.0, 1.0
    centre = float(np.mean(reading.values))
    unit = float(np.std(reading.values)) or 1.0
    start = float(reading.positions[0])
    return centre, unit, start, float(reading.positions[-1] - start) or 1.0


def families(model: str, n: int, min_size: int) -> list[tuple[Rules, float]]:
    """Kinds of model that compete, each with the price of its base."""
    slope = log(n) / 2
    extra = (0.0, 0.0, slope + 1.0)
    most = min(MOST_CHANGES, max(n // READINGS_A_CHANGE, 1), n // min_size - 1)
    level = Rules(False, (0,), extra, min_size, most)
    if model == "level":
        return [(level, 0.0)]
    if model == "bend":
        return [(Rules(True, (1,), extra, min_size, most), 0.0)]
    if model == "line":
        return [(Rules(True, (2,), (0.0, 0.0, 0.0), min_size, most), 0.0)]
    return [(level, 0.0), (Rules(True, (0, 1, 2), extra, min_size, most), slope)]


def candidates(series: Series, model: str, memory: float | None, min_size: int) -> list[tuple[Found, Rules]]:
    """Best sets of changes of every number, by family and memory, the price of the base taken off."""
    memories = MEMORIES if memory is None else (memory,)
    out: list[tuple[Found, Rules]] = []
    exact = EXACT_CHANGES if len(series.y) <= EXACT_LENGTH else 0
    partitions = best_partitions(series.y, exact, min_size) if exact else []
    for rules, base_price in families(model, len(series.y), min_size):
        for value in memories:
            grown = path(series.at_memory(value), rules, PATIENCE)
            if not rules.sloped:
                grown = [*grown, *_exact(series.at_memory(value), rules, grown, partitions)]
            out.extend((replace(found, score=found.score - base_price), rules) for found in grown)
    return out


def _exact(
    view: Whitened, rules: Rules, grown: list[Found], partitions: list[tuple[list[int], float]]
) -> list[Found]:
    """Exact partitions for independent noise, where they beat what was grown at this memory."""
    best = {len(found.changes): found.score for found in grown}
    out = []
    for starts, _ in partitions[2 : rules.most + 1]:
        changes = tuple(Placed(start, 0) for start in starts)
        score = view.log_likelihood(view.remainder(changes, rules.sloped)[2])
        if score > best.get(len(changes), -np.inf):
            changes, score = refined(view, changes, score, rules)
            out.append(Found(changes, score, view.whitener.memory))
    return out


def select(
    series: Series, model: str, memory: float | None, min_size: int, price: Price
) -> tuple[Found, Rules]:
    """Set of changes with the best score, each change paying for itself."""
    if model == "level" and memory == 0 and series.sd is not None:
        starts = optimal_partition(series.y, 2 * series.sd**2 * price.first, min_size)
        changes = tuple(Placed(start, 0) for start in starts)
        return Found(changes, 0.0, 0.0), families(model, len(series.y), min_size)[0][0]
    options = candidates(series, model, memory, min_size)
    best, rules = max(options, key=lambda option: option[0].score - price.total(len(option[0].changes)))
    view = series.at_memory(best.memory)
    score = view.log_likelihood(view.remainder(best.changes, rules.sloped)[2]) - total_extra(
        best.changes, rules
    )
    return Found(*refined(view, best.changes, score, rules), best.memory), rules


def pruned(
    series: Series, found: Found, rules: Rules, memory: float | None, price: Price
) -> tuple[tuple[Placed, ...], float]:
    """Leave out changes that do not pay, the worst first; also return the likeliest memory then."""
    changes = found.changes
    while True:
        value = memory if memory is not None else likeliest_memory(series, changes, rules.sloped)
        if not changes:
            return changes, value
        view = series.at_memory(value)
        gains = [where(view, changes, number, rules)[1] for number in range(len(changes))]
        worst = int(np.argmin(gains))
        if gains[worst] >= price.last(len(changes)) - 1e-9:
            return changes, value
        changes = tuple(c for c in changes if c != changes[worst])


def likeliest_memory(series: Series, changes: tuple[Placed, ...], sloped: bool) -> float:
    """Memory at which a set of changes is most likely."""

    def loss(memory: float) -> float:
        view = Whitened(series, series.whitener(memory))
        return -view.log_likelihood(view.remainder(changes, sloped)[2])

    losses = [loss(m) for m in MEMORIES]
    near = int(np.argmin(losses))
    low, high = MEMORIES[max(near - 1, 0)], MEMORIES[min(near + 1, len(MEMORIES) - 1)]
    found = minimize_scalar(loss, bounds=(low, high), method="bounded", options={"xatol": 1e-7})
    return float(found.x) if found.fun < losses[near] else MEMORIES[near]


def where(view: Whitened, changes: tuple[Placed, ...], number: int, rules: Rules) -> tuple[list[int], float]:
    """Confidence set of one change's place, the others standing, and what the change gains.

    The set holds the places whose log-likelihood ratio to the best one is not significant. For a jump the
    bound is that of Eo and Morley (2015), Quantitative Economics 6:463-497; for a bend the place is an
    ordinary parameter.
    """
    change = changes[number]
    others = tuple(c for c in changes if c != change)
    basis, residual, rss = view.remainder(others, rules.sloped)
    saved = view.savings(basis, residual)[change.kind]
    free = np.flatnonzero(allowed(view.n, others, rules.min_size))
    scores = np.array([view.log_likelihood(rss - float(saved[i])) for i in free])
    bound = SET_BEND if change.kind == 1 else SET_STEP
    chosen = free[2 * (scores.max() - scores) <= bound]
    gain = view.log_likelihood(rss - float(saved[change.index])) - view.log_likelihood(rss)
    return [int(i) for i in chosen], gain - rules.extra[change.kind]
