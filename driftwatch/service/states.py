"""The service state of a pack: what raises it, what clears it, and why it stands."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from driftwatch.settings import Settings
from driftwatch.wording import percent, percent_chance, set_distance

#: A service state is raised when its chance passes the one, and cleared when it falls below the other.
RAISED_ABOVE = 0.5
CLEARS_BELOW = 0.35
#: Snapshots looked back at for whether a state still stands.
REMEMBERED = 6

Chance = Callable[[float], float]
ChanceBefore = Callable[[float, int], float | None]


@dataclass(frozen=True)
class Standing:
    """A service state and what it stands on.

    Attributes
    ----------
    state : {"clear", "watch", "plan", "due"}
    km : float
        The horizon it was judged by, km; 0 where the limit is reached.
    chance : float
        Chance of reaching the limit within that distance.
    held : bool
        True where the state was raised earlier and has not cleared yet.

    """

    state: str
    km: float
    chance: float
    held: bool = False

    @property
    def reason(self) -> str:
        """Say why the state stands and what would clear it."""
        if not self.km:
            return "The fitted volume has reached the limit."
        within, chance = f"{set_distance(self.km)} of the last reading", _chance(self.chance)
        if self.state == "clear":
            return f"The limit is less likely than not within {within} (chance {chance})."
        if self.held:
            return (
                f"Held from before: the chance of reaching the limit within {within} was over one half and "
                f"is {chance}; this clears when it falls below {percent(CLEARS_BELOW)}."
            )
        return (
            f"The limit is more likely than not within {within} (chance {chance}); "
            f"this clears when the chance falls below {percent(CLEARS_BELOW)}."
        )


def standing(chance: Chance, before: ChanceBefore, reached: bool, settings: Settings) -> Standing:
    """Service state of a pack, from the chance of reaching the limit within each horizon.

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
        return Standing("due", 0.0, 1.0)
    horizons = (("due", settings.due_km), ("plan", settings.plan_km), ("watch", settings.watch_km))
    for state, km in horizons:
        now = chance(km)
        if now > RAISED_ABOVE:
            return Standing(state, km, now)
        if now >= CLEARS_BELOW and _stood(before, km):
            return Standing(state, km, now, held=True)
    return Standing("clear", settings.watch_km, chance(settings.watch_km))


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
    """Never, by rounding, at a level that it is beyond."""
    said = percent_chance(value)
    for level in (RAISED_ABOVE, CLEARS_BELOW):
        if said == percent(level) and value != level:
            return f"just {'over' if value > level else 'under'} {said}"
    return said
