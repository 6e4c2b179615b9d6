"""A transmission as data: its packs, shifts, modes and signals.

Frozen, validated elsewhere (`driftwatch.profile.load` builds one from TOML, `driftwatch.profile.checks`
says whether it is consistent). Volumes are in cm3, areas in cm2, clearances in mm.
"""

from __future__ import annotations

from dataclasses import dataclass

#: Signals that belong to a clutch pack rather than to a shift.
PACK_SIGNALS = frozenset({"clutch_volume"})


@dataclass(frozen=True)
class Clutch:
    """One clutch pack and the volume at which service is due."""

    id: str
    new_volume_cm3: float | None = None
    service_limit_cm3: float | None = None
    piston_area_cm2: float | None = None
    new_clearance_mm: float | None = None
    limit_clearance_mm: float | None = None

    @property
    def limit_cm3(self) -> float | None:
        """Service limit of the fill volume, given directly or through the clearance; None if not known.

        A pack's fill volume grows by piston area x clearance gained (1 cm2 x 1 mm = 0.1 cm3).
        """
        if self.service_limit_cm3 is not None:
            return self.service_limit_cm3
        if None in (
            self.new_volume_cm3,
            self.piston_area_cm2,
            self.new_clearance_mm,
            self.limit_clearance_mm,
        ):
            return None
        gained_mm = self.limit_clearance_mm - self.new_clearance_mm  # type: ignore[operator]
        return self.new_volume_cm3 + 0.1 * self.piston_area_cm2 * gained_mm  # type: ignore[operator]


@dataclass(frozen=True)
class Shift:
    """One ratio change: the pack that comes on and the pack that goes off."""

    id: str
    applies: str
    releases: str

    @property
    def gears(self) -> tuple[int, int]:
        """Gear left and gear entered, read from the id (`2-3` -> (2, 3))."""
        old, new = self.id.split("-", 1)
        return int(old), int(new)

    @property
    def is_up(self) -> bool:
        """True for an upshift."""
        old, new = self.gears
        return new > old


@dataclass(frozen=True)
class Signal:
    """One kind of learned value, its unit, and the range and step within which the controller can learn.

    `on` says what a signal beyond the usual five belongs to: "shift" or "pack".
    """

    name: str
    unit: str
    lower: float | None = None
    upper: float | None = None
    resolution: float | None = None
    on: str = "shift"

    @property
    def per_pack(self) -> bool:
        """True if the value belongs to a clutch pack, False if to a shift."""
        return self.on == "pack" or self.name in PACK_SIGNALS


@dataclass(frozen=True)
class Profile:
    """A transmission type: what its snapshots can contain, and the limits that apply."""

    name: str
    title: str
    modes: tuple[str, ...]
    clutches: tuple[Clutch, ...]
    shifts: tuple[Shift, ...]
    signals: tuple[Signal, ...]
    limit_source: str = ""
    illustrative: bool = False
    note: str = ""

    def clutch(self, id_: str) -> Clutch:
        """Give the pack with that id; KeyError if the profile has none."""
        return {c.id: c for c in self.clutches}[id_]

    def shift(self, id_: str) -> Shift:
        """Give the shift with that id; KeyError if the profile has none."""
        return {s.id: s for s in self.shifts}[id_]

    def signal(self, name: str) -> Signal:
        """Give the signal of that name; KeyError if the profile has none."""
        return {s.name: s for s in self.signals}[name]
