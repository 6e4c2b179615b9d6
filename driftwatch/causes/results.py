"""What acted on a unit, as numbers; the sentences come later."""

from __future__ import annotations

from dataclasses import dataclass

from driftwatch.panel.panel import Event


@dataclass(frozen=True)
class SignalEffect:
    """Mean effect on one signal over the cells a cause touches, with its standard error."""

    signal: str
    unit: str
    estimate: float
    se: float


@dataclass(frozen=True)
class CauseFinding:
    """One cause that acted.

    Attributes
    ----------
    cause : str
    probability : float
    index : int or None
        First snapshot after a step, or the snapshot at which a drift began; None for a drift that was
        there from the start.
    drift : bool
        True for a slow drift, False for a step or a jump and return.
    change : int or None
        Number of the change in the unit's fit that this explains.
    clutch : str or None
    rivals : tuple of (cause, probability)

    """

    cause: str
    probability: float
    index: int | None
    drift: bool
    change: int | None
    clutch: str | None
    modes: tuple[str, ...]
    shifts: tuple[str, ...]
    event: Event | None
    size: tuple[SignalEffect, ...]
    rivals: tuple[tuple[str, float], ...]
