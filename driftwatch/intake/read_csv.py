"""Delimited text: whole files through Arrow, texts kept as numbers of a dictionary, line numbers kept."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Sequence
from typing import Any, BinaryIO

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv as pa_csv

from driftwatch.errors import InputRefused
from driftwatch.intake.content import Content, Text, text_of
from driftwatch.intake.tables import (
    KEPT_TEXT,
    MOST_COLUMNS,
    NEUTRALISED,
    BrokenRow,
    RawTable,
    filled_rows,
    header_names,
    refuse_huge_cells,
    without_blank_columns,
)

DELIMITERS = (",", ";", "\t", "|")

#: Looked at to find delimiter and header.
_START = 1 << 20
#: Rows before the header that hold a title or such, at most.
_TITLES = 20
#: A column of this name has a text of its own in nearly each row, so that a dictionary would not pay.
_OWN_TEXTS = "value"


def read_csv(content: Content) -> RawTable:
    """Read delimited text; encoding, delimiter and header are found from its beginning.

    Raises
    ------
    InputRefused
        If it is not text, has no header, or a quoted field is never closed.

    """
    text = text_of(content)
    where = content.name
    start, skipped, delimiter, head = _header(text, where)
    table, bad = _parse(text, start, delimiter, head)
    told = [re.sub(NEUTRALISED, r"\1", str(table[i][0].as_py()).strip()) for i in range(table.num_columns)]
    columns = header_names(told, where)
    lines = text.breaks - skipped
    starts = _starts(table, bad, lines) + skipped
    line, broken = _judged(table, bad, starts, text, delimiter)
    data = table.slice(1).rename_columns(list(columns)).unify_dictionaries()
    filled = filled_rows(data)
    if not pc.all(filled).as_py():
        data, line = data.filter(filled), line.filter(filled)
    columns, data = without_blank_columns(columns, data)
    refuse_huge_cells(data, line, where)
    notes = (text.note,) if text.note else ()
    return RawTable(where, content.sha256, columns, data, line, delimiter, broken, notes)


def _header(text: Text, where: str) -> tuple[int, int, str, list[str]]:
    """Find where the header begins: byte, lines before it, delimiter, and its names.

    Blank lines, a line `sep=;` and rows with less than two fields, as titles are, may stand before it.
    """
    with text.content.open() as stream:
        stream.seek(text.start)
        first = stream.read(_START)
    lines = first.decode("utf-8", errors="ignore").splitlines(keepends=True)
    at = 0
    while at < len(lines) and not lines[at].strip(" \t\r\n"):
        at += 1
    told = lines[at].strip().casefold() if at < len(lines) else ""
    stated = told.removeprefix("sep=") if told.startswith("sep=") else None
    if stated in DELIMITERS or told == "sep=":
        at += 1
    delimiter = stated if stated in DELIMITERS else _delimiter(lines[at : at + 40])
    at += _titles(lines[at : at + _TITLES + 1], delimiter)
    if at >= len(lines):
        raise InputRefused("there is nothing but a title in it", where, "put the column names in a row")
    offset = text.start + len("".join(lines[:at]).encode())
    skipped = sum(line.count("\n") for line in lines[:at])
    try:
        head = next(csv.reader(io.StringIO("".join(lines[at:])), delimiter=delimiter))
    except csv.Error:
        raise InputRefused(
            "a quoted field is never closed", f"{where} line {skipped + 1}", "close the quote"
        ) from None
    except StopIteration:
        head = []
    if len(head) > MOST_COLUMNS:
        raise InputRefused(
            f"there are {len(head)} columns; more than {MOST_COLUMNS} are not read", where, "export fewer"
        )
    if not head or (not text.quotes and max(map(len, head)) > KEPT_TEXT):
        raise InputRefused("the first row is not a header", where, "put the column names in the first row")
    return offset, skipped, delimiter, head


def _titles(lines: Sequence[str], delimiter: str) -> int:
    """Count the rows before the header that hold at most one field, where the row after them holds more."""
    try:
        rows = list(csv.reader(lines, delimiter=delimiter))
    except csv.Error:
        return 0
    filled = [sum(bool(cell.strip()) for cell in row) for row in rows]
    wide = next((i for i, n in enumerate(filled) if n >= 2), None)
    quoted = any('"' in line for line in lines[: (wide or 0) + 1])
    return wide if wide and not quoted else 0


def _delimiter(lines: Sequence[str]) -> str:
    """Choose the delimiter that cuts the first rows into the most, and equally many, fields."""
    best, best_score = ",", (0.0, 0)
    for delimiter in DELIMITERS:
        try:
            rows = [row for row in csv.reader(lines, delimiter=delimiter) if row]
        except csv.Error:
            continue
        widths = [len(row) for row in rows if len(row) > 1]
        if not widths:
            continue
        width = max(widths, key=widths.count)
        alike = sum(len(row) == width for row in rows) / len(rows)
        if (alike, width) > best_score:
            best, best_score = delimiter, (alike, width)
    return best


def _parse(text: Text, start: int, delimiter: str, head: list[str]) -> tuple[pa.Table, list[Any]]:
    """Read all rows, header first, and those of another width beside them.

    Without quotes, a line is a row, and blocks can be read at the same time. Arrow then does not number the
    rows of another width: where there are any, the file is read once more, in one go.
    """
    if not text.quotes:
        table, bad = _parsed(text, start, delimiter, head, in_blocks=True)
        if not bad:
            return table, bad
    return _parsed(text, start, delimiter, head, in_blocks=False)


def _parsed(
    text: Text, start: int, delimiter: str, head: list[str], *, in_blocks: bool
) -> tuple[pa.Table, list[Any]]:
    bad: list[Any] = []

    def keep(row: Any) -> str:
        bad.append(row)
        return "skip"

    names = [f"f{i}" for i in range(len(head))]
    told = pa.dictionary(pa.int32(), pa.string())
    kinds = {
        name: pa.string() if title.strip().casefold() == _OWN_TEXTS else told
        for name, title in zip(names, head, strict=True)
    }
    where = text.content.name
    try:
        with text.content.open() as stream:
            stream.seek(start)
            table = pa_csv.read_csv(
                stream if text.ends else _Ended(stream),
                # Blocks large enough for any sensible row.
                read_options=pa_csv.ReadOptions(
                    use_threads=in_blocks, column_names=names, block_size=1 << (23 if in_blocks else 24)
                ),
                parse_options=pa_csv.ParseOptions(
                    delimiter=delimiter,
                    newlines_in_values=not in_blocks,
                    ignore_empty_lines=False,
                    invalid_row_handler=keep,
                    quote_char=False if in_blocks else '"',
                ),
                convert_options=pa_csv.ConvertOptions(column_types=kinds, strings_can_be_null=False),
            )
    except (pa.ArrowInvalid, pa.ArrowCapacityError) as problem:
        detail = str(problem).splitlines()[0][:200]
        raise InputRefused(
            f"the rows cannot be told apart ({detail})", where, "check the quotes in the file"
        ) from None
    if table.num_rows == 0:
        raise InputRefused("the first row is not a header", where, "put the column names in the first row")
    return table, bad


class _Ended(io.RawIOBase):
    """A stream with the line end that its last line lacks."""

    def __init__(self, stream: BinaryIO) -> None:
        self._stream, self._ended = stream, False

    def readable(self) -> bool:
        return True

    def read(self, size: int = -1) -> bytes:
        piece = self._stream.read(size)
        if piece or self._ended:
            return piece
        self._ended = True
        return b"\n"


def _good(table: pa.Table, bad: list[Any]) -> Any:
    """Say of every row of the file, header included, whether it has the header's shape."""
    is_good = np.ones(table.num_rows + len(bad), dtype=bool)
    is_good[[row.number - 1 for row in bad]] = False
    return is_good


