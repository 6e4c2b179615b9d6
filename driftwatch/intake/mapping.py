"""Wide files: a mapping says which column is which cell, and turns one row a snapshot into one row a cell."""

from __future__ import annotations

import hashlib
import json
import tomllib
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from driftwatch.errors import InputRefused, UsageError
from driftwatch.intake.tables import BrokenRow, RawTable, nearest
from driftwatch.profile.model import PACK_SIGNALS
from driftwatch.quantities import unit_name

#: What a mapping can say about the snapshot itself.
SNAPSHOT_COLUMNS = ("unit", "taken_at", "odometer", "fluid_temp", "mode", "source")

#: Columns of the long table made from a wide one.
LONG_COLUMNS = (
    "unit",
    "taken_at",
    "odometer_km",
    "odometer_mi",
    "fluid_temp_c",
    "fluid_temp_f",
    "source",
    "mode",
    "channel",
    "signal",
    "value",
    "value_unit",
    "learn_count",
    "column",
)

_TOP_KEYS = ("sheet", "unit", "time_format", "columns", "units", "cell")


@dataclass(frozen=True)
class CellColumn:
    """One column of a wide file: the cell whose value it holds.

    Attributes
    ----------
    column : str
        Name in the file.
    channel, signal : str
        The cell.
    mode : str or None
        The cell's mode; None if the row's mode column says it (and for clutch volumes).
    unit : str
        Unit in which the file writes it; "" for the profile's own.
    learn_count : str or None
        The column that holds the cell's learn count.
    unsure : str
        What the draft was not sure of; "" if nothing.

    """

    column: str
    channel: str
    signal: str
    mode: str | None = None
    unit: str = ""
    learn_count: str | None = None
    unsure: str = ""


@dataclass(frozen=True)
class Mapping:
    """How one layout of wide file is to be read.

    Attributes
    ----------
    columns : dict
        `unit`, `taken_at`, `odometer`, `fluid_temp`, `mode`, `source` -> column of the file.
    cells : tuple of CellColumn
    odometer_unit, fluid_temp_unit : str
        "km" or "mi"; "degC" or "degF".
    unit : str
        The unit that the whole file is about, where it has no column for that; otherwise "".
    time_format : str
        How the file writes times, as in Python's strptime; "" for ISO 8601.
    sheet : str
        Sheet of a workbook; "" for the first.
    notes : tuple of str
        What the draft was not sure of, written as comments.

    """

    columns: dict[str, str]
    cells: tuple[CellColumn, ...]
    odometer_unit: str = "km"
    fluid_temp_unit: str = "degC"
    unit: str = ""
    time_format: str = ""
    sheet: str = ""
    notes: tuple[str, ...] = field(default=(), compare=False)

    @classmethod
    def from_toml(cls, text: str, where: str = "mapping") -> Mapping:
        """Read a mapping from its TOML text.

        Raises
        ------
        InputRefused
            If it is not TOML, has a key that means nothing here, or lacks one that is needed.

        """
        try:
            content = tomllib.loads(text)
        except tomllib.TOMLDecodeError as problem:
            raise InputRefused(f"the mapping is not valid TOML ({problem})", where) from None
        _only(content, _TOP_KEYS, where)
        columns, units = _strings(content, "columns", where), _strings(content, "units", where)
        _only(columns, SNAPSHOT_COLUMNS, f"{where} [columns]")
        _only(units, ("odometer", "fluid_temp"), f"{where} [units]")
        unit = content.get("unit", "")
        for name in ("taken_at", "odometer") if unit else ("unit", "taken_at", "odometer"):
            if name not in columns:
                raise InputRefused(
                    f"the mapping does not say which column is {name}", where, "add it to [columns]"
                )
        cells = content.get("cell", [])
        if not isinstance(cells, list) or not cells:
            raise InputRefused(
                "the mapping names no cell", where, "add a [[cell]] for each column with a value"
            )
        mapping = cls(
            columns=columns,
            cells=tuple(
                _cell(cell, f"{where} [[cell]] {number}") for number, cell in enumerate(cells, start=1)
            ),
            odometer_unit=_one_of(units.get("odometer", "km"), ("km", "mi"), where),
            fluid_temp_unit=_one_of(units.get("fluid_temp", "degC"), ("degC", "degF"), where),
            unit=_text(unit, f"{where} unit"),
            time_format=_text(content.get("time_format", ""), f"{where} time_format"),
            sheet=_text(content.get("sheet", ""), f"{where} sheet"),
        )
        mapping._refuse_contradictions(where)
        return mapping

    @classmethod
    def read(cls, path: str | Path) -> Mapping:
        """Read a mapping file; `InputRefused` if there is none or it cannot be understood."""
        path = Path(path)
        try:
            text = path.read_text(encoding="utf-8-sig")
        except UnicodeDecodeError:
            raise InputRefused("the mapping is not UTF-8 text", path.name, "save it as UTF-8") from None
        except OSError as problem:
            raise InputRefused(f"the mapping cannot be read ({problem.strerror})", str(path)) from None
        return cls.from_toml(text, path.name)

    def to_toml(self) -> str:
        """Write the mapping as TOML, with what is unsure as comments beside it."""
        lines = ["# Which column of the file is which value. Correct it by hand where it is wrong."]
        lines += [f"# {_one_line(note)}" for note in self.notes]
        for name, value in (("sheet", self.sheet), ("unit", self.unit), ("time_format", self.time_format)):
            if value:
                lines.append(f"{name} = {_quoted(value)}")
        lines += ["", "[columns]"]
        lines += [
            f"{name} = {_quoted(self.columns[name])}" for name in SNAPSHOT_COLUMNS if name in self.columns
        ]
        lines += ["", "[units]", f"odometer = {_quoted(self.odometer_unit)}"]
        lines.append(f"fluid_temp = {_quoted(self.fluid_temp_unit)}")
        for cell in self.cells:
            lines += ["", "[[cell]]"]
            if cell.unsure:
                lines.append(f"# not sure: {_one_line(cell.unsure)}")
            pairs: list[tuple[str, str | None]] = [
                ("column", cell.column),
                ("channel", cell.channel),
                ("signal", cell.signal),
            ]
            pairs += [("mode", cell.mode), ("unit", cell.unit or None), ("learn_count", cell.learn_count)]
            lines += [f"{name} = {_quoted(value)}" for name, value in pairs if value is not None]
        return "\n".join(lines) + "\n"

    @property
    def fingerprint(self) -> str:
        """Same for two mappings that read a file alike, whatever their comments."""
        bare = [[c.column, c.channel, c.signal, c.mode, c.unit, c.learn_count] for c in self.cells]
        rest = [self.odometer_unit, self.fluid_temp_unit, self.unit, self.time_format, self.sheet]
        return hashlib.sha256(json.dumps([self.columns, bare, rest], sort_keys=True).encode()).hexdigest()

    def _refuse_contradictions(self, where: str) -> None:
        taken: dict[tuple[str, str, str | None], str] = {}
        for cell in self.cells:
            if cell.mode is None and cell.signal not in PACK_SIGNALS and "mode" not in self.columns:
                raise InputRefused(
                    f"column {cell.column!r} has no mode", where, "add mode to its [[cell]], or to [columns]"
                )
            key = (cell.channel.casefold(), cell.signal.casefold(), cell.mode and cell.mode.casefold())
            if key in taken:
                raise InputRefused(
                    f"columns {taken[key]!r} and {cell.column!r} are mapped to the same cell", where
                )
            taken[key] = cell.column


