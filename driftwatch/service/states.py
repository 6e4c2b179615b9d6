"""The service state of a pack: what raises it, what clears it, and why it stands."""

from __future__ import annotations

from collections.abc import Callable

from driftwatch.settings import Settings
from driftwatch.wording import percent, set_distance

#: A service state is raised when its chance passes the one, and cleared when it falls below the other.
RAISED_ABOVE = 0.5
CLEARS_BELOW = 0.35
#: Snapshots looked back at for whether a state still stands.
REMEMBERED = 6

Chance = Callable[[float], float]
ChanceBefore = Callable[[float, int], float | None]


def service_state(chance: Chance, before: ChanceBefore, reached: bool, settings: Settings) -> tuple[str, str]:
    """Service state and the reason for it, from the chance of reaching the limit within each horizon.

    A state is raised when the chance passes one half, and stands until it falls below `CLEARS_BELOW`, so that
    it does not come and go with every reading.

    Parameters
    ----------
    chance : callable
        Chance of reaching the limit within so many km.
    before : callable
        The same as of so many snapshots ago; None where there was no forecast yet.
    reached : bool
        True if the fitted volume has reached the limit.
    settings : Settings
        The horizons.

    """
    if reached:
        return "due", "The fitted volume has reached the limit."
    horizons = (("due", settings.due_km), ("plan", settings.plan_km), ("watch", settings.watch_km))
    for state, km in horizons:
        now = chance(km)
        if now > RAISED_ABOVE:
            return state, (
                f"The limit is more likely than not within {set_distance(km)} (chance {_chance(now)}); "
                f"this clears when the chance falls below {percent(CLEARS_BELOW)}."
            )
        if now >= CLEARS_BELOW and _stood(before, km):
            return state, (
                f"The chance of reaching the limit within {set_distance(km)} was over one half and is "
                f"{_chance(now)}; this clears when it falls below {percent(CLEARS_BELOW)}."
            )
    return "clear", (
        f"The chance of reaching the limit within {set_distance(settings.watch_km)} is "
        f"{_chance(chance(settings.watch_km))}, under one half."
    )


def _stood(before: ChanceBefore, km: float) -> bool:
    """True if the state was raised at one of the snapshots before, and did not clear since."""
    for back in range(1, REMEMBERED + 1):
        then = before(km, back)
        if then is None or then < CLEARS_BELOW:
            return False
        if then > RAISED_ABOVE:
            return True
    return False


def _chance(value: float) -> str:
    """Never 0 or 100: both would claim more than draws can tell."""
    return percent(min(max(value, 0.001), 0.999))
