"""Names for the changes that the notebook found: rules of thumb over what moved, and the nearest entry."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

#: A signal has moved in a mode if the mean over its cells is this many noise units.
MOVED = 0.8
#: After a rebuild the root mean square over all cells is more than this.
FAR = 3.0
#: How sure a rule is by itself; with an entry of its own kind in the log; with entries of other kinds only.
ALONE, LOGGED, OTHERWISE = 0.7, 0.92, 0.45
#: Without an entry, a change whose largest mean move is below this many noise units may be a wandering.
CLEAR, WEAK = 1.6, 0.4


@dataclass(frozen=True)
class Change:
    """What moved at one snapshot.

    `moved`, `first`, `late` are Series by (signal, mode, channel) in noise units: median of some snapshots
    after less that before; the first snapshot after; the ones after that. `downward`: a pack's volume fell.
    `off_log`: days by which the nearest entry of each kind lies outside the gap between the two snapshots.
    `from_log`: the row was looked at because of the log.
    """

    row: int
    moved: pd.Series
    first: pd.Series
    late: pd.Series
    downward: bool
    off_log: dict[str, float]
    from_log: bool


def name_change(change: Change) -> list[tuple[str, float]]:
    """Give the causes of a change, each with how sure that is; nothing if hardly anything moved."""
    names = _by_rule(change)
    if not names:
        return []
    said = [(cause, _how_sure(cause, change)) for cause in names]
    return [(cause, sure) for cause, sure in said if sure >= 0.1]


def _how_sure(cause: str, change: Change) -> float:
    if cause in change.off_log:
        return LOGGED if change.off_log[cause] <= 10 else 0.5 * (ALONE + LOGGED)
    if cause == "unexplained":
        return 0.5
    if cause not in ("rebuild", "relearn") and _largest(change) < CLEAR:
        return WEAK
    return OTHERWISE if change.off_log else ALONE


def _largest(change: Change) -> float:
    means = change.moved.groupby(level=["signal", "mode"]).mean()
    return float(means.abs().max())


def _by_rule(change: Change) -> list[str]:
    """Walk through the table of causes, the most telling traces first."""
    if change.downward:
        return ["rebuild"]
    shifts = change.moved.drop("clutch_volume", level="signal", errors="ignore")
    if len(shifts) < 4:
        return []
    if _came_back(change):
        return ["relearn"]
    mean = shifts.groupby(level=["signal", "mode"]).mean()
    spread = float(np.sqrt((shifts**2).mean()))
    if _each_its_own(shifts):
        return ["rebuild"]
    apply, release = _of(mean, "apply_trim"), _of(mean, "release_trim")
    time, cut = _of(mean, "shift_time"), _of(mean, "torque_cut")
    tow = mean.xs("tow", level="mode") if "tow" in mean.index.get_level_values("mode") else None
    if tow is not None and _loaded(tow, apply, time):
        return ["load"]
    names = []
    together = np.sign(apply) == np.sign(cut) or "torque_cut" not in mean.index.get_level_values("signal")
    if abs(apply) > MOVED and abs(cut) > 0.7 * MOVED and together:
        names.append("power")
    elif abs(apply) > MOVED and abs(release) > 0.25 * abs(apply) and abs(time) < 0.4 * abs(apply):
        names.append("pressure" if apply > 0 and abs(cut) < 0.4 * MOVED else "power")
    elif max(abs(apply), abs(time)) > 0.7 * MOVED and _same_way(apply, time):
        names.append("fluid")
    if "power" in names and "fluid" in change.off_log and abs(time) > 0.7 * MOVED:
        names.append("fluid")
    if not names and not change.from_log and spread > 1.5:
        return ["unexplained"]
    return names


def _of(mean: pd.Series, signal: str) -> float:
    """Mean move of a signal in the first of the modes in which it was read and is driven most."""
    if signal not in mean.index.get_level_values("signal"):
        return 0.0
    by_mode = mean.xs(signal, level="signal")
    return float(by_mode["normal"] if "normal" in by_mode.index else by_mode.iloc[0])


def _loaded(tow: pd.Series, apply: float, time: float) -> bool:
    """Apply trims or shift times moved in tow, and much less in normal."""
    moves = [(tow.get("apply_trim", 0.0), apply), (tow.get("shift_time", 0.0), time)]
    far = [abs(in_tow) > MOVED and abs(in_normal) < 0.45 * abs(in_tow) for in_tow, in_normal in moves]
    return any(far) and abs(tow.get("torque_cut", 0.0)) < 0.5 * max(abs(m[0]) for m in moves)


def _came_back(change: Change) -> bool:
    """Many cells were far off at the first snapshot, and back where they had been a little later."""
    both = change.first.index.intersection(change.late.index)
    both = both[both.get_level_values("signal") != "clutch_volume"]
    first, late = change.first[both], change.late[both]
    off = first.abs() > 4
    if off.sum() < 6:
        return False
    return float((late[off].abs() < 0.6 * first[off].abs()).mean()) > 0.7


def _each_its_own(shifts: pd.Series) -> bool:
    """Every cell has moved far and by an amount of its own: means by signal and mode explain little of it."""
    groups = shifts.groupby(level=["signal", "mode"])
    explained = float((groups.mean() ** 2 * groups.size()).sum() / max(float((shifts**2).sum()), 1e-9))
    return float(np.sqrt((shifts**2).mean())) > FAR and explained < 0.4


def _same_way(apply: float, time: float) -> bool:
    return np.sign(apply) == np.sign(time) or time == 0.0 or apply == 0.0
