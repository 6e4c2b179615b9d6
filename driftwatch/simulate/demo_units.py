"""The 24 invented units of the demo, and what happens to each."""

from __future__ import annotations

from dataclasses import dataclass

from driftwatch.simulate.plan import Action, LogEntry

NORTH, SOUTH, OWNER = "North yard", "South yard", "owner"
FOLLOWUP_UNIT, FOLLOWUP_ON = "HL-03", "2026-08-20"
OWNER_UNIT, OWNER_ON = "RV-01", "2026-06-06"


@dataclass(frozen=True)
class Act:
    """A cause on a date. For `wear`, `size` is the share of the allowance used up by the last snapshot."""

    on: str
    action: Action
    #: How the log tells it; empty if it does not.
    log: tuple[LogEntry, ...] = ()
    #: Days by which the log is wrong.
    off: float = 0.0


@dataclass(frozen=True)
class Sketch:
    """One unit of the demo."""

    unit: str
    site: str
    first: str
    km_per_day: float
    odometer_km: float
    acts: tuple[Act, ...] = ()
    #: Log entries without effect, by date.
    idle: tuple[tuple[str, LogEntry], ...] = ()
    last: str = "2026-10-24"
    #: Further snapshots, as a shop takes them after a change.
    extra: tuple[str, ...] = ()
    without: tuple[str, ...] = ()
    modes: tuple[str, ...] = ("normal", "tow")
    tow_use: float = 1.0
    note: str = ""


def _said(kind: str, amount: float | None = None, unit: str = "", note: str = "") -> tuple[LogEntry, ...]:
    return (LogEntry(0.0, kind, amount, unit, note),)


def _act(
    on: str, kind: str, size: float = 0.0, log: tuple[LogEntry, ...] = (), off: float = 0.0, **more: object
) -> Act:
    return Act(on, Action(kind, 0.0, size, **more), log, off)  # type: ignore[arg-type]


