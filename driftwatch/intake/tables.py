"""A file as read: text and line numbers, before anybody has judged what is in it."""

from __future__ import annotations

from dataclasses import dataclass, field
from difflib import get_close_matches

import pyarrow as pa

from driftwatch.errors import InputRefused


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
        One text column for each of `columns`; a missing value is the empty text.
    line : pyarrow.Array (N)
        Line of the file on which each row starts (CSV), or row of the sheet (XLSX), or number of the
        record, the first being 1 (Parquet).
    decimal_comma : bool
        True if a comma may stand for the decimal point (semicolon-delimited files).
    broken : tuple of BrokenRow
        Rows that do not have the file's shape.
    notes : tuple of str
        What the reader left out, and why (further sheets).

    """

    name: str
    sha256: str
    columns: tuple[str, ...]
    data: pa.Table
    line: pa.Array
    decimal_comma: bool = False
    broken: tuple[BrokenRow, ...] = ()
    notes: tuple[str, ...] = field(default=())

    def __repr__(self) -> str:
        return (
            f"RawTable({self.name!r}: {self.data.num_rows} rows x {len(self.columns)} columns, "
            f"{len(self.broken)} rows of another shape)"
        )

    def find(self, name: str) -> str | None:
        """Give the file's own spelling of a column, found without regard to case; None if there is none."""
        wanted = name.strip().casefold()
        return next((column for column in self.columns if column.casefold() == wanted), None)


def nearest(name: str, among: tuple[str, ...] | list[str]) -> str | None:
    """Give the most similar name, compared without regard to case; None if nothing is similar."""
    folded = {other.casefold(): other for other in among}
    close = get_close_matches(name.casefold(), folded, n=1, cutoff=0.5)
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
