"""The parts of a signal's noise, from how far readings differ that lie some time apart.

The variograms of single cells, of means over a unit's cells, and of means over the cells of one mode,

    g(t) = half the squared scale of differences over t months
         = white + wander x (1 - memory^t) + season x (1 - cos(2 pi t / 12)),

are estimated from trimmed mean squares of differences, leaving out gaps in which the whole unit jumped
and pairs between which a cell learned from too few shifts to have shed its learning scatter. What a mean
over many cells still shows, the cells have in common.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import nnls
from scipy.stats import chi2

from driftwatch.panel.noise import MONTH, in_season
from driftwatch.panel.panel import Bools, Floats
from driftwatch.panel.robust import TRIM, steps, trimmed_sd

LAGS = np.arange(1, 7)
#: Months apart of the differences of unit means: a year shows the season.
MEAN_MONTHS = np.arange(1, 13)
#: Fewest differences for one of these months, and fewest months for a season.
LEAST_MEANS = 5
LEAST_SEASON = 5
#: Fewest cells of a mean; and from this chance on that two of its cells are of one mode, it is of one mode.
LEAST_CELLS = 3
ONE_MODE = 0.9
#: Month-to-month memories tried; a longer one could not be told from these lags.
MEMORIES = np.arange(0.1, 0.91, 0.05)
#: Share of differences of unit means that is kept: real changes reach them more often.
TRIM_MEANS = 0.75
#: With fewer fresh differences than this, all are used.
LEAST_FRESH = 200
#: Chance beyond which noise of hardly any differences is taken to be larger than it looks.
SMALL_BY_CHANCE = 0.1
#: With fewer units than about this, shares of the noise lean on usual ones (experience, no source): of
#: wandering in a cell's noise, of the common part in the wandering; and the month-to-month memory.
FEW_UNITS = 4.0
USUAL_WANDER = 0.5
USUAL_COMMON = 0.35
USUAL_MEMORY = 0.75


@dataclass
class Gaps:
    """Differences over 1, 2, ... snapshots: of fresh cells and of all cells.

    `means` has differences of the means of a unit's cells, NaN where they are few, `mode_means` of those of
    its cells in one mode: rows of the months between, the difference, the number of cells, and the chance
    that two of them are of one mode. `recent` has differences to the usable reading before, and the shifts
    learned from between the two.
    """

    fresh: list[list[Floats]] = field(default_factory=lambda: [[] for _ in LAGS])
    every: list[list[Floats]] = field(default_factory=lambda: [[] for _ in LAGS])
    means: list[Floats] = field(default_factory=list)
    mode_means: list[Floats] = field(default_factory=list)
    months: list[Floats] = field(default_factory=list)
    recent: list[Floats] = field(default_factory=list)

    def add(
        self,
        values: Floats,
        shifts: Floats,
        counted: Bools,
        days: Floats,
        jump: Floats,
        modes: NDArray[np.str_],
        fresh_from: float,
    ) -> None:
        """Take in one unit's values, shifts learned so far and whether they were counted, all (T, cells)."""
        self.months.append(np.diff(days) / MONTH)
        for lag, every, of_fresh in zip(LAGS, self.every, self.fresh, strict=True):
            gap = np.where(jump[lag:] == jump[:-lag], values[lag:] - values[:-lag], np.nan)
            told, fresh = np.isfinite(gap), shifts[lag:] - shifts[:-lag] >= fresh_from
            every.append(gap[told])
            of_fresh.append(gap[told & fresh])
        first, last = np.triu_indices(len(values), 1)
        months = (days[last] - days[first]) / MONTH
        near = months < MEAN_MONTHS[-1] + 0.5
        first, last = first[near], last[near]
        gap = np.where(jump[last] == jump[first], values[last] - values[first], np.nan)
        self._add_means(gap, months[near], (modes[:, None] == np.unique(modes)).astype(float))
        gap, previous = steps(values, jump)
        told = np.isfinite(gap) & counted
        before = np.take_along_axis(shifts, np.maximum(previous, 0), axis=0)
        self.recent.append(np.stack([gap[told], (shifts - before)[told]]))

    def _add_means(self, gap: Floats, months: Floats, member: Floats) -> None:
        """Take in means over cells of differences (N, C); `member` (C, M) tells the cells of each mode."""
        known = np.isfinite(gap)
        total, count = np.where(known, gap, 0.0) @ member, known @ member
        apart = np.broadcast_to(months[:, None], total.shape)
        every = count.sum(axis=1)
        mean = np.where(every >= LEAST_CELLS, total.sum(axis=1) / np.maximum(every, 1.0), np.nan)
        self.means.append(np.stack([months, mean, every, alike(count)]))
        of_mode = np.stack([apart, total, count, np.ones(total.shape)])[:, count >= LEAST_CELLS]
        of_mode[1] /= of_mode[2]
        self.mode_means.append(of_mode)


