"""A file as read: text and line numbers, before anybody has judged what is in it."""

from __future__ import annotations

from dataclasses import dataclass, field
from difflib import get_close_matches

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from driftwatch.errors import InputRefused

#: How texts begin that a spreadsheet would run as a formula, with any number of apostrophes before them.
RISKY = r"^'*[=+\-@\t\r|%]"
#: The same with the apostrophe that keeps it from doing so, as exports write it; what is meant follows.
NEUTRALISED = r"^'('*[=+\-@\t\r|%])"

#: More columns than this, or more signs in one cell, no table of readings has: such a file is refused.
MOST_COLUMNS = 4096
LONGEST_CELL = 100_000
#: Longest piece of a row that cannot be read that is kept and shown.
KEPT_TEXT = 2000


@dataclass(frozen=True)
class BrokenRow:
    """A row that does not even have the file's shape, kept as text for the quarantine.

    Attributes
    ----------
    line : int
        Line of the file (or row of the sheet) on which it starts.
    code, reason : str
        Short name of the fault, and the fault in words.
    text : str
        The row as it stands in the file.

    """

    line: int
    code: str
    reason: str
    text: str


@dataclass(frozen=True)
class RawTable:
    """The content of one file or sheet as text.

    Attributes
    ----------
    name : str
        File name, for messages and for the record of where a value came from.
    sha256 : str
        Fingerprint of the file's bytes.
    columns : tuple of str
        Names as the file writes them, without surrounding blanks.
    data : pyarrow.Table (N rows)
        One column for each of `columns`, as texts or as numbers of a dictionary of texts; a missing value is
        the empty text.
    line : pyarrow.Array (N)
        Line of the file on which each row starts (CSV), or row of the sheet (XLSX), or number of the
        record, the first being 1 (Parquet).
    delimiter : str
        What stands between the fields; "" where there is nothing of the kind (XLSX, Parquet).
    broken : tuple of BrokenRow
        Rows that do not have the file's shape.
    notes : tuple of str
        What the reader left out, and why.
    sheet : str
        The sheet of a workbook; "" for other files.

    """

    name: str
    sha256: str
    columns: tuple[str, ...]
    data: pa.Table
    line: pa.Array
    delimiter: str = ""
    broken: tuple[BrokenRow, ...] = ()
    notes: tuple[str, ...] = field(default=())
    sheet: str = ""

    def __repr__(self) -> str:
        return (
            f"RawTable({self.name!r}: {self.data.num_rows} rows x {len(self.columns)} columns, "
            f"{len(self.broken)} rows of another shape)"
        )

    def texts(self, column: str) -> pa.Array:
        """Give a column as plain texts, in one piece."""
        return in_one_piece(as_texts(self.data[column]))

    def find(self, name: str) -> str | None:
        """Give the file's own spelling of a column, found without regard to case; None if there is none."""
        wanted = name.strip().casefold()
        return next((column for column in self.columns if column.casefold() == wanted), None)


def nearest(name: str, among: tuple[str, ...] | list[str], cutoff: float = 0.5) -> str | None:
    """Give the most similar name, compared without regard to case; None if nothing is similar."""
    folded = {other.casefold(): other for other in among}
    close = get_close_matches(name.casefold(), folded, n=1, cutoff=cutoff)
    return folded[close[0]] if close else None


def header_names(cells: list[str], where: str) -> tuple[str, ...]:
    """Turn a header row into column names; a column without a name is called after its place.

    Raises
    ------
    InputRefused
        If two columns have the same name, or no column has one.

    """
    if not any(cell.strip() for cell in cells):
        raise InputRefused(
            "the first row has no column names", where, "put the column names in the first row"
        )
    names = [" ".join(cell.split()) or f"column {number}" for number, cell in enumerate(cells, start=1)]
    seen: set[str] = set()
    for name in names:
        if name.casefold() in seen:
            raise InputRefused(f"two columns are called {name!r}", where, "rename one of them")
        seen.add(name.casefold())
    return tuple(names)


def as_texts(column: pa.ChunkedArray) -> pa.ChunkedArray:
    """Give a column of texts, or of numbers of a dictionary of texts, as texts."""
    return pc.cast(column, pa.string()) if pa.types.is_dictionary(column.type) else column


def in_one_piece(column: pa.ChunkedArray) -> pa.Array:
    """Give a column as one array; pyarrow leaves one that is cut up in pieces where it holds much text."""
    whole = column.combine_chunks()
    return pa.concat_arrays(whole.chunks) if isinstance(whole, pa.ChunkedArray) else whole


def filled_rows(data: pa.Table) -> pa.Array:
    """Say which rows have anything in them."""
    filled = np.zeros(data.num_rows, dtype=bool)
    for column in data.columns:
        if filled.all():
            break
        filled |= _has_text(column)
    return pa.array(filled)


def _has_text(column: pa.ChunkedArray) -> np.ndarray:
    """Say where there is more than blanks; of a dictionary's texts, each is looked at once."""
    if not pa.types.is_dictionary(column.type):
        return np.asarray(pc.not_equal(pc.utf8_trim_whitespace(column), ""), dtype=bool)
    pieces = []
    for chunk in column.chunks:
        told = pc.not_equal(pc.utf8_trim_whitespace(chunk.dictionary), "").to_numpy(zero_copy_only=False)
        pieces.append(told[chunk.indices.to_numpy()])
    return np.concatenate(pieces) if pieces else np.zeros(0, dtype=bool)


def without_blank_columns(columns: tuple[str, ...], data: pa.Table) -> tuple[tuple[str, ...], pa.Table]:
    """Leave out columns that have neither a name nor a value (what trailing delimiters make)."""
    keep = [
        name
        for i, name in enumerate(columns)
        if name != f"column {i + 1}" or bool(_has_text(data[name]).any())
    ]
    return tuple(keep), data.select(keep)


def refuse_huge_cells(data: pa.Table, line: pa.Array, where: str) -> None:
    """Refuse a table that holds a cell with more text than any reading or note has."""
    for name in data.column_names:
        column = data[name]
        parts = [c.dictionary if pa.types.is_dictionary(column.type) else c for c in column.chunks]
        longest = max((pc.max(pc.binary_length(part)).as_py() or 0 for part in parts), default=0)
        if longest <= LONGEST_CELL:
            continue
        sizes = pc.binary_length(as_texts(column)).to_numpy(zero_copy_only=False)
        first = line[int(np.argmax(sizes > LONGEST_CELL))].as_py()
        raise InputRefused(
            f"column {name[:40]!r} holds {longest} signs in one cell", f"{where} line {first}", "shorten it"
        )
