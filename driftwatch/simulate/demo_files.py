"""Writing the demo's files: a long CSV in metric units, a shop's wide sheet in US units with its mapping.

A few rows that cannot be right are put in on purpose, to show what becomes of them.
"""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path

import numpy as np
import openpyxl
import pandas as pd

from driftwatch.simulate.frames import SimulatedFleet

#: Conversion from the profile's units to the sheet's: exact definitions (NIST SP 811, appendix B).
KM_PER_MILE, KPA_PER_PSI, CM3_PER_IN3 = 1.609344, 6.894757293168361, 16.387064

#: What the shop's sheet holds of each signal: words of the header, unit, factor, decimals.
SHEET_SIGNALS = {
    "clutch_volume": ("volume", "in3", 1.0 / CM3_PER_IN3, 4),
    "apply_trim": ("apply", "psi", 1.0 / KPA_PER_PSI, 2),
    "release_trim": ("release", "psi", 1.0 / KPA_PER_PSI, 2),
    "shift_time": ("time", "s", 1.0, 3),
}
SHEET_NAME = "South yard (invented)"

#: Rows of the long file that cannot be right. Each: unit, time, odometer, mode, channel, signal, value,
#: temperature, learn count; None is replaced by what the row's snapshot has.
WRONG_ROWS: tuple[tuple[str, ...], ...] = (
    ("HL-99", "2026-09-14T10:05", "88120", "normal", "1-2", "apply_trim", "14", "81", "22"),
    ("HL-01", "2062-09-14T10:05", "164420", "normal", "1-2", "apply_trim", "9", "79", "31"),
    ("HL-04", "2026-09-30T09:40", "21540", "normal", "2-3", "apply_trim", "12", "83", "18"),
    ("HL-05", "2026-09-30T11:10", "240310", "normal", "2-4", "apply_trim", "-6", "80", "25"),
    ("HL-06", "2026-09-30T11:50", "361900", "normal", "3-4", "apply_trim", "3o", "84", "27"),
    ("HL-08", "2026-09-30T13:20", "139900", "normal", "4-5", "torque_cut", "260", "78", "30"),
    ("HL-08", "2026-09-30T13:20", "139900", "normal", "5-6", "fill_time", "0.31", "78", "30"),
)

README = """These files are invented: no unit, depot, date or value in them is real.

They were simulated by driftwatch from fixed seeds, to show what the program does. The limits of the two
transmission types are illustrative too. A few rows cannot be right, on purpose, to show the quarantine.

Import in this order:
  driftwatch import invented-units.csv
  driftwatch import invented-snapshots-north-yard.csv
  driftwatch import invented-shop-sheet-south-yard.xlsx --mapping invented-shop-sheet-south-yard.mapping.toml
  driftwatch import invented-events.csv
"""


def write_units(path: Path, fleets: Sequence[SimulatedFleet]) -> None:
    """Write the units of all fleets as CSV."""
    frame = pd.concat([f.units for f in fleets])
    _write(path, frame.assign(in_service_on=frame["in_service_on"].dt.strftime("%Y-%m-%d")))


def write_events(path: Path, fleets: Sequence[SimulatedFleet]) -> None:
    """Write the log of all fleets as CSV, in order of time."""
    frame = pd.concat([f.events for f in fleets]).sort_values(["happened_at", "unit", "kind"], kind="stable")
    _write(path, frame.assign(happened_at=frame["happened_at"].dt.strftime("%Y-%m-%d")))


def write_snapshots(path: Path, fleet: SimulatedFleet) -> None:
    """Write a fleet's snapshots as long CSV in the profile's units, with the rows that cannot be right."""
    rows = fleet.snapshots
    frame = pd.DataFrame(
        {
            "unit": rows["unit"].astype(str),
            "taken_at": rows["taken_at"].dt.strftime("%Y-%m-%dT%H:%M"),
            "odometer_km": rows["odometer_km"].map("{:.0f}".format),
            "mode": rows["mode"].astype(str),
            "channel": rows["channel"].astype(str),
            "signal": rows["signal"].astype(str),
            "value": rows["value"].map("{:.6g}".format),
            "fluid_temp_c": rows["fluid_temp_c"].map("{:.0f}".format),
            "learn_count": rows["learn_count"].map("{:.0f}".format),
        }
    )
    wrong = pd.DataFrame(WRONG_ROWS, columns=frame.columns)
    _write(path, pd.concat([frame, wrong, _contradiction(frame)]))


