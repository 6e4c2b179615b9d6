"""The reading sheet: a workbook that a technician fills in by hand, made for a profile and read as it is.

One sheet is one snapshot. Everything on it is found by its label in the first column, so that rows may be
moved, and sheets copied, as long as the labels stay.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import TYPE_CHECKING

import pyarrow as pa

from driftwatch.errors import InputRefused
from driftwatch.intake.tables import RawTable, header_names
from driftwatch.quantities import US_DISPLAY, known_unit, unit_name

if TYPE_CHECKING:
    from openpyxl.worksheet.worksheet import Worksheet

    from driftwatch.intake.content import Content
    from driftwatch.profile.model import Profile, Signal

#: Stands in the first cell of every reading sheet.
MARK = "driftwatch reading sheet"
#: Labels of what concerns the whole snapshot, and the column each becomes.
LABELS = {
    "unit": "unit",
    "read on": "taken_at",
    "odometer": "odometer",
    "odometer in": "odometer_unit",
    "fluid temperature": "fluid_temp",
    "fluid temperature in": "fluid_temp_unit",
    "read by or with": "source",
}
_LEARNS = "learns"
_VALUE = "value"
_COLUMNS = (
    *("unit", "taken_at", "odometer_km", "odometer_mi", "fluid_temp_c", "fluid_temp_f", "source"),
    *("mode", "channel", "signal", "value", "value_unit", "learn_count"),
)

Row = tuple[int, list[str]]


def is_form(rows: Sequence[Row]) -> bool:
    """Say whether these rows are a reading sheet."""
    return bool(rows) and bool(rows[0][1]) and rows[0][1][0].casefold().startswith(MARK)


def read_form(rows: Sequence[Row], content: Content, sheet: str, where: str) -> RawTable | None:
    """Turn a filled reading sheet into the long form; a blank field is no reading, a blank sheet None.

    Raises
    ------
    InputRefused
        If a label is not what it was.

    """
    told = dict.fromkeys(LABELS.values(), "")
    lines: list[int] = []
    readings: list[tuple[str, ...]] = []
    signal = measure = ""
    heads: list[str] = []
    for number, cells in rows[1:]:
        label = " ".join(cells[0].casefold().split()) if cells else ""
        values = cells[1:]
        if label in LABELS:
            told[LABELS[label]] = values[0] if values else ""
        elif section := re.fullmatch(r"(\S+) in (\S+)", cells[0] if cells else ""):
            signal, measure, heads = section[1], section[2], [" ".join(v.split()) for v in values]
            if not known_unit(measure):
                raise InputRefused(f"{measure!r} is no unit of measure", f"{where} row {number}")
        elif any(values) and not signal:
            raise InputRefused(
                f"the label {cells[0]!r} means nothing on a reading sheet",
                f"{where} row {number}",
                "leave the labels as they were printed",
            )
        else:
            found = _readings(heads, values, cells[0] if cells else "", signal, measure)
            readings += found
            lines += [number] * len(found)
    if not readings:
        return None
    shared = _shared(told, where)
    data = [{**shared, **dict(zip(_COLUMNS[7:], reading, strict=True))} for reading in readings]
    columns = header_names(list(_COLUMNS), where)
    table = pa.Table.from_pylist(data, pa.schema([(name, pa.string()) for name in columns]))
    return RawTable(content.name, content.sha256, columns, table, pa.array(lines, pa.int64()), sheet=sheet)


def _readings(
    heads: list[str], values: list[str], channel: str, signal: str, measure: str
) -> list[tuple[str, ...]]:
    """Give the values of one row of a section; a count belongs to the value before it."""
    found: list[tuple[str, ...]] = []
    for i, (head, value) in enumerate(zip(heads, values, strict=False)):
        if not value or head.endswith(_LEARNS):
            continue
        counted = heads[i + 1] if i + 1 < len(heads) else ""
        learns = values[i + 1] if counted.endswith(_LEARNS) and i + 1 < len(values) else ""
        found.append(("" if head == _VALUE else head, channel, signal, value, measure, learns))
    return found


def _shared(told: dict[str, str], where: str) -> dict[str, str]:
    odometer = _one_of(told["odometer_unit"] or "km", ("km", "mi"), where)
    temp = _one_of(told["fluid_temp_unit"] or "degC", ("degC", "degF"), where)
    return {
        "unit": told["unit"],
        "taken_at": told["taken_at"],
        "odometer_km": told["odometer"] if odometer == "km" else "",
        "odometer_mi": told["odometer"] if odometer == "mi" else "",
        "fluid_temp_c": told["fluid_temp"] if temp == "degC" else "",
        "fluid_temp_f": told["fluid_temp"] if temp == "degF" else "",
        "source": told["source"],
    }


def _one_of(text: str, known: tuple[str, str], where: str) -> str:
    name = unit_name(text) if known_unit(text) else text
    if name not in known:
        raise InputRefused(f"{text!r} does not fit", where, f"write {' or '.join(known)}")
    return name


def write_form(sheet: Worksheet, profile: Profile, unit: str = "", system: str = "SI") -> None:
    """Lay a blank reading sheet out on an empty worksheet, ready to be printed or filled in."""
    from openpyxl.styles import Alignment, Border, Font, PatternFill, Side

    thin = Side(style="thin", color="808080")
    box, bold = Border(thin, thin, thin, thin), Font(bold=True)
    shade, small = PatternFill("solid", fgColor="E8E8E8"), Font(size=8, color="606060")
    sheet.append([f"{MARK}, profile {profile.name}"])
    sheet["A1"].font = Font(bold=True, size=12)
    miles = system == "US"
    for label, value in (
        ("Unit", unit or None),
        ("Read on", None),
        ("Odometer", None),
        ("Odometer in", "mi" if miles else "km"),
        ("Fluid temperature", None),
        ("Fluid temperature in", "degF" if miles else "degC"),
        ("Read by or with", None),
    ):
        sheet.append([label, value])
        sheet.cell(sheet.max_row, 2).border = box
        sheet.cell(sheet.max_row, 2).alignment = Alignment(horizontal="left")
    hints = {3: "as 2026-03-14 09:20", 5: "km or mi", 7: "degC or degF"}
    for row, hint in hints.items():
        sheet.cell(row, 3, hint).font = small
    # A text stays what was typed: a spreadsheet would turn a date into its own.
    sheet.cell(3, 2).number_format = "@"
    for signal in profile.signals:
        sheet.append([])
        heads, channels = _section(profile, signal)
        measure = US_DISPLAY.get(unit_name(signal.unit), signal.unit) if miles else signal.unit
        sheet.append([f"{signal.name} in {measure}", *heads])
        for cell in sheet[sheet.max_row]:
            cell.font, cell.fill, cell.border = bold, shade, box
            cell.alignment = Alignment(wrap_text=True, vertical="top")
        for channel in channels:
            sheet.append([channel])
            for place in range(1, len(heads) + 2):
                sheet.cell(sheet.max_row, place).border = box
            sheet.cell(sheet.max_row, 1).number_format = "@"
    sheet.append([])
    sheet.append(["Leave the labels as they are. A blank field is no reading. learns: shifts learned from"])
    sheet.cell(sheet.max_row, 1).font = small
    sheet.column_dimensions["A"].width = 26
    for place in range(2, 2 + 2 * len(profile.modes)):
        sheet.column_dimensions[sheet.cell(1, place).column_letter].width = 13
    sheet.page_setup.paperSize, sheet.page_setup.orientation = sheet.PAPERSIZE_A4, "portrait"
    sheet.page_setup.fitToWidth, sheet.page_setup.fitToHeight = 1, 0
    sheet.sheet_properties.pageSetUpPr.fitToPage = True
    sheet.print_options.horizontalCentered = True
    sheet.oddFooter.center.text = "&A, page &P of &N"


def _section(profile: Profile, signal: Signal) -> tuple[list[str], list[str]]:
    if signal.per_pack:
        return [_VALUE, _LEARNS], [clutch.id for clutch in profile.clutches]
    heads = [head for mode in profile.modes for head in (mode, f"{mode} {_LEARNS}")]
    return heads, [shift.id for shift in profile.shifts]
