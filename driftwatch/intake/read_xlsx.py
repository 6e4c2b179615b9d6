"""XLSX workbooks: every sheet that is shown, dates as ISO 8601, merged cells filled."""

from __future__ import annotations

import io
import re
import warnings
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime, time
from typing import Any

import openpyxl
import pyarrow as pa
from openpyxl.utils import range_boundaries

from driftwatch.errors import InputRefused
from driftwatch.intake.content import Content
from driftwatch.intake.form import is_form, read_form
from driftwatch.intake.tables import (
    LONGEST_CELL,
    MOST_COLUMNS,
    RawTable,
    header_names,
    without_blank_columns,
)

#: A workbook that unpacks to more bytes, or to this many times its size, is refused rather than unpacked.
LARGEST_UNPACKED, MOST_TIMES = 300_000_000, 400
#: More cells than this in one sheet are refused, too: such tables belong in CSV or Parquet.
MOST_CELLS = 20_000_000
#: A header is looked for in this many rows, and may stand in this many rows itself.
_TITLES, _HEADER_ROWS = 20, 5
#: Merged cells over more cells than this are layout, not data.
_LARGEST_MERGE = 100_000

Row = tuple[int, list[str]]


@dataclass(frozen=True)
class _Sheet:
    title: str
    rows: list[Row]
    merged: list[tuple[int, int, int, int]]
    percent: int


def read_xlsx(content: Content, sheet: str | None) -> list[RawTable]:
    """Read the sheets that are shown and hold anything, or one of them; `line` is the row of the sheet.

    Raises
    ------
    InputRefused
        If it is not a workbook, has no such sheet, or nothing in it.

    """
    where = content.name
    book, archive = _workbook(content)
    try:
        names = [s.title for s in book.worksheets]
        if sheet is not None and sheet not in names:
            raise InputRefused(f"there is no sheet {sheet!r}", where, f"the sheets are {', '.join(names)}")
        shown = [
            s for s in book.worksheets if s.title == sheet or (sheet is None and s.sheet_state == "visible")
        ]
        read = [_read(s, archive, where) for s in shown]
    except InputRefused:
        raise
    except Exception as problem:  # noqa: BLE001 - a broken sheet raises whatever its parser meets
        raise _damaged(problem, where) from None
    finally:
        book.close()
    filled = [one for one in read if one.rows]
    if not filled:
        raise InputRefused(
            "there is nothing in the workbook" if sheet is None else f"sheet {sheet!r} is empty", where
        )
    several = len(filled) > 1
    tables = [_table(one, content, f"{where} sheet {one.title}" if several else where) for one in filled]
    told = [table for table in tables if table is not None]
    if not told:
        raise InputRefused("nothing is filled in on the reading sheet", where, "fill in at least one value")
    return told


def _table(sheet: _Sheet, content: Content, where: str) -> RawTable | None:
    if is_form(sheet.rows):
        return read_form(sheet.rows, content, sheet.title, where)
    rows = sheet.rows
    # A title has one text, even where it is merged over many cells.
    top = next((i for i, (_, cells) in enumerate(rows[:_TITLES]) if len(set(cells) - {""}) >= 2), 0)
    depth = _header_depth(sheet, rows[top][0])
    head = [cells for number, cells in rows[top:] if number < rows[top][0] + depth]
    body = [row for row in rows[top:] if row[0] >= rows[top][0] + depth]
    width = max(len(cells) for _, cells in rows[top:])
    names = [" ".join(_distinct(cells[i] for cells in head if i < len(cells))) for i in range(width)]
    columns = header_names(names, where)
    padded = [cells + [""] * (width - len(cells)) for _, cells in body]
    arrays = [pa.chunked_array([pa.array([row[i] for row in padded], pa.string())]) for i in range(width)]
    data = pa.table(arrays, names=list(columns))
    columns, data = without_blank_columns(columns, data)
    lines = pa.array([number for number, _ in body], pa.int64())
    notes = []
    if sheet.percent:
        notes.append(
            f"{sheet.percent} cells are shown as percent, and read as shown (30 where 0.3 is stored)"
        )
    return RawTable(content.name, content.sha256, columns, data, lines, notes=tuple(notes), sheet=sheet.title)


def _header_depth(sheet: _Sheet, top: int) -> int:
    """Count the rows of a header: merged names reach over rows, and have names of their own below them."""
    told = dict(sheet.rows)
    bottom = top
    while bottom - top < _HEADER_ROWS:
        reach = bottom
        for left, first, right, last in sheet.merged:
            if top <= first <= bottom:
                reach = max(reach, last)
                below = told.get(last + 1, [])[left - 1 : right]
                if right > left and any(below) and not any(_is_value(cell) for cell in below):
                    reach = max(reach, last + 1)
        if reach == bottom:
            break
        bottom = reach
    return bottom - top + 1


