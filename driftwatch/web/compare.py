"""Two readings-out of one unit held against each other, cell by cell, as they were read."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from driftwatch.assessment.results import UnitAnalysis
from driftwatch.profile.model import Profile
from driftwatch.reporting import sentences
from driftwatch.reporting.maps import STRONG
from driftwatch.reporting.since import REAL
from driftwatch.wording import as_read, change_as_read, own_sign


@dataclass(frozen=True)
class Difference:
    """One cell on two days.

    Attributes
    ----------
    before, after, change : str
        Ready to show; a dash where one of them was not read.
    level : str
        `still`, `up`, `up-strong`, `down`, `down-strong` or `missing`, as in the reports' maps.

    """

    before: str
    after: str
    change: str
    level: str


@dataclass(frozen=True)
class Comparison:
    """One signal on two days.

    Attributes
    ----------
    title, unit : str
    modes, channels : tuple of str
        Columns and rows.
    cells : tuple of tuple of Difference or None
        One row a channel; None where there is no such cell.
    says : str
        How many really differ.

    """

    title: str
    unit: str
    modes: tuple[str, ...]
    channels: tuple[str, ...]
    cells: tuple[tuple[Difference | None, ...], ...]
    says: str


def compare(analysis: UnitAnalysis, first: int, second: int, profile: Profile) -> tuple[Comparison, ...]:
    """Hold snapshot `second` against snapshot `first`; the profile says in which steps values come.

    A difference counts as real from `REAL` times the usual scatter of a difference of two readings: the
    square root of 2 times that of one. Without a fit the scatter is not known, and nothing is called real.
    """
    panel, fit = analysis.panel, analysis.fit
    steps = {s.name: s.resolution for s in profile.signals}
    made = []
    for signal in dict.fromkeys(cell.signal for cell in panel.cells):
        at = {(c.channel, c.mode): i for i, c in enumerate(panel.cells) if c.signal == signal}
        channels = tuple(dict.fromkeys(channel for channel, _ in at))
        modes = tuple(dict.fromkeys(mode for _, mode in at))
        rows = []
        for channel in channels:
            row = []
            for mode in modes:
                i = at.get((channel, mode))
                scatter = None if fit is None or i is None else float(fit.noise_sd[i])
                pair = None if i is None else panel.values[[first, second], i]
                row.append(None if pair is None else _cell(pair, scatter, steps.get(signal)))
            rows.append(tuple(row))
        told = [c for row in rows for c in row if c is not None]
        real = sum(c.level not in ("still", "missing") for c in told)
        both = sum(c.level != "missing" for c in told)
        unit = own_sign(panel.cells[next(iter(at.values()))].unit)
        made.append(
            Comparison(
                sentences.signal(signal), unit, modes, channels, tuple(rows), _says(real, both, fit is None)
            )
        )
    return tuple(made)


def _cell(values: np.ndarray, scatter: float | None, step: float | None) -> Difference:
    before, after = float(values[0]), float(values[1])
    if not (np.isfinite(before) and np.isfinite(after)):
        return Difference(as_read(before, step), as_read(after, step), "–", "missing")
    change = after - before
    size = abs(change) / (scatter * 2**0.5) if scatter else 0.0
    way = "up" if change > 0 else "down"
    level = "still" if size < REAL else way if size < STRONG else f"{way}-strong"
    mark = {"up": " ▲", "up-strong": " ▲▲", "down": " ▼", "down-strong": " ▼▼"}.get(level, "")
    told = change_as_read(change, step) + mark
    return Difference(as_read(before, step), as_read(after, step), told, level)


def _says(real: int, both: int, unknown: bool) -> str:
    if not both:
        return "No cell was read on both days."
    if unknown:
        return "Too few readings to tell a difference from chance."
    if not real:
        return f"None of {both} cells differs by more than chance."
    return f"{real} of {both} cells {'differs' if real == 1 else 'differ'} by more than chance."