def fits(table: RawTable, mapping: Mapping) -> bool:
    """Say whether a table has every column that the mapping names."""
    names = [*mapping.columns.values(), *(c.column for c in mapping.cells)]
    names += [c.learn_count for c in mapping.cells if c.learn_count]
    return all(table.find(" ".join(name.split())) is not None for name in names)


def apply_mapping(table: RawTable, mapping: Mapping) -> RawTable:
    """Turn a wide table into the long form, one row a cell that has a value.

    Blank cells are no readings and make no row; a row in which no mapped column has a value is handed on
    as broken, so that it is not lost. The column `column` says where in the file each value stood.

    Raises
    ------
    InputRefused
        If the mapping names a column that the file does not have.

    """
    wide = {name: _column(table, column) for name, column in mapping.columns.items()}
    shared = _shared_columns(mapping, wide)
    pieces, lines = [], []
    filled = np.zeros(table.data.num_rows, dtype=bool)
    for cell in mapping.cells:
        value = _column(table, cell.column)
        has_value = pc.not_equal(pc.utf8_trim_whitespace(value), "")
        filled |= has_value.to_numpy(zero_copy_only=False)
        mode = wide["mode"] if cell.mode is None and cell.signal not in PACK_SIGNALS else (cell.mode or "")
        own = {
            "mode": mode,
            "channel": cell.channel,
            "signal": cell.signal,
            "value": value,
            "value_unit": cell.unit,
            "learn_count": _column(table, cell.learn_count) if cell.learn_count else "",
            "column": cell.column,
        }
        pieces.append(_text_table({**shared, **own}, table.data.num_rows).filter(has_value))
        lines.append(table.line.filter(has_value))
    empty = tuple(
        BrokenRow(
            int(line),
            "no_readings",
            "no column that is mapped to a cell has a value in this row",
            _as_json(row),
        )
        for line, row in zip(
            table.line.filter(pa.array(~filled)).to_pylist(),
            table.data.filter(pa.array(~filled)).to_pylist(),
            strict=True,
        )
    )
    return replace(
        table,
        columns=LONG_COLUMNS,
        data=pa.concat_tables(pieces),
        line=pa.concat_arrays(lines),
        broken=table.broken + empty,
        notes=table.notes + _unread(table, mapping),
    )