def _is_value(cell: str) -> bool:
    return bool(re.fullmatch(r"[-+]?\d+([.,]\d+)?|\d{4}-\d{2}-\d{2}.*", cell))


def _distinct(parts: Iterator[str]) -> list[str]:
    kept: list[str] = []
    for part in parts:
        if part and (not kept or kept[-1] != part):
            kept.append(part)
    return kept


def _workbook(content: Content) -> tuple[Any, zipfile.ZipFile]:
    where = content.name
    try:
        if content.size > LARGEST_UNPACKED:
            raise InputRefused("the workbook is too large", where, "save the sheet as CSV")
        data = content.read()
        archive = zipfile.ZipFile(io.BytesIO(data))
        size = sum(entry.file_size for entry in archive.infolist())
        if size > LARGEST_UNPACKED or (size > 50_000_000 and size > MOST_TIMES * content.size):
            raise InputRefused("the workbook is too large when unpacked", where, "save the sheet as CSV")
        with warnings.catch_warnings():
            # openpyxl remarks on styles and validation lists that it skips; neither holds values.
            warnings.simplefilter("ignore")
            book = openpyxl.load_workbook(io.BytesIO(data), read_only=True, data_only=True)
            return book, archive
    except InputRefused:
        raise
    except Exception as problem:  # noqa: BLE001 - openpyxl raises a dozen kinds on a broken archive
        raise _damaged(problem, where) from None


def _damaged(problem: Exception, where: str) -> InputRefused:
    detail = str(problem).splitlines()[0][:120] if str(problem).strip() else type(problem).__name__
    return InputRefused(f"this is not a workbook that can be read ({detail})", where, "save it again")


def _read(sheet: Any, archive: zipfile.ZipFile, where: str) -> _Sheet:
    """Read the rows that hold anything, each with its number; merged cells all have their common value."""
    where = f"{where} sheet {sheet.title}"
    told: dict[int, list[str]] = {}
    percent = cells = 0
    sheet.reset_dimensions()  # what a sheet says of its own size need not be true
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        for number, row in enumerate(sheet.iter_rows(), start=1):
            if len(row) > MOST_COLUMNS:
                raise InputRefused(
                    f"there are {len(row)} columns; more than {MOST_COLUMNS} are not read", where, "use fewer"
                )
            cells += len(row)
            if cells > MOST_CELLS:
                raise InputRefused(f"there are more than {MOST_CELLS} cells", where, "save the sheet as CSV")
            texts = []
            for cell in row:
                value = cell.value
                if isinstance(value, int | float) and "%" in (cell.number_format or ""):
                    value, percent = round(value * 100, 10), percent + 1
                texts.append(_text(value))
                if len(texts[-1]) > LONGEST_CELL:
                    raise InputRefused(f"row {number} has {len(texts[-1])} signs in one cell", where)
            while texts and not texts[-1]:
                texts.pop()
            if texts:
                told[number] = texts
    merged = _merged(sheet, archive)
    for left, first, right, last in merged:
        if (right - left + 1) * (last - first + 1) > _LARGEST_MERGE:
            continue
        shared = told.get(first, [])[left - 1 : left]
        if not shared or not shared[0]:
            continue
        for number in range(first, last + 1):
            row_texts = told.setdefault(number, [])
            row_texts += [""] * (right - len(row_texts))
            row_texts[left - 1 : right] = shared * (right - left + 1)
    return _Sheet(sheet.title, sorted(told.items()), merged, percent)


def _merged(sheet: Any, archive: zipfile.ZipFile) -> list[tuple[int, int, int, int]]:
    """Give the merged ranges as (left, first row, right, last row); openpyxl skips them where it streams."""
    refs = re.findall(rb'<(?:\w+:)?mergeCell\s+ref="([A-Z0-9:]+)"', archive.read(sheet._worksheet_path))
    return [range_boundaries(ref.decode()) for ref in refs]


def _text(cell: Any) -> str:
    if cell is None:
        return ""
    if isinstance(cell, datetime):
        return cell.date().isoformat() if cell.time() == time() else cell.isoformat()
    if isinstance(cell, date | time):
        return cell.isoformat()
    if isinstance(cell, float):
        return str(int(cell)) if cell.is_integer() and abs(cell) < 1e15 else repr(cell)
    return str(cell).strip()