def alike(count: Floats) -> Floats:
    """Chance that two cells are of one mode, (T,), where so many of each are known (T, M); 0 without any."""
    return np.asarray((count**2).sum(axis=1) / np.maximum(count.sum(axis=1), 1.0) ** 2)


@dataclass(frozen=True)
class Parts:
    """Variances of the parts of a signal's noise, and the memory of the wandering.

    `alike` is the usual chance that two cells of a unit are of one mode.
    """

    white: float
    wander: float
    common_white: float
    common_wander: float
    mode_wander: float
    season: float
    memory: float
    alike: float = 1.0


def split(gaps: Gaps, units: int) -> Parts:
    """Split what differences show into parts.

    One unit cannot tell what its cells share from what is each one's own, so with few units the shares
    lean on usual ones, and on neither a season nor modes that go their own ways.
    """
    enough = sum(len(g) for g in gaps.fresh[0]) >= LEAST_FRESH
    fresh, every = (np.array([_scale(g) for g in lags]) ** 2 / 2.0 for lags in (gaps.fresh, gaps.every))
    if not np.isfinite(every).any():
        every = _of_few(gaps.every)
    cells = fresh if enough else every
    spacing = float(np.median(np.concatenate(gaps.months))) if gaps.months else 1.0
    apart = np.asarray(LAGS * max(spacing, 1e-3), dtype=np.float64)
    lean = FEW_UNITS / (FEW_UNITS + units)
    # Means are over all cells, also those that still share their learning scatter.
    rough = _variogram(every, apart)
    shared = _shared(gaps.means, rough)
    season = (1.0 - lean) * _season(shared)
    white, wander, memory = _variogram(np.maximum(cells - season * _round(apart), 0.0), apart)
    whole = white + wander
    wander = (1.0 - lean) * wander + lean * max(wander, USUAL_WANDER * whole)
    white, memory = max(whole - wander, 0.0), (1.0 - lean) * memory + lean * USUAL_MEMORY
    if not np.isfinite(shared.value).any():
        shared_wander = lean * USUAL_COMMON * wander
        return Parts(white, wander - shared_wander, 0.0, shared_wander, 0.0, 0.0, memory)
    mode_wander = (1.0 - lean) * _of_mode(shared, _shared(gaps.mode_means, rough), memory)
    known = season * _round(shared.months) + shared.alike * mode_wander * (1.0 - memory**shared.months)
    left = np.maximum(shared.value - known, 0.0)
    common_white, common_wander, _ = _variogram(left, shared.months, [memory])
    usual = max(common_wander, USUAL_COMMON * wander - mode_wander)
    common_wander = (1.0 - lean) * common_wander + lean * usual
    # What is left is the cells' own; part by part, so that all together stay what the cells show.
    own = max(white + wander - common_white - common_wander - mode_wander, 0.0)
    own_wander = min(max(wander - common_wander - mode_wander, 0.0), own)
    return Parts(
        white=own - own_wander,
        wander=own_wander,
        common_white=common_white,
        common_wander=common_wander,
        mode_wander=mode_wander,
        season=season,
        memory=memory,
        alike=float(np.nanmedian(shared.alike)),
    )


@dataclass(frozen=True)
class _Variogram:
    """Variogram of what the cells of a mean share, for each of MEAN_MONTHS; NaN where there is too little.

    Months apart, values, and the chance that two of the cells are of one mode.
    """

    months: Floats
    value: Floats
    alike: Floats


