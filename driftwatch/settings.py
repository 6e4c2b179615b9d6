"""Every setting of the program, as one frozen, typed object: name, default, unit and reason.

A store keeps the settings that differ from the default (`driftwatch settings set NAME VALUE`).
"""

from __future__ import annotations

from dataclasses import dataclass, field, fields, replace
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from driftwatch.errors import UnknownName, UsageError

if TYPE_CHECKING:
    from driftwatch.wording import Wording


def _setting(
    default: Any, unit: str, reason: str, low: float | None = None, high: float | None = None
) -> Any:
    return field(default=default, metadata={"unit": unit, "reason": reason, "low": low, "high": high})


@dataclass(frozen=True)
class Settings:
    """What can be set, with defaults. Distances in km, durations in days, probabilities from 0 to 1."""

    zone: str = _setting("UTC", "IANA time zone", "a time written without an offset is local to this zone")
    watch_km: float = _setting(
        40000.0,
        "km",
        "a clutch is on `watch` when its limit is more likely than not within this distance",
        1,
        1e6,
    )
    plan_km: float = _setting(15000.0, "km", "the same for `plan`: about one service interval ahead", 1, 1e6)
    due_km: float = _setting(5000.0, "km", "the same for `due`: no time left to put it off", 1, 1e6)
    chance_km: float = _setting(10000.0, "km", "the distance for which `chance_within` is stated", 1, 1e6)
    false_alarm_rate: float = _setting(
        0.05,
        "probability",
        "chance that a unit without any change shows one over its whole history",
        1e-6,
        0.5,
    )
    least_probability: float = _setting(
        0.1, "probability", "a cause less probable than this is no finding, and no rival", 0.0, 0.9
    )
    wear_share: float = _setting(
        0.3,
        "share of allowance",
        "a clutch that used this much since its life began gets a wear finding",
        0.01,
        1.0,
    )
    least_snapshots: int = _setting(
        5, "snapshots", "with fewer, the unit is `too_few`: no change can be told from noise", 3, 100
    )
    stale_days: float = _setting(
        75.0, "days", "no snapshot for longer than this is a `stale` caution", 1, 3650
    )
    shifts_to_learn: float = _setting(
        10.0, "shifts", "repeats that a cell needs to learn a new need (common practice, no source)", 1, 1000
    )
    event_slack_days: float = _setting(
        10.0, "days", "how far a logged date may lie from the true one and still explain a change", 0, 365
    )

    units: str = _setting(
        "profile", "profile, si or us", "units of measure in reports, on pages and in sentences"
    )
    dates: str = _setting("day-first", "day-first, month-first or iso", "how days are written in them")

    @property
    def wording(self) -> Wording:
        """The way of writing that is set."""
        from driftwatch.wording import Wording

        return Wording(self.units, self.dates)

    def with_value(self, name: str, value: Any) -> Settings:
        """Give a copy with one setting changed; `UsageError` if the name or value cannot be right."""
        known = {f.name: f for f in fields(self)}
        if name not in known:
            raise UnknownName(f"there is no setting {name!r}", do="`driftwatch settings list` names them")
        unit, low, high = (known[name].metadata[key] for key in ("unit", "low", "high"))
        kind = type(getattr(self, name))
        try:
            typed = kind(value)
            if kind is int and isinstance(value, float) and typed != value:
                raise ValueError  # Python would cut off the part behind the point
        except (TypeError, ValueError, OverflowError):
            wanted = "a whole number" if kind is int else "a number"
            raise UsageError(
                f"setting {name} wants {wanted}, not {value!r}",
                do=f"give one from {low:.12g} to {high:.12g} ({unit})",
            ) from None
        if name in ("units", "dates"):
            _ = replace(self, **{name: typed}).wording
        if low is not None and not low <= typed <= high:
            raise UsageError(
                f"setting {name} must lie between {low:.12g} and {high:.12g} ({unit}), not {typed:.12g}",
                do="give one in that range",
            )
        if name == "zone":
            try:
                ZoneInfo(typed)
            except (ZoneInfoNotFoundError, ValueError, OSError):
                raise UsageError(
                    f"{value!r} is not a time zone", do="use an IANA name such as Etc/GMT-1"
                ) from None
        changed = replace(self, **{name: typed})
        if not changed.due_km <= changed.plan_km <= changed.watch_km:
            raise UsageError(
                f"the horizons must be ordered, due_km <= plan_km <= watch_km, not {changed.due_km:.12g}, "
                f"{changed.plan_km:.12g}, {changed.watch_km:.12g}",
                do="change the others first, or give another distance",
            )
        return changed

    def differing(self) -> dict[str, Any]:
        """Give the settings that are not at their default, by name."""
        return {f.name: getattr(self, f.name) for f in fields(self) if getattr(self, f.name) != f.default}
