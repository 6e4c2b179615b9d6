"""The answer of `segment`."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from driftwatch.changes.memory import Floats


@dataclass(frozen=True)
class SegmentChange:
    """One change of a series.

    Attributes
    ----------
    index : int
        Index of the first value of the new segment.
    kind : {"step", "bend", "both"}
        Jump of the level, change of slope without a jump, or both at once.
    position : float
        Where on `at`. A step: position of the value `index`. A bend: where the two lines meet.
    index_set : tuple of int
        Indices at which the change may lie: 95 % confidence set, the other changes standing.
    step, step_interval : float, tuple of float
        Size of the jump, with its 95 % interval; 0 and (0, 0) for a bend.
    bend, bend_interval : float, tuple of float
        Change of slope for one unit of `at`, with its 95 % interval; 0 and (0, 0) for a step.
    evidence : float
        Log-likelihood that the change adds, less the price of a change; positive.

    """

    index: int
    kind: str
    position: float
    index_set: tuple[int, ...]
    step: float
    step_interval: tuple[float, float]
    bend: float
    bend_interval: tuple[float, float]
    evidence: float


@dataclass(frozen=True)
class Segmentation:
    """Segments of one series, and the changes between them.

    Attributes
    ----------
    changes : tuple of int
        Indices at which a new segment starts, in order; empty where nothing changes.
    details : tuple of SegmentChange
        More about each, in the same order.
    fitted : array (n,)
        Fitted mean at every position, those of missing values too.
    levels : array (segments,)
        Fitted mean at the first value of each segment.
    slopes : array (segments,)
        Slope in each segment, for one unit of `at`; 0 throughout where the base is a level.
    memory : float
        Correlation of two neighbouring readings' noise at the usual gap.
    noise_sd : float
        Standard deviation of the noise.
    n, dropped : int
        Values given; values not used because missing or set aside as spikes.
    spikes : tuple of int
        Indices of the values set aside as spikes.
    false_alarm_rate : float or None
        Chance that a series without any change shows one; None where a penalty was given instead.
    penalty : float
        Price of one change, in units of twice the log-likelihood.
    min_size : int
        Least number of used values in a segment.
    base : {"level", "line"}
        What the series is between steps and bends.

    """

    changes: tuple[int, ...]
    details: tuple[SegmentChange, ...]
    fitted: Floats = field(repr=False)
    levels: Floats = field(repr=False)
    slopes: Floats = field(repr=False)
    memory: float
    noise_sd: float
    n: int
    dropped: int
    spikes: tuple[int, ...]
    false_alarm_rate: float | None
    penalty: float
    min_size: int
    base: str

    @property
    def positions(self) -> tuple[float, ...]:
        """Where each change lies on `at`; for bends between the readings, where the lines meet."""
        return tuple(change.position for change in self.details)

    def to_frame(self) -> pd.DataFrame:
        """One row for each change."""
        columns = ("index", "kind", "position", "first", "last", "step", "step_low", "step_high")
        rows = [
            (
                *(c.index, c.kind, c.position, c.index_set[0], c.index_set[-1]),
                *(c.step, *c.step_interval, c.bend, *c.bend_interval, c.evidence),
            )
            for c in self.details
        ]
        return pd.DataFrame(rows, columns=[*columns, "bend", "bend_low", "bend_high", "evidence"])

    def to_dict(self) -> dict[str, Any]:
        """Everything as plain numbers, lists and texts, fit for JSON."""
        return {
            "changes": list(self.changes),
            "details": [
                {k: list(v) if isinstance(v, tuple) else v for k, v in vars(c).items()} for c in self.details
            ],
            "fitted": [float(v) if np.isfinite(v) else None for v in self.fitted],
            "levels": [float(v) for v in self.levels],
            "slopes": [float(v) for v in self.slopes],
            "memory": self.memory,
            "noise_sd": self.noise_sd,
            "n": self.n,
            "dropped": self.dropped,
            "spikes": list(self.spikes),
            "false_alarm_rate": self.false_alarm_rate,
            "penalty": self.penalty,
            "min_size": self.min_size,
            "base": self.base,
        }

    def __repr__(self) -> str:
        """Say how much was seen and dropped, and what was found."""
        found = ", ".join(f"{c.kind} at {c.index}" for c in self.details) or "no change"
        price = (
            f"penalty {self.penalty:.4g}"
            if self.false_alarm_rate is None
            else f"false alarm rate {self.false_alarm_rate:g}"
        )
        return (
            f"<Segmentation: {self.n} values, {self.dropped} dropped; {found}; "
            f"memory {self.memory:.2f}, noise sd {self.noise_sd:.4g}, {price}, min_size {self.min_size}>"
        )