def _starts(table: pa.Table, bad: list[Any], lines: int) -> Any:
    """Find the line on which each row starts: fields may hold line breaks of their own."""
    is_good = _good(table, bad)
    total = len(is_good)
    breaks = np.zeros(total, dtype=np.int64)
    if lines != total:
        inside = np.zeros(table.num_rows, dtype=np.int64)
        for column in table.columns:
            inside += pc.count_substring(pc.cast(column, pa.string()), "\n").to_numpy()
        breaks[is_good] = inside
        breaks[~is_good] = [row.text.count("\n") for row in bad]
    return np.arange(1, total + 1) + np.concatenate([[0], np.cumsum(breaks)[:-1]])


def _judged(
    table: pa.Table, bad: list[Any], start: Any, text: Text, delimiter: str
) -> tuple[pa.Array, tuple[BrokenRow, ...]]:
    """Give the lines of the rows that have the header's shape, and the rows that do not."""
    is_good, width, broken, where = _good(table, bad), table.num_columns, [], text.content.name
    for row, line in zip(bad, start[~is_good], strict=True):
        if row.text.count('"') % 2:
            raise InputRefused("a quoted field is never closed", f"{where} line {line}", "close the quote")
        if not row.text.strip(f'"{delimiter} \t\r\n'):
            continue  # a blank row, whatever its width
        reason = f"the row has {row.actual_columns} fields where the header has {width}"
        broken.append(BrokenRow(int(line), "row_shape", reason, row.text[:KEPT_TEXT]))
    tail = str(table.column(table.num_columns - 1)[-1].as_py())
    if text.quotes and is_good[-1] and tail.endswith("\n") and not _end_of(text).endswith(b'"'):
        # The end of the file was taken into the last field: its quote is open.
        raise InputRefused("a quoted field is never closed", f"{where} line {start[-1]}", "close the quote")
    return pa.array(start[is_good][1:]), tuple(broken)


def _end_of(text: Text) -> bytes:
    with text.content.open() as stream:
        stream.seek(max(text.start, text.content.size - 4096))
        return stream.read().rstrip()