def sketches() -> tuple[Sketch, ...]:
    """Give all units; those of the south yard are eight-speeds, the others six-speeds."""
    return (
        # North yard: six speeds, exported from the fleet's own system in long form.
        Sketch("HL-01", NORTH, "2024-05-13", 118, 64_200),
        Sketch(
            "HL-02",
            NORTH,
            "2024-02-05",
            165,
            188_400,
            (_act("2024-02-05", "wear", 0.975, packs=("pack3",), haste=0.6),),
        ),
        Sketch(
            FOLLOWUP_UNIT,
            NORTH,
            "2024-03-11",
            142,
            121_900,
            (
                _act(
                    FOLLOWUP_ON,
                    "power",
                    26.0,
                    _said("power", 140, "N.m", "calibration update"),
                    rate_after=1.3,
                ),
            ),
            extra=("2026-08-19", "2026-08-24", "2026-08-31", "2026-09-10"),
            tow_use=0.35,
        ),
        Sketch(
            "HL-04", NORTH, "2024-03-18", 131, 97_300, (_act("2025-04-22", "power", 22.0, rate_after=1.1),)
        ),
        Sketch(
            "HL-05",
            NORTH,
            "2024-04-09",
            109,
            143_000,
            (_act("2025-09-15", "fluid", -12.0, _said("fluid", note="fluid and filter")),),
        ),
        Sketch("HL-06", NORTH, "2024-01-29", 150, 211_700, (_act("2024-11-15", "pressure", 14.0),)),
        Sketch(
            "HL-07",
            NORTH,
            "2024-03-04",
            137,
            156_500,
            (
                _act(
                    "2025-06-17",
                    "power",
                    24.0,
                    _said("power", 120, "N.m", "calibration update"),
                    rate_after=1.1,
                ),
                _act("2025-06-17", "fluid", -9.0, _said("fluid", note="in the same visit")),
            ),
        ),
        Sketch(
            "HL-08",
            NORTH,
            "2024-05-06",
            98,
            52_800,
            (_act("2025-11-11", "relearn", log=_said("relearn", note="battery replaced, values cleared")),),
        ),
        Sketch(
            "HL-09",
            NORTH,
            "2024-02-19",
            158,
            402_600,
            (
                _act("2024-02-19", "wear", 0.9, packs=("pack4",)),
                _act(
                    "2025-08-05",
                    "rebuild",
                    log=_said("rebuild", note="all packs renewed"),
                    packs=("pack1", "pack2", "pack3", "pack4", "pack5"),
                ),
            ),
        ),
        Sketch(
            "HL-10",
            NORTH,
            "2024-04-22",
            104,
            88_100,
            without=("clutch_volume",),
            idle=(("2025-10-07", LogEntry(0.0, "repair", note="harness connector cleaned")),),
            note="controller gives no clutch volumes",
        ),
        Sketch("HL-11", NORTH, "2026-07-20", 126, 8_900, note="new in the fleet"),
        Sketch(
            OWNER_UNIT,
            OWNER,
            "2024-06-03",
            71,
            38_600,
            (
                _act(
                    OWNER_ON,
                    "load",
                    27.0,
                    _said("load", 2600, "kg", "new trailer"),
                    mode="tow",
                    rate_after=1.3,
                ),
            ),
            modes=("normal", "tow", "low"),
            tow_use=2.0,
        ),
        # South yard: eight speeds, kept by the shop in a sheet of its own.
        Sketch("DT-01", SOUTH, "2024-03-06", 112, 71_500),
        Sketch(
            "DT-02",
            SOUTH,
            "2024-02-14",
            171,
            166_000,
            (
                _act(
                    "2025-03-10",
                    "load",
                    24.0,
                    _said("load", 3200, "kg", "crane body"),
                    mode="tow",
                    rate_after=1.3,
                ),
                _act("2025-03-10", "wear", 0.68, packs=("pack2",), haste=1.0),
            ),
        ),
        Sketch(
            "DT-03",
            SOUTH,
            "2024-04-03",
            129,
            102_400,
            (
                _act(
                    "2025-02-24",
                    "load",
                    26.0,
                    _said("load", 2800, "kg", "plant trailer on hire"),
                    mode="tow",
                    rate_after=1.3,
                ),
                _act(
                    "2025-12-08", "load", -26.0, _said("load", -2800, "kg", "trailer given back"), mode="tow"
                ),
            ),
        ),
        Sketch(
            "DT-04",
            SOUTH,
            "2024-03-27",
            121,
            133_800,
            (_act("2025-07-14", "load", 25.0, mode="tow", rate_after=1.3),),
        ),
        Sketch(
            "DT-05",
            SOUTH,
            "2024-05-15",
            117,
            59_700,
            (_act("2025-10-20", "power", -20.0, _said("power", -100, "N.m", "torque limited"), off=6.0),),
        ),
        Sketch("DT-06", SOUTH, "2024-02-28", 126, 149_200, (_act("2025-05-27", "fluid", -12.0),)),
        Sketch(
            "DT-07",
            SOUTH,
            "2024-01-17",
            162,
            118_300,
            (
                _act(
                    "2025-01-21",
                    "power",
                    30.0,
                    _said("power", 160, "N.m", "calibration update"),
                    rate_after=1.2,
                ),
                _act("2025-01-21", "wear", 0.87, packs=("pack4",), haste=0.5),
            ),
        ),
        Sketch(
            "DT-08",
            SOUTH,
            "2024-02-07",
            139,
            227_900,
            (
                _act("2024-06-10", "pressure", 11.0),
                _act("2026-02-16", "fluid", -8.0, _said("fluid", note="fluid and filter")),
            ),
        ),
        Sketch(
            "DT-09", SOUTH, "2024-03-20", 147, 171_600, (_act("2024-03-20", "wear", 0.7, packs=("pack5",)),)
        ),
        Sketch("DT-10", SOUTH, "2024-04-17", 103, 45_300, tow_use=0.5),
        Sketch("DT-11", SOUTH, "2024-02-21", 92, 83_900, last="2026-06-30", note="laid up since July"),
        Sketch(
            "DT-12",
            SOUTH,
            "2024-01-24",
            154,
            356_100,
            (
                _act("2024-01-24", "wear", 0.8, packs=("pack3",)),
                _act("2025-12-02", "rebuild", packs=("pack2", "pack3")),
            ),
        ),
    )
