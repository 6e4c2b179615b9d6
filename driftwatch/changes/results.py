"""What a unit's history looks like once steps, bends and trends are told apart."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Change:
    """One shared change of a unit: a step, a bend (change of slope) or a transient (jump and return).

    Attributes
    ----------
    kind : {"step", "bend", "transient"}
    index : int
        Index of the first snapshot at or after the change.
    span : tuple of int
        First and last index of the 90 % confidence set of `index`.
    effect, effect_se : array (C,)
        Step: full size in each cell's unit. Bend: change of slope per 10 000 km. Transient: size of the jump.
        NaN where the cell says nothing.
    evidence : float
        Natural-log Bayes factor of having this change against not having it.

    """

    kind: str
    index: int
    span: tuple[int, int]
    effect: Floats
    effect_se: Floats
    evidence: float


@dataclass(frozen=True)
class UnitFit:
    """The fitted level, slope and changes of one unit.

    Attributes
    ----------
    fitted, fitted_se : array (T, C)
        Mean of each cell at each snapshot (temperature effect taken out) and its standard error.
    slope, slope_se : array (C,)
        Slope before the first bend, per 10 000 km.
    noise_sd : array (C,)
        Standard deviation of one reading about the fitted mean.
    changes : tuple of Change
        In order of time.

    """

    fitted: Floats
    fitted_se: Floats
    slope: Floats
    slope_se: Floats
    noise_sd: Floats
    changes: tuple[Change, ...]

    def taking(self, cells: NDArray[np.int64]) -> UnitFit:
        """Give the fit in which each cell has what was fitted for the cell of that number, (C,)."""
        return UnitFit(
            fitted=self.fitted[:, cells],
            fitted_se=self.fitted_se[:, cells],
            slope=self.slope[cells],
            slope_se=self.slope_se[cells],
            noise_sd=self.noise_sd[cells],
            changes=tuple(
                replace(c, effect=c.effect[cells], effect_se=c.effect_se[cells]) for c in self.changes
            ),
        )
