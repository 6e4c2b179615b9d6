"""What `segment` takes in: numbers and positions checked, missing ones dropped, isolated spikes set aside."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from driftwatch.changes.memory import Floats
from driftwatch.changes.season import FEWEST_CYCLES, cycle_length
from driftwatch.errors import UsageError

#: A spike stands out from both sides by this many standard deviations of the difference of two neighbours.
SPIKE = 5.0
#: Readings on each side that a spike is compared with, the nearest being passed over: spikes may be two wide.
SIDE = 3
#: More spikes than this share of the readings are the nature of the series, and stay in.
SPIKE_SHARE = 0.1
#: Gaps shorter than this share of the usual one count as this long in the memory of the noise.
SHORTEST_GAP = 0.1
#: Squares of larger numbers overflow.
LARGEST = 1e100


@dataclass(frozen=True)
class Reading:
    """A series as it is analysed.

    Attributes
    ----------
    kept : array (m,) of int
        Indices of the values used.
    values, positions : array (m,)
    all_positions : array (n,)
        Of all values given.
    spikes : tuple of int
        Indices of values set aside as spikes.
    missing : int
        Number of missing values.
    resolution : float
        Step that all values are multiples apart of; 0 where there is none.
    cycle : int
        Length of the cycle that the values follow, in positions; 0 where there is none.

    """

    kept: NDArray[np.intp]
    values: Floats
    positions: Floats
    all_positions: Floats
    spikes: tuple[int, ...]
    missing: int
    resolution: float
    cycle: int

    @property
    def gaps(self) -> Floats:
        """Distances between readings in units of the usual distance."""
        gaps = np.diff(self.positions)
        usual = float(np.median(gaps[gaps > 0])) if np.any(gaps > 0) else 1.0
        return np.maximum(gaps / usual, SHORTEST_GAP)


def read(values: Any, at: Any, spikes: bool = True) -> Reading:
    """Check and clean the arguments of `segment`; see there."""
    numbers = _numbers(values, "values")
    positions = np.arange(len(numbers), dtype=float) if at is None else _positions(at, len(numbers))
    infinite = np.flatnonzero(np.isinf(numbers))
    if len(infinite):
        raise UsageError(
            f"values[{infinite[0]}] is infinite", "segment", "give NaN where there is no reading"
        )
    huge = np.flatnonzero(np.abs(numbers) > LARGEST)
    if len(huge):
        raise UsageError(f"values[{huge[0]}] is {numbers[huge[0]]:g}", "segment", "give numbers below 1e100")
    kept = np.flatnonzero(~np.isnan(numbers))
    missing = len(numbers) - len(kept)
    cycle = _cycle(numbers, positions, kept) if spikes else 0
    aside = kept[_spikes(numbers[kept])] if spikes and not cycle else kept[:0]
    kept = np.setdiff1d(kept, aside)
    return Reading(
        kept=kept,
        values=numbers[kept],
        positions=positions[kept],
        all_positions=positions,
        spikes=tuple(int(i) for i in aside),
        missing=missing,
        resolution=_resolution(numbers[kept]),
        cycle=cycle,
    )


def _numbers(values: Any, name: str) -> Floats:
    """One-dimensional array of float, from anything like a list of numbers."""
    if isinstance(values, str | bytes) or not (hasattr(values, "__array__") or isinstance(values, Sequence)):
        raise UsageError(f"{name} must be a list or array of numbers", "segment")
    try:
        if hasattr(values, "to_numpy"):
            array = np.asarray(values.to_numpy(dtype=float, na_value=np.nan))
        else:
            array = np.asarray(
                [np.nan if v is None else v for v in values] if isinstance(values, Sequence) else values
            )
            if array.dtype.kind not in "biuf" and not (array.dtype.kind == "O"):
                raise ValueError(array.dtype)
            array = array.astype(float)
    except (TypeError, ValueError):
        raise UsageError(
            f"{name} holds something that is not a number", "segment", "give NaN where there is no reading"
        ) from None
    if array.ndim != 1:
        raise UsageError(
            f"{name} has {array.ndim} dimensions, not one", "segment", "give one series at a time"
        )
    return np.array(array, dtype=float)


def _positions(at: Any, n: int) -> Floats:
    """Positions as numbers; dates become days."""
    array = np.asarray(at)
    if array.dtype.kind == "M" or (array.dtype.kind == "O" and len(array) and hasattr(array.flat[0], "year")):
        try:
            moments = array.astype("datetime64[us]")
        except (TypeError, ValueError):
            raise UsageError("at holds something that is not a date", "segment") from None
        if np.isnat(moments).any():
            raise UsageError("at has a missing date", "segment", "leave that reading out")
        positions = np.asarray((moments - moments[:1]).astype("timedelta64[us]").astype(float) / 86_400e6)
    else:
        positions = _numbers(at, "at")
    if positions.shape != (n,):
        raise UsageError(f"at has {len(positions)} positions for {n} values", "segment")
    if not np.isfinite(positions).all():
        first = int(np.flatnonzero(~np.isfinite(positions))[0])
        raise UsageError(f"at[{first}] is not a finite number", "segment", "leave that reading out")
    if np.any(np.diff(positions) < 0):
        first = int(np.flatnonzero(np.diff(positions) < 0)[0]) + 1
        raise UsageError(
            f"at is not in order: at[{first}] comes before at[{first - 1}]", "segment", "sort both"
        )
    return np.asarray(positions, dtype=float)


def _cycle(values: Floats, positions: Floats, kept: NDArray[np.intp]) -> int:
    """Length of the cycle of evenly spaced values; missing ones are filled in on straight lines."""
    gaps = np.diff(positions)
    if len(kept) < 3 * FEWEST_CYCLES or np.ptp(gaps) > 1e-3 * np.mean(gaps):
        return 0
    return cycle_length(np.interp(np.arange(kept[0], kept[-1] + 1), kept, values[kept]))


def _spikes(values: Floats) -> NDArray[np.intp]:
    """Where one or two values in a row stand out from what came before and after alike."""
    n = len(values)
    if n < 4 * SIDE:
        return np.zeros(0, dtype=np.intp)
    steps = np.abs(np.diff(values))
    usual = 1.4826 * float(np.median(steps)) or 1.25 * float(np.mean(steps))
    windows = np.lib.stride_tricks.sliding_window_view(values, SIDE)
    middle = np.median(windows, axis=1)
    inner = np.arange(SIDE + 1, n - SIDE - 1)
    before = values[inner] - middle[inner - SIDE - 1]
    after = values[inner] - middle[inner + 2]
    out = (np.minimum(np.abs(before), np.abs(after)) > SPIKE * usual) & (before * after > 0)
    flagged = np.zeros(n, dtype=bool)
    flagged[inner] = out
    edges = np.diff(np.concatenate([[0], flagged.astype(int), [0]]))
    starts, ends = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)
    for start, end in zip(starts, ends, strict=True):
        if end - start > 2:
            flagged[start:end] = False
    found = np.flatnonzero(flagged)
    return found if len(found) <= SPIKE_SHARE * n else np.zeros(0, dtype=np.intp)


def _resolution(values: Floats) -> float:
    """Step of a coarse grid that all values lie on; 0 where they lie on none."""
    levels = np.unique(values)
    if len(levels) < 2:
        return 0.0
    step = float(np.min(np.diff(levels)))
    ratio = (levels - levels[0]) / step
    on_grid = np.all(np.abs(ratio - np.round(ratio)) < 1e-6 * np.maximum(ratio, 1.0))
    return step if on_grid else 0.0
