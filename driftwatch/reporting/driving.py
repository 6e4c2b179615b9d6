"""What is still to be driven after a change: which shifts, how often, at which throttle, how far that is."""

from __future__ import annotations

from math import ceil

from driftwatch.reporting.context.followup import DriveStep, LearnRow
from driftwatch.wording import distance, listed, name

#: Throttle steps in the order they are driven, the gentlest first (common practice, no source).
THROTTLE = ("a quarter throttle", "half throttle", "three quarters")
#: Shifts that want different numbers are named with them, up to so many numbers.
MOST_GROUPS = 3
#: Beyond this the use so far is no way to learn a mode: it is driven on purpose, or stays as it is.
TOO_FAR_KM = 5000.0


def drive_plan(learning: tuple[LearnRow, ...], shifts_to_learn: float) -> tuple[DriveStep, ...]:
    """Group what still wants driving by mode.

    The repeats that the mode's neediest shift wants are spread over the throttle steps, the gentler ones
    first; a round goes up through the gears and back down, so that it makes each shift once.
    """
    steps = []
    for mode in dict.fromkeys(row.mode for row in learning):
        of_mode = [row for row in learning if row.mode == mode]
        mine = [row for row in of_mode if row.wants or row.wants is None]
        if mine:
            steps.append(_step(mode, mine, len(of_mode), shifts_to_learn))
    return tuple(steps)


def spread(wants: int) -> tuple[tuple[str, int], ...]:
    """Spread so many rounds over the throttle steps; what does not divide goes to the gentler ones."""
    left, made = wants, []
    for k, throttle in enumerate(THROTTLE):
        rounds = ceil(left / (len(THROTTLE) - k))
        left -= rounds
        if rounds:
            made.append((throttle, rounds))
    return tuple(made)


def more_driving(learning: tuple[LearnRow, ...]) -> str:
    """Say how far the transmission drives, by its use so far, until all has learned; empty if not known."""
    waiting = [row for row in learning if row.wants]
    if not waiting:
        return ""
    far = [row.km for row in waiting]
    if any(km is None or km > TOO_FAR_KM for km in far):
        return "By its use so far that would take very long: drive it on purpose, if it is used at all."
    return f"By its use so far that is about {distance(max(max(km or 0.0 for km in far), 100.0))} more."


def _step(mode: str, mine: list[LearnRow], of_mode: int, shifts_to_learn: float) -> DriveStep:
    known = [row for row in mine if row.wants is not None]
    if not known:
        whole = len(mine) == of_mode and len(mine) > 1
        which = f"all {len(mine)} shifts" if whole else listed([row.shift for row in mine])
        told = f"{which}: about {shifts_to_learn:g} each, then read out (shifts are not counted)"
        rounds = spread(ceil(shifts_to_learn))
    else:
        groups: dict[int, list[str]] = {}
        for row in known:
            groups.setdefault(row.wants or 0, []).append(row.shift)
        whole = len(known) == of_mode and len(groups) == 1 and len(known) > 1
        if whole:
            told = f"all {len(known)} shifts, {next(iter(groups))} more each"
        elif len(groups) > MOST_GROUPS:
            told = f"{len(known)} shifts want {min(groups)} to {max(groups)} more each, as the table has it"
        else:
            told = "; ".join(f"{listed(s)}: {w} more each" for w, s in sorted(groups.items(), reverse=True))
        rounds = spread(max(groups))
    times = listed([f"{'once' if n == 1 else f'{n} times'} at {throttle}" for throttle, n in rounds])
    sentence = f"In {name(mode or 'every mode')}: {told}. Go up through the gears and back down {times}."
    far = [row.km for row in known]
    km = None if not far or None in far else max(v for v in far if v is not None)
    if known:
        sentence += f" {more_driving(tuple(known))}"
    return DriveStep(mode, tuple(row.shift for row in mine), rounds, km, sentence)
