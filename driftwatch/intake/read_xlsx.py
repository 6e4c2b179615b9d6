"""XLSX workbooks: one sheet, cells as they are stored, dates as ISO 8601."""

from __future__ import annotations

import io
import warnings
import zipfile
from datetime import date, datetime, time
from typing import Any

import openpyxl
import pyarrow as pa

from driftwatch.errors import InputRefused
from driftwatch.intake.read_csv import without_blank_columns
from driftwatch.intake.tables import RawTable, header_names

#: A workbook that unpacks to more than this is refused rather than unpacked.
LARGEST_UNPACKED = 2_000_000_000


def read_xlsx(content: bytes, where: str, digest: str, sheet: str | None) -> RawTable:
    """Read one sheet; `line` is the row of the sheet.

    Raises
    ------
    InputRefused
        If it is not a workbook, has no such sheet, or nothing in it.

    """
    book = _workbook(content, where)
    try:
        names = [s.title for s in book.worksheets]
        if sheet is not None and sheet not in names:
            raise InputRefused(f"there is no sheet {sheet!r}", where, f"the sheets are {', '.join(names)}")
        shown = [
            s for s in book.worksheets if s.title == sheet or (sheet is None and s.sheet_state == "visible")
        ]
        filled = [(s.title, rows) for s in shown if (rows := _rows(s))]
    except InputRefused:
        raise
    except Exception as problem:  # noqa: BLE001 - a broken sheet raises whatever its parser meets
        raise _damaged(problem, where) from None
    finally:
        book.close()
    if not filled:
        raise InputRefused(
            "there is nothing in the workbook" if sheet is None else f"sheet {sheet!r} is empty", where
        )
    title, rows = filled[0]
    where_sheet = f"{where} sheet {title}"
    _, head = rows[0]
    width = max(len(row) for _, row in rows)
    columns = header_names(head + [""] * (width - len(head)), where_sheet)
    lines = [number for number, _ in rows[1:]]
    padded = [row + [""] * (width - len(row)) for _, row in rows[1:]]
    arrays = [pa.array([row[i] for row in padded], pa.string()) for i in range(width)]
    data = pa.table(arrays, names=list(columns))
    columns, data = without_blank_columns(columns, data)
    notes = tuple(f"sheet {other!r} was not read" for other, _ in filled[1:])
    return RawTable(where, digest, columns, data, pa.array(lines, pa.int64()), notes=notes)


def _workbook(content: bytes, where: str) -> Any:
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            size = sum(entry.file_size for entry in archive.infolist())
        if size > LARGEST_UNPACKED:
            raise InputRefused("the workbook is too large when unpacked", where, "save the sheet as CSV")
        with warnings.catch_warnings():
            # openpyxl remarks on styles and validation lists that it skips; neither holds values.
            warnings.simplefilter("ignore")
            return openpyxl.load_workbook(io.BytesIO(content), read_only=True, data_only=True)
    except InputRefused:
        raise
    except Exception as problem:  # noqa: BLE001 - openpyxl raises a dozen kinds on a broken archive
        raise _damaged(problem, where) from None


def _damaged(problem: Exception, where: str) -> InputRefused:
    detail = str(problem).splitlines()[0][:120] if str(problem) else type(problem).__name__
    return InputRefused(f"this is not a workbook that can be read ({detail})", where, "save it again")


def _rows(sheet: Any) -> list[tuple[int, list[str]]]:
    """Give the rows that hold anything, each with its number."""
    rows = []
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        for number, cells in enumerate(sheet.iter_rows(values_only=True), start=1):
            texts = [_text(cell) for cell in cells]
            while texts and not texts[-1]:
                texts.pop()
            if texts:
                rows.append((number, texts))
    return rows


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
