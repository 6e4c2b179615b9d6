"""A mapping tried on a file and a profile, column by column, before anything is written."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import Any

import duckdb
import pyarrow as pa

from driftwatch.intake.mapping import CellColumn, Mapping
from driftwatch.intake.numbers import decimal_of, number_sql
from driftwatch.intake.rules import physical_bounds
from driftwatch.intake.tables import RawTable, nearest
from driftwatch.profile.model import Profile
from driftwatch.quantities import conversion, convertible

#: Least and most; None where there is no such bound.
Bounds = tuple[float | None, float | None]


@dataclass(frozen=True)
class ColumnCheck:
    """What a mapping makes of one column.

    Attributes
    ----------
    column : str
        Of the file.
    is_ : str
        What the mapping takes it for; "" if the mapping leaves it out.
    filled, wrong : int
        Fields that are filled, and those of them that cannot be read as what the column is.
    least, most : float or None
        Range of its numbers, as written.
    unit : str
        Unit of measure in which they are read.
    says : str
        What is wrong or to be looked at; "" if nothing.
    fatal : bool
        Whether the mapping cannot be used because of it.

    """

    column: str
    is_: str
    filled: int = 0
    wrong: int = 0
    least: float | None = None
    most: float | None = None
    unit: str = ""
    says: str = ""
    fatal: bool = False

    def to_dict(self) -> dict[str, Any]:
        """Give the row as plain data, `is_` under the name `is`."""
        return {name.rstrip("_"): value for name, value in asdict(self).items()}


def check_mapping(tables: Sequence[RawTable], mapping: Mapping, profile: Profile) -> list[ColumnCheck]:
    """Try a mapping on the sheets of a file: the first that has its columns, or else the first at all."""
    from driftwatch.intake.mapping import fits

    table = next((t for t in tables if fits(t, mapping)), tables[0])
    decimal, _ = decimal_of((table.data[name] for name in table.columns), table.delimiter)
    rows = []
    for what, column in mapping.columns.items():
        unit = {"odometer": mapping.odometer_unit, "fluid_temp": mapping.fluid_temp_unit}.get(what, "")
        rows.append(_snapshot_column(table, what, column, unit, mapping.time_format, decimal))
    for cell in mapping.cells:
        rows.append(_cell(table, cell, profile, decimal))
        if cell.learn_count:
            told = f"learn count of {_named(cell)}"
            rows.append(_numbers(table, cell.learn_count, told, "", decimal, (0.0, None)))
    used = {" ".join(row.column.split()).casefold() for row in rows}
    rows += [
        ColumnCheck(name, "", len(_filled(table, name)), says="not in the mapping")
        for name in table.columns
        if name.casefold() not in used
    ]
    return rows


def _named(cell: CellColumn) -> str:
    return " ".join(filter(None, (cell.signal, cell.channel, cell.mode)))


def _filled(table: RawTable, name: str) -> list[str]:
    return [text.strip() for text in table.texts(name).to_pylist() if text.strip()]


def _missing(table: RawTable, column: str, told: str) -> ColumnCheck:
    near = nearest(column, table.columns)
    hint = f"; the nearest is {near!r}" if near else ""
    return ColumnCheck(column, told, says=f"the file has no such column{hint}", fatal=True)


def _snapshot_column(
    table: RawTable, what: str, column: str, unit: str, time_format: str, decimal: str
) -> ColumnCheck:
    found = table.find(" ".join(column.split()))
    if found is None:
        return _missing(table, column, what)
    if what in ("odometer", "fluid_temp"):
        return _numbers(table, column, what, unit, decimal, (None, None))
    texts = _filled(table, found)
    wrong = [text for text in texts if what == "taken_at" and not _is_time(text, time_format)]
    says = f"{_are(len(wrong), 'no time')}, such as {wrong[0]!r}: set time_format" if wrong else ""
    return ColumnCheck(
        column, what, len(texts), len(wrong), says=says, fatal=bool(wrong) and len(wrong) == len(texts)
    )


def _is_time(text: str, time_format: str) -> bool:
    try:
        if time_format:
            datetime.strptime(text, time_format)
        else:
            datetime.fromisoformat(text)
    except ValueError:
        return False
    return True


def _cell(table: RawTable, cell: CellColumn, profile: Profile, decimal: str) -> ColumnCheck:
    told = _named(cell)
    if table.find(" ".join(cell.column.split())) is None:
        return _missing(table, cell.column, told)
    signal = next((s for s in profile.signals if s.name.casefold() == cell.signal.casefold()), None)
    if signal is None:
        return ColumnCheck(
            cell.column, told, says=f"profile {profile.name} has no signal {cell.signal!r}", fatal=True
        )
    channels = [c.id for c in profile.clutches] if signal.per_pack else [s.id for s in profile.shifts]
    if cell.channel.casefold() not in [channel.casefold() for channel in channels]:
        kind = "pack" if signal.per_pack else "shift"
        return ColumnCheck(
            cell.column, told, says=f"profile {profile.name} has no {kind} {cell.channel!r}", fatal=True
        )
    if cell.mode and cell.mode.casefold() not in [mode.casefold() for mode in profile.modes]:
        return ColumnCheck(
            cell.column, told, says=f"profile {profile.name} has no mode {cell.mode!r}", fatal=True
        )
    unit = cell.unit or signal.unit
    if not convertible(unit, signal.unit):
        return ColumnCheck(cell.column, told, says=f"{signal.name} cannot be measured in {unit}", fatal=True)
    back = conversion(signal.unit, unit)
    low, high, lower, upper = (
        None if bound is None else bound * back.factor + back.offset
        for bound in (*physical_bounds(signal.name, signal.unit), signal.lower, signal.upper)
    )
    return _numbers(table, cell.column, told, unit, decimal, (low, high), (lower, upper))


def _are(n: int, what: str) -> str:
    return f"1 is {what}" if n == 1 else f"{n} are {what}s"


def _outside(values: Sequence[float], bounds: Bounds) -> list[float]:
    low, high = bounds
    return [v for v in values if (low is not None and v < low) or (high is not None and v > high)]


def _numbers(
    table: RawTable,
    column: str,
    told: str,
    unit: str,
    decimal: str,
    possible: Bounds,
    learned: Bounds = (None, None),
) -> ColumnCheck:
    found = table.find(" ".join(column.split()))
    if found is None:
        return _missing(table, column, told)
    texts = _filled(table, found)
    con = duckdb.connect()
    try:
        con.register("told", pa.table({"text": pa.array(texts, pa.string())}))
        numbers = con.execute(f"SELECT text, {number_sql('text', decimal)} FROM told").fetchall()
    finally:
        con.close()
    values = [value for _, value in numbers if value is not None]
    wrong = [text for text, value in numbers if value is None]
    outside = _outside(values, possible)
    says = []
    if wrong:
        says.append(f"{_are(len(wrong), 'no number')}, such as {wrong[0][:40]!r}")
    if outside:
        these = "1 is" if len(outside) == 1 else f"{len(outside)} are"
        says.append(f"{these} outside what is possible, such as {outside[0]:g} {unit}")
    if 2 * len(_outside(values, learned)) > len(values):
        ends = " to ".join("any" if end is None else f"{end:g}" for end in learned)
        says.append(f"most lie outside the range that can be learned ({ends} {unit}): is the unit right?")
    if not texts:
        says.append("nothing is filled in")
    return ColumnCheck(
        column,
        told,
        len(texts),
        len(wrong) + len(outside),
        min(values, default=None),
        max(values, default=None),
        unit,
        "; ".join(says),
    )
