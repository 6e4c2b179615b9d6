"""A small invented fleet as files: three units, two years of readings, one entry in the log."""

from __future__ import annotations

from datetime import date, timedelta
from pathlib import Path

import numpy as np

FIRST = date(2024, 1, 8)
SNAPSHOTS = 12
UNITS = ("unit-01", "unit-02", "unit-03")
SHIFTS = ("1-2", "2-3", "3-4", "4-5", "5-6", "6-5", "5-4", "4-3", "3-2", "2-1")
HEADER = "unit,taken_at,odometer_km,mode,channel,signal,value,fluid_temp_c,learn_count\n"


def snapshot_rows() -> list[str]:
    """Give two years of monthly readings; pack3 of unit-02 grows to near its limit, the rest is steady."""
    rng = np.random.default_rng(20240108)
    rows = []
    for k, unit in enumerate(UNITS):
        for t in range(SNAPSHOTS):
            head = f"{unit},{FIRST + timedelta(days=60 * t)},{50_000 * (k + 1) + 6_000 * t}"
            for pack in range(1, 6):
                new = (35.0, 31.0, 24.0, 27.5, 51.0)[pack - 1]
                grown = 0.9 * t if (unit, pack) == ("unit-02", 3) else 0.02 * t
                rows.append(
                    f"{head},,pack{pack},clutch_volume,{new + 1 + grown + rng.normal(0, 0.1):.2f},80,"
                )
            for mode in ("normal", "tow"):
                for i, shift in enumerate(SHIFTS):
                    wear = 1.5 * t if unit == "unit-02" and shift in ("2-3", "4-5", "6-5", "4-3") else 0.0
                    rows.append(
                        f"{head},{mode},{shift},apply_trim,{4 * i + wear + rng.normal(0, 2):.1f},80,25"
                    )
    return rows


def write_files(folder: Path) -> Path:
    """Write units.csv, snapshots.csv and events.csv, and give the folder."""
    (folder / "units.csv").write_text(
        "unit,profile,site\n" + "".join(f"{unit},generic-6,yard {unit[-1]}\n" for unit in UNITS)
    )
    (folder / "snapshots.csv").write_text(HEADER + "\n".join(snapshot_rows()) + "\n")
    (folder / "events.csv").write_text(
        "unit,happened_at,kind,amount,amount_unit,note\nunit-01,2024-09-10,power,60,N.m,invented\n"
    )
    return folder
