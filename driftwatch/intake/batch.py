"""A file that has been read and recognised, ready to be judged and taken row by row."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from driftwatch.errors import UsageError
from driftwatch.intake.columns import KINDS, SNAPSHOTS, FileKind, locate, recognise
from driftwatch.intake.mapping import Mapping, apply_mapping
from driftwatch.intake.readers import read_table
from driftwatch.intake.tables import RawTable
from driftwatch.profile.model import Profile


@dataclass(frozen=True)
class Batch:
    """The rows of one file, all of one kind, as text.

    Attributes
    ----------
    kind : str
        `units`, `snapshots` or `events`.
    table : RawTable
        The rows; for a wide file, already in long form.
    columns : dict
        Common name -> column of `table`.
    mapping_sha256 : str
        Fingerprint of the mapping that the file was read through; "" without one. The same file read
        through another mapping says something else.
    profile : Profile or None
        A transmission profile that comes with the file.

    """

    kind: str
    table: RawTable
    columns: dict[str, str]
    mapping_sha256: str = ""
    profile: Profile | None = None

    @property
    def rows(self) -> int:
        """Rows of the file that hold anything, whether they can be right or not."""
        return int(self.table.data.num_rows) + len(self.table.broken)

    @property
    def extra_columns(self) -> tuple[str, ...]:
        """Columns of the file that the kind does not know."""
        return tuple(name for name in self.table.columns if name not in self.columns.values())

    def staged(self) -> pa.Table:
        """Give row, line, and the known columns under their common names, blank where the file has none.

        Texts are without surrounding blanks, and a typographic minus is a plain one.
        """
        kind = KINDS[self.kind]
        blank = pa.repeat(pa.scalar(""), self.table.data.num_rows)
        arrays = [pa.array(np.arange(self.table.data.num_rows)), self.table.line]
        arrays += [
            _clean(self.table.data[self.columns[name]]) if name in self.columns else blank
            for name in kind.all_columns
        ]
        return pa.table(arrays, names=["row", "line", *kind.all_columns])


def _clean(column: pa.ChunkedArray) -> pa.ChunkedArray:
    text = pc.utf8_trim_whitespace(column)
    if not pc.any(pc.starts_with(text, "\u2212")).as_py():
        return text
    return pc.replace_substring_regex(text, "^\u2212", "-")


def read_batch(
    path: str | Path, kind: str | None = None, mapping: Mapping | None = None, profile: Profile | None = None
) -> Batch:
    """Read a file and say what it is.

    Parameters
    ----------
    path : path
        CSV, Parquet or XLSX.
    kind : {"units", "snapshots", "events"}, optional
        What the file is; recognised by its columns if left out.
    mapping : Mapping, optional
        For a wide snapshots file: which column is which cell.
    profile : Profile, optional
        A transmission profile that the file's units use and that the store may not know yet.

    Raises
    ------
    InputRefused
        If the file cannot be understood as a whole.
    UsageError
        If the kind is none, or a mapping is given for another kind than snapshots.

    """
    if kind is not None and kind not in KINDS:
        raise UsageError(f"there is no kind of file {kind!r}", do="give units, snapshots or events")
    if mapping is not None and kind not in (None, "snapshots"):
        raise UsageError("a mapping only applies to snapshots", do="leave --mapping or --as out")
    table = read_table(path, sheet=(mapping.sheet or None) if mapping else None)
    if mapping is not None:
        table = apply_mapping(table, mapping)
        known = {name: name for name in SNAPSHOTS.all_columns}
        return Batch("snapshots", table, known, mapping.fingerprint, profile)
    which: FileKind = KINDS[kind] if kind else recognise(table)
    return Batch(which.name, table, locate(table, which), "", profile)
