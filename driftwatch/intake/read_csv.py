"""CSV with comma, semicolon or tab, in UTF-8; whole files through Arrow, line numbers kept."""

from __future__ import annotations

import csv
import io
import re
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv as pa_csv

from driftwatch.errors import InputRefused
from driftwatch.intake.tables import BrokenRow, RawTable, header_names

DELIMITERS = (",", ";", "\t")

#: Longest piece of a row that cannot be read that is kept and shown.
KEPT_TEXT = 2000


def read_csv(content: bytes, where: str, digest: str) -> RawTable:
    """Read delimited text; the delimiter is found from the first rows.

    Raises
    ------
    InputRefused
        If it is not UTF-8 text, has no header, or a quoted field is never closed.

    """
    if content.startswith(b"\xef\xbb\xbf"):
        content = content[3:]
    _refuse_unless_text(content, where)
    if not content.endswith(b"\n"):
        content += b"\n"
    blank = re.match(rb"(?:[ \t]*\r?\n)*", content)
    skipped = content.count(b"\n", 0, blank.end()) if blank else 0  # blank lines before the header
    content = content[blank.end() :] if blank else content
    delimiter = _delimiter(content)
    table, bad = _parse(content, delimiter, where)
    columns = header_names([str(table[i][0].as_py()) for i in range(table.num_columns)], where)
    start = _starts(table, bad, content) + skipped
    line, broken = _judged(table, bad, start, where, content, delimiter)
    data = table.slice(1).rename_columns(list(columns))
    filled = filled_rows(data)
    data, line = data.filter(filled), line.filter(filled)
    columns, data = without_blank_columns(columns, data)
    return RawTable(where, digest, columns, data, line, delimiter == ";", broken)


def filled_rows(data: pa.Table) -> pa.Array:
    """Say which rows have anything in them."""
    filled = pa.array(np.zeros(data.num_rows, dtype=bool))
    for column in data.columns:
        filled = pc.or_(filled, pc.not_equal(pc.utf8_trim_whitespace(column.combine_chunks()), ""))
    return filled


def without_blank_columns(columns: tuple[str, ...], data: pa.Table) -> tuple[tuple[str, ...], pa.Table]:
    """Leave out columns that have neither a name nor a value (what trailing delimiters make)."""
    keep = [
        name
        for i, name in enumerate(columns)
        if name != f"column {i + 1}" or pc.any(pc.not_equal(data[name], "")).as_py()
    ]
    return tuple(keep), data.select(keep)


def _refuse_unless_text(content: bytes, where: str) -> None:
    if b"\x00" in content:
        raise InputRefused("this is not text: it holds zero bytes", where, "save it as CSV in UTF-8")
    try:
        content.decode("utf-8")
    except UnicodeDecodeError as problem:
        line = content.count(b"\n", 0, problem.start) + 1
        raise InputRefused(
            "the text is not UTF-8", f"{where} line {line}", "save it as CSV in UTF-8"
        ) from None


def _delimiter(content: bytes) -> str:
    """Choose the delimiter that cuts the first rows into the most, and equally many, fields."""
    lines = content[:65536].decode("utf-8", errors="ignore").splitlines()[:20]
    best, best_score = ",", (0.0, 0)
    for delimiter in DELIMITERS:
        rows = [row for row in csv.reader(lines, delimiter=delimiter) if row]
        width = len(rows[0]) if rows else 1
        if width < 2:
            continue
        alike = sum(len(row) == width for row in rows) / len(rows)
        if (alike, width) > best_score:
            best, best_score = delimiter, (alike, width)
    return best


def _parse(content: bytes, delimiter: str, where: str) -> tuple[pa.Table, list[Any]]:
    bad: list[Any] = []

    def keep(row: Any) -> str:
        bad.append(row)
        return "skip"

    start = io.StringIO(content[:1_000_000].decode("utf-8", errors="ignore"))
    try:
        width = len(next(csv.reader(start, delimiter=delimiter)))
    except csv.Error:
        raise InputRefused("a quoted field is never closed", f"{where} line 1", "close the quote") from None
    names = [f"f{i}" for i in range(width)]
    try:
        table = pa_csv.read_csv(
            io.BytesIO(content),
            # One thread, so that row numbers are known; blocks large enough for any sensible row.
            read_options=pa_csv.ReadOptions(use_threads=False, column_names=names, block_size=1 << 24),
            parse_options=pa_csv.ParseOptions(
                delimiter=delimiter,
                newlines_in_values=True,
                ignore_empty_lines=False,
                invalid_row_handler=keep,
            ),
            convert_options=pa_csv.ConvertOptions(
                column_types={name: pa.string() for name in names}, strings_can_be_null=False
            ),
        )
    except pa.ArrowInvalid as problem:
        detail = str(problem).splitlines()[0][:200]
        raise InputRefused(
            f"the rows cannot be told apart ({detail})", where, "check the quotes in the file"
        ) from None
    if table.num_rows == 0:
        raise InputRefused("the first row is not a header", where, "put the column names in the first row")
    return table, bad


def _good(table: pa.Table, bad: list[Any]) -> Any:
    """Say of every row of the file, header included, whether it has the header's shape."""
    is_good = np.ones(table.num_rows + len(bad), dtype=bool)
    is_good[[row.number - 1 for row in bad]] = False
    return is_good


def _starts(table: pa.Table, bad: list[Any], content: bytes) -> Any:
    """Find the line on which each row starts: fields may hold line breaks of their own."""
    is_good = _good(table, bad)
    total = len(is_good)
    breaks = np.zeros(total, dtype=np.int64)
    if content.count(b"\n") != total:
        inside = np.zeros(table.num_rows, dtype=np.int64)
        for column in table.columns:
            inside += pc.count_substring(column, "\n").to_numpy()
        breaks[is_good] = inside
        breaks[~is_good] = [row.text.count("\n") for row in bad]
    return np.arange(1, total + 1) + np.concatenate([[0], np.cumsum(breaks)[:-1]])


def _judged(
    table: pa.Table, bad: list[Any], start: Any, where: str, content: bytes, delimiter: str
) -> tuple[pa.Array, tuple[BrokenRow, ...]]:
    """Give the lines of the rows that have the header's shape, and the rows that do not."""
    is_good, width, broken = _good(table, bad), table.num_columns, []
    for row, line in zip(bad, start[~is_good], strict=True):
        if row.text.count('"') % 2:
            raise InputRefused("a quoted field is never closed", f"{where} line {line}", "close the quote")
        if not row.text.strip(f'"{delimiter} \t\r\n'):
            continue  # a blank row, whatever its width
        reason = f"the row has {row.actual_columns} fields where the header has {width}"
        broken.append(BrokenRow(int(line), "row_shape", reason, row.text[:KEPT_TEXT]))
    tail = str(table.column(table.num_columns - 1)[-1].as_py())
    if tail.endswith("\n") and is_good[-1] and not content.rstrip().endswith(b'"'):
        # The end of the file was taken into the last field: its quote is open.
        raise InputRefused("a quoted field is never closed", f"{where} line {start[-1]}", "close the quote")
    return pa.array(start[is_good][1:]), tuple(broken)