def _shared_columns(mapping: Mapping, wide: dict[str, pa.Array]) -> dict[str, Any]:
    odometer, temp = wide["odometer"], wide.get("fluid_temp", "")
    in_miles, in_f = mapping.odometer_unit == "mi", mapping.fluid_temp_unit == "degF"
    return {
        "unit": wide.get("unit", mapping.unit),
        "taken_at": _iso(wide["taken_at"], mapping.time_format),
        "odometer_km": "" if in_miles else odometer,
        "odometer_mi": odometer if in_miles else "",
        "fluid_temp_c": "" if in_f else temp,
        "fluid_temp_f": temp if in_f else "",
        "source": wide.get("source", ""),
    }


def _text_table(columns: dict[str, Any], rows: int) -> pa.Table:
    arrays = [
        pa.repeat(pa.scalar(columns[name]), rows) if isinstance(columns[name], str) else columns[name]
        for name in LONG_COLUMNS
    ]
    return pa.table(arrays, names=list(LONG_COLUMNS))


def _column(table: RawTable, name: str) -> pa.Array:
    found = table.find(" ".join(name.split()))
    if found is None:
        near = nearest(name, table.columns)
        hint = f"the nearest is {near!r}" if near else "correct the mapping"
        raise InputRefused(
            f"the mapping names a column {name!r} that the file does not have", table.name, hint
        )
    return table.texts(found)


def _iso(times: pa.Array, time_format: str) -> pa.Array:
    """Rewrite times of another form; what does not fit stays as it is, and is refused as no time later."""
    if not time_format:
        return times
    text = times.to_pandas()
    parsed = pd.to_datetime(text.str.strip(), format=time_format, errors="coerce")
    return pa.array(parsed.dt.strftime("%Y-%m-%dT%H:%M:%S").where(parsed.notna(), text), pa.string())


def _unread(table: RawTable, mapping: Mapping) -> tuple[str, ...]:
    used = {*mapping.columns.values(), *(c.column for c in mapping.cells)}
    used |= {c.learn_count for c in mapping.cells if c.learn_count}
    folded = {" ".join(name.split()).casefold() for name in used}
    return tuple(
        f"column {name!r} is not in the mapping" for name in table.columns if name.casefold() not in folded
    )


def _cell(content: Any, where: str) -> CellColumn:
    if not isinstance(content, dict):
        raise InputRefused("this is not a table", where, "write [[cell]]")
    _only(content, ("column", "channel", "signal", "mode", "unit", "learn_count"), where)
    for name in ("column", "channel", "signal"):
        if not content.get(name):
            raise InputRefused(f"{name} is missing", where)
    texts = {name: _text(value, f"{where} {name}") for name, value in content.items()}
    if texts.get("unit"):
        try:
            unit_name(texts["unit"])
        except UsageError as problem:
            raise InputRefused(problem.what, where, problem.do) from None
    return CellColumn(**texts)


def _only(content: dict[str, Any], known: tuple[str, ...], where: str) -> None:
    for name in content:
        if name not in known:
            near = nearest(name, known)
            raise InputRefused(
                f"{name!r} means nothing here", where, f"did you mean {near!r}?" if near else ""
            )


def _strings(content: dict[str, Any], name: str, where: str) -> dict[str, str]:
    part = content.get(name, {})
    if not isinstance(part, dict):
        raise InputRefused(f"{name} is not a table", where, f"write [{name}]")
    return {key: _text(value, f"{where} [{name}] {key}") for key, value in part.items()}


def _text(value: Any, where: str) -> str:
    if not isinstance(value, str):
        raise InputRefused(f"{value!r} is not text", where, "put it in quotes")
    return value


def _one_of(text: str, known: tuple[str, ...], where: str) -> str:
    try:
        name = unit_name(text)
    except UsageError:
        name = text
    if name not in known:
        raise InputRefused(f"unit {text!r} does not fit", where, f"write {' or '.join(known)}")
    return name


def _quoted(text: str) -> str:
    # A JSON string is a TOML basic string, but for DEL, which TOML wants escaped.
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _one_line(text: str) -> str:
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())


def _as_json(row: dict[str, Any]) -> str:
    return json.dumps(row, ensure_ascii=False)
