"""How hard the simulated fleet is to read: one frozen object, five presets."""

from __future__ import annotations

from dataclasses import dataclass, replace

from driftwatch.errors import UnknownName


@dataclass(frozen=True)
class Difficulty:
    """The dial of the simulator. Shares and probabilities run from 0 to 1.

    All values are invented and illustrative: they are meant to make a proof harder or easier, and say
    nothing about any real transmission.

    Attributes
    ----------
    noise : float
        Factor on the scatter of a learned value (what a handful of shifts happened to teach).
    wander : float
        Factor on what moves slowly without a cause: season, driver, duty, and the unevenness of wear.
    temperature : float
        Factor on what the fluid's temperature at the reading adds.
    size : float
        Factor on the size of every step and drift (not on the wear of a pack).
    snapshots_per_year : tuple of float or None
        Range of the number of snapshots in a year; None = `snapshots` for the whole history.
    snapshots : tuple of int
        Range of the number of snapshots over the history, used if `snapshots_per_year` is None.
    shifts_to_learn : float
        Repeats after which all but 1/e of the way to a new need is learned.
    learning : float
        Factor on how often a cell is learned from; below 1, more cells only repeat old values.
    missing_signal : float
        Chance that a unit lacks a signal (each of those other than the apply trim, separately).
    missing_mode : float
        Chance that a unit lacks a mode (each of those other than the first, separately).
    no_temperature : float
        Chance that a unit's fluid temperature is not recorded.
    no_counts : float
        Chance that a unit's learn counts are not recorded.
    unlogged : float
        Chance that a visit does not appear in the log.
    misdated : float
        Chance that a logged date is wrong.
    misdated_days : float
        Largest error of a wrong date.
    wrong_entries : float
        Mean number of entries, per unit and year, that had no effect.
    second_cause : float
        Chance that a unit with one cause has another.
    same_visit : float
        Chance that the second cause came in the same visit, where it can.
    wear_after : float
        Chance that one pack begins to wear fast at a power or load change.
    hastening : float
        Chance that a fast-wearing pack wears faster and faster.
    slips : float
        Chance that a reading is mistyped.

    """

    noise: float = 1.0
    wander: float = 1.0
    temperature: float = 1.0
    size: float = 1.0
    snapshots_per_year: tuple[float, float] | None = (11.0, 13.0)
    snapshots: tuple[int, int] = (9, 16)
    shifts_to_learn: float = 10.0
    learning: float = 1.0
    missing_signal: float = 0.0
    missing_mode: float = 0.0
    no_temperature: float = 0.05
    no_counts: float = 0.05
    unlogged: float = 0.25
    misdated: float = 0.2
    misdated_days: float = 6.0
    wrong_entries: float = 0.15
    second_cause: float = 0.2
    same_visit: float = 0.4
    wear_after: float = 0.15
    hastening: float = 0.25
    slips: float = 2e-4


USUAL = Difficulty()
EASY = replace(
    USUAL,
    noise=0.6,
    wander=0.5,
    size=1.3,
    no_temperature=0.0,
    no_counts=0.0,
    unlogged=0.1,
    misdated=0.1,
    misdated_days=3.0,
    wrong_entries=0.05,
    second_cause=0.0,
    wear_after=0.0,
    hastening=0.0,
    slips=0.0,
)
NOISY = replace(USUAL, noise=1.8, wander=1.8)
SPARSE = replace(USUAL, snapshots_per_year=None, learning=0.6)
HARD = replace(
    USUAL,
    noise=1.3,
    wander=1.3,
    size=0.6,
    snapshots_per_year=(7.0, 12.0),
    learning=0.5,
    missing_signal=0.3,
    missing_mode=0.3,
    no_temperature=0.5,
    no_counts=0.5,
    unlogged=0.4,
    misdated=0.4,
    misdated_days=10.0,
    wrong_entries=0.4,
    second_cause=0.5,
    wear_after=0.35,
    hastening=0.6,
    slips=1e-3,
)

PRESETS = {"easy": EASY, "usual": USUAL, "noisy": NOISY, "sparse": SPARSE, "hard": HARD}


def preset(name: str) -> Difficulty:
    """Give a preset by name; `UnknownName` if there is none of that name."""
    try:
        return PRESETS[name]
    except KeyError:
        raise UnknownName(
            f"there is no difficulty {name!r}", do=f"choose from {', '.join(PRESETS)}"
        ) from None