def _shared(means: list[Floats], cells: tuple[float, float, float]) -> _Variogram:
    """Give what means over cells show beyond the cells' own.

    `cells` are white noise, wandering and memory as single cells show them. A mean of n cells varies by the
    common part and an n-th of the cells' own.
    """
    months, gap, size, chance = np.concatenate([np.zeros((4, 0)), *means], axis=1)
    white, wander, memory = cells
    rows = np.full((3, len(MEAN_MONTHS)), np.nan)
    for i, month in enumerate(MEAN_MONTHS):
        inside = (np.abs(months - month) <= 0.5) & np.isfinite(gap)
        if inside.sum() < LEAST_MEANS:
            continue
        apart, count = months[inside].mean(), np.median(size[inside])
        every = white + wander * (1.0 - memory**apart)
        beyond = trimmed_sd(gap[inside], TRIM_MEANS) ** 2 / 2.0 - every / count
        rows[:, i] = apart, np.clip(beyond / (1.0 - 1.0 / count), 0.0, every), chance[inside].mean()
    return _Variogram(*rows)


def _of_mode(whole: _Variogram, modes: _Variogram, memory: float) -> float:
    """Variance of the wandering that the cells of one mode share among themselves only.

    The mean over a unit shows of it what chance there is that two cells are of one mode; the mean over one
    mode, all of it.
    """
    several = whole.alike < ONE_MODE
    if not several.any():
        return 0.0
    beyond = np.where(several, modes.value - whole.value, np.nan) / (1.0 - whole.alike)
    return _variogram(np.maximum(beyond, 0.0), whole.months, [memory])[1]


def _round(months: Floats) -> Floats:
    """Variogram of a yearly wave of variance one."""
    return 1.0 - in_season(MONTH * months)


def _season(shared: _Variogram) -> float:
    """Variance of a yearly wave in the variogram of what cells share, beside white noise and wandering."""
    told = np.isfinite(shared.value)
    if told.sum() < LEAST_SEASON:
        return 0.0
    months, value = shared.months[told], shared.value[told]
    weight = 1.0 / np.sqrt(months)
    fits = []
    for memory in MEMORIES:
        design = np.column_stack([np.ones(len(months)), 1.0 - memory**months, _round(months)])
        parts, left = nnls(design * weight[:, None], value * weight)
        fits.append((float(left), float(parts[2])))
    return min(fits)[1]


def _scale(parts: list[Floats], kept: float = TRIM) -> float:
    """Robust standard deviation of pooled differences about zero; NaN from fewer than five."""
    pooled = np.concatenate(parts) if parts else np.empty(0)
    return trimmed_sd(pooled, kept) if len(pooled) >= 5 else np.nan


def _of_few(lags: list[list[Floats]]) -> Floats:
    """Variogram from fewer differences than `_scale` takes; NaN without any.

    So few may look alike by chance, and noise that is taken to be too small makes changes of it: so it is
    taken to be as large as these differences allow with a chance of SMALL_BY_CHANCE.
    """
    pooled = [np.concatenate([np.zeros(0), *parts]) for parts in lags]
    every, most = np.concatenate(pooled), max(len(parts) for parts in pooled)
    if not most:
        return np.full(len(lags), np.nan)
    size = float(np.mean(every**2)) / 2.0
    return np.full(len(lags), size * most / float(chi2.ppf(SMALL_BY_CHANCE, most)))


def _variogram(
    g: Floats, months: Floats, memories: Sequence[float] | Floats = MEMORIES
) -> tuple[float, float, float]:
    """Fit white + wander (1 - memory^months) to a variogram by least squares on a grid of memories.

    Gives the two variances and the month-to-month memory. Weights fall with the time, where fewer pairs are.
    """
    known = np.isfinite(g)
    if not known.any():
        return 0.0, 0.0, 0.5
    if known.sum() < 3:
        return float(g[known][0]), 0.0, 0.5
    months, target = months[known], g[known]
    weight = 1.0 / np.sqrt(months)
    best = (np.inf, 0.0, 0.0, 0.5)
    for rho in memories:
        design = np.column_stack([np.ones(len(months)), 1.0 - rho**months])
        (white, wander), left = nnls(design * weight[:, None], target * weight)
        if left < best[0]:
            best = (float(left), float(white), float(wander), float(rho))
    return best[1:]