def _contradiction(frame: pd.DataFrame) -> pd.DataFrame:
    """Give the last reading of one cell once more, with another value: both cannot be right."""
    of = frame[(frame["unit"] == "HL-07") & (frame["channel"] == "2-3") & (frame["signal"] == "apply_trim")]
    last = of[of["mode"] == "normal"].tail(1)
    return last.assign(value=str(int(last["value"].iloc[0]) + 40))


def _write(path: Path, frame: pd.DataFrame) -> None:
    frame.to_csv(path, index=False, lineterminator="\n", encoding="utf-8", float_format="%g")


def _sheet_columns(fleet: SimulatedFleet) -> list[tuple[str, str, str, str]]:
    """Columns of the shop's sheet: header, channel, signal, mode."""
    columns = []
    for signal, (word, unit, _, _) in SHEET_SIGNALS.items():
        if signal == "clutch_volume":
            columns += [
                (f"Pack {clutch.id.removeprefix('pack')} {word} {unit}", clutch.id, signal, "")
                for clutch in fleet.profile.clutches
            ]
        else:
            columns += [
                (f"{shift.id} {word} {mode} {unit}", shift.id, signal, mode)
                for shift in fleet.profile.shifts
                for mode in fleet.plans[0].modes
            ]
    return columns


def write_mapping(path: Path, fleet: SimulatedFleet) -> None:
    """Write the mapping that says which column of the shop's sheet is which cell."""
    lines = [
        "# Which column of the invented shop sheet is which value.",
        f'sheet = "{SHEET_NAME}"',
        "",
        "[columns]",
        'unit = "Truck"',
        'taken_at = "Read on"',
        'odometer = "Miles"',
        'fluid_temp = "Fluid degF"',
        "",
        "[units]",
        'odometer = "mi"',
        'fluid_temp = "degF"',
    ]
    for header, channel, signal, mode in _sheet_columns(fleet):
        lines += ["", "[[cell]]", f'column = "{header}"', f'channel = "{channel}"', f'signal = "{signal}"']
        lines += [f'mode = "{mode}"'] if mode else []
        lines.append(f'unit = "{SHEET_SIGNALS[signal][1]}"')
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")


def write_sheet(path: Path, fleet: SimulatedFleet) -> None:
    """Write a fleet's snapshots as a workbook: one row a snapshot, in miles, degF, psi and in3.

    The last two rows cannot be right: a date that is none, and a row without any reading.
    """
    columns = _sheet_columns(fleet)
    rows = fleet.snapshots
    wide = rows.assign(
        key=[f"{c}|{s}|{m}" for c, s, m in zip(rows["channel"], rows["signal"], rows["mode"], strict=True)]
    )
    table = wide.pivot(
        index=["unit", "taken_at", "odometer_km", "fluid_temp_c"], columns="key", values="value"
    )
    table = table.sort_index(level=["taken_at", "unit"])

    book = openpyxl.Workbook()
    sheet = book.active
    sheet.title = SHEET_NAME
    sheet.append(["Truck", "Read on", "Miles", "Fluid degF", *(header for header, *_ in columns)])
    values = np.column_stack(
        [
            np.round(table[f"{channel}|{signal}|{mode}"] * SHEET_SIGNALS[signal][2], SHEET_SIGNALS[signal][3])
            for _, channel, signal, mode in columns
        ]
    )
    for (unit, at, km, temp), line in zip(table.index, values.tolist(), strict=True):
        head = [unit, at.to_pydatetime(), round(km / KM_PER_MILE, 1), round(temp * 1.8 + 32.0)]
        sheet.append([*head, *line])
    sheet.append(["DT-01", "end of Sept", 112345.6, 176, 2.3123, 2.0111])
    sheet.append(["DT-10", datetime(2026, 9, 30, 15, 30), 95123.4, 171])
    sheet.freeze_panes = "E2"
    content = io.BytesIO()
    book.save(content)
    path.write_bytes(_without_clock(content.getvalue()))


def _without_clock(workbook: bytes) -> bytes:
    """Pack a workbook again with fixed times, so that the same sheet is the same file."""
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(workbook)) as old, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as new:
        for name in sorted(old.namelist()):
            data = old.read(name)
            if name == "docProps/core.xml":
                data = re.sub(rb"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ", b"2026-10-31T00:00:00Z", data)
            entry = zipfile.ZipInfo(name, (2026, 10, 31, 0, 0, 0))
            entry.compress_type = zipfile.ZIP_DEFLATED
            new.writestr(entry, data)
    return out.getvalue()
