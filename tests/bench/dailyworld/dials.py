"""How hard a fleet is to read."""

from __future__ import annotations

from dataclasses import dataclass, replace


@dataclass(frozen=True)
class Dial:
    """Settings of one difficulty.

    Attributes
    ----------
    code : int
        Enters the seeds, so that no two difficulties share a draw.
    noise : float
        Factor on every random error.
    size : (float, float)
        Range of the factor on the size of what happens.
    snapshots : (int, int)
        Range of the number of readings.
    temp_unit, temp_snapshot : float
        Share of units, and of readings, without a temperature.
    no_count : float
        Share of units without learn counts.
    missing, misdated, wrong : float
        Shares of the log that are left out, misdated by up to `misday` days, or of the wrong kind.
    misday : int
        See `misdated`.
    idle_entry : float
        Share of units with an entry about something that had no effect.
    double : float
        Share of visits with two causes.
    hasten : float
        Share of fast wear that gets faster and faster.
    nothing : float
        Share of units to which nothing happens.
    hard : bool
        Whether signals, modes and readings are missing, and values mistyped.
    even : float
        How evenly the readings are spaced.

    """

    code: int
    noise: float = 1.0
    size: tuple[float, float] = (1.0, 1.0)
    snapshots: tuple[int, int] = (24, 40)
    temp_unit: float = 0.04
    temp_snapshot: float = 0.04
    no_count: float = 0.2
    missing: float = 0.12
    misdated: float = 0.18
    misday: int = 10
    wrong: float = 0.0
    idle_entry: float = 0.22
    double: float = 0.12
    hasten: float = 0.3
    nothing: float = 0.38
    hard: bool = False
    even: float = 5.0


_USUAL = Dial(code=1)
DIALS: dict[str, Dial] = {
    "usual": _USUAL,
    "noisy": replace(_USUAL, code=2, noise=1.8),
    "sparse": replace(
        _USUAL, code=3, snapshots=(9, 16), temp_unit=0.08, temp_snapshot=0.08, no_count=0.3, even=2.5
    ),
    "hard": Dial(
        code=4,
        noise=1.15,
        size=(0.4, 0.8),
        snapshots=(12, 30),
        temp_unit=0.45,
        temp_snapshot=0.15,
        no_count=0.45,
        missing=0.32,
        misdated=0.38,
        misday=25,
        wrong=0.1,
        idle_entry=0.45,
        double=0.38,
        hasten=0.65,
        nothing=0.33,
        hard=True,
        even=1.8,
    ),
}
