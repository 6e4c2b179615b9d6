"""A file that has been read and recognised, ready to be judged and taken."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from driftwatch.errors import InputRefused, UsageError
from driftwatch.intake.columns import KINDS, SNAPSHOTS, FileKind, locate, recognise, refuse_own_export
from driftwatch.intake.content import Content
from driftwatch.intake.mapping import LONG_COLUMNS, Mapping, apply_mapping, fits
from driftwatch.intake.numbers import DECIMALS, decimal_of
from driftwatch.intake.readers import read_tables
from driftwatch.intake.tables import NEUTRALISED, RawTable, as_texts
from driftwatch.profile.model import Profile


@dataclass(frozen=True)
class Batch:
    """The rows of one table of a file, all of one kind, as text.

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
    profiles : tuple of Profile
        Transmission profiles that come with the file.
    decimal : str
        The decimal sign of its numbers: "point" or "comma".
    notes : tuple of str
        What the user should know of how it was read.

    """

    kind: str
    table: RawTable
    columns: dict[str, str]
    mapping_sha256: str = ""
    profiles: tuple[Profile, ...] = ()
    decimal: str = "point"
    notes: tuple[str, ...] = ()

    @property
    def rows(self) -> int:
        """Rows of the file that hold anything, whether they can be right or not."""
        return int(self.table.data.num_rows) + len(self.table.broken)

    @property
    def extra_columns(self) -> tuple[str, ...]:
        """Columns of the file that the kind does not know."""
        return tuple(name for name in self.table.columns if name not in self.columns.values())

    def clean(self, column: str) -> pa.ChunkedArray:
        """Give a column of the table as texts: without blanks around them, a typographic minus made plain.

        In delimited text, the apostrophe that keeps a spreadsheet from running a text as a formula is taken
        off again.
        """
        return self._clean_texts(as_texts(self.table.data[column]))

    def staged(self) -> pa.Table:
        """Give row, line, and the known columns under their common names, blank where the file has none."""
        kind = KINDS[self.kind]
        blank = pa.repeat(pa.scalar(""), self.table.data.num_rows)
        arrays = [pa.array(np.arange(self.table.data.num_rows)), self.table.line]
        arrays += [
            self.clean(self.columns[name]) if name in self.columns else blank for name in kind.all_columns
        ]
        return pa.table(arrays, names=["row", "line", *kind.all_columns])

    def coded(self, name: str) -> tuple[np.ndarray, list[str]]:
        """Give a known column as numbers, and the text that each number stands for.

        Returns
        -------
        codes : array of int32 (rows)
        texts : list of str
            Clean; the same text may be there under two numbers. [""] where the file has no such column.

        """
        if name not in self.columns:
            return np.zeros(self.table.data.num_rows, dtype=np.int32), [""]
        column = self.table.data[self.columns[name]]
        if not pa.types.is_dictionary(column.type):
            column = pc.dictionary_encode(column)
        column = pa.chunked_array(column.chunks, column.type).unify_dictionaries()
        if not column.num_chunks:
            return np.zeros(0, dtype=np.int32), [""]
        codes = np.concatenate([chunk.indices.to_numpy() for chunk in column.chunks])
        return codes.astype(np.int32, copy=False), self._clean_texts(column.chunk(0).dictionary).to_pylist()

    def _clean_texts(self, texts: pa.Array | pa.ChunkedArray) -> pa.Array | pa.ChunkedArray:
        text = pc.utf8_trim_whitespace(texts)
        if pc.any(pc.starts_with(text, "\u2212")).as_py():
            text = pc.replace_substring_regex(text, "^\u2212", "-")
        if self.table.delimiter and pc.any(pc.starts_with(text, "'")).as_py():
            text = pc.replace_substring_regex(text, NEUTRALISED, r"\1")
        return text


def read_batches(
    source: str | Path | Content,
    kind: str | None = None,
    mapping: Mapping | None = None,
    profiles: Sequence[Profile] = (),
    decimal: str | None = None,
) -> tuple[Batch, ...]:
    """Read a file and say what it is: one batch, or one for each sheet of a workbook that is any.

    Parameters
    ----------
    source : path or Content
        CSV, Parquet or XLSX.
    kind : {"units", "snapshots", "events"}, optional
        What the file is; recognised by its columns if left out.
    mapping : Mapping, optional
        For a wide snapshots file: which column is which cell.
    profiles : sequence of Profile
        Transmission profiles that the file's units use and that the store may not know yet.
    decimal : {"point", "comma"}, optional
        The decimal sign; found from the numbers if left out.

    Raises
    ------
    InputRefused
        If the file cannot be understood as a whole.
    UsageError
        If the kind is none, or a mapping is given for another kind than snapshots.

    """
    if kind is not None and kind not in KINDS:
        raise UsageError(f"there is no kind of file {kind!r}", do="give units, snapshots or events")
    if decimal is not None and decimal not in DECIMALS:
        raise UsageError(f"there is no decimal sign {decimal!r}", do="give point or comma")
    if mapping is not None and kind not in (None, "snapshots"):
        raise UsageError("a mapping only applies to snapshots", do="leave --mapping or --as out")
    tables = read_tables(source, sheet=(mapping.sheet or None) if mapping else None)
    found = _recognised(tables, kind) if mapping is None else _mapped(tables, mapping)
    return tuple(_told(replace(batch, profiles=tuple(profiles)), decimal) for batch in found)


def read_batch(
    source: str | Path | Content,
    kind: str | None = None,
    mapping: Mapping | None = None,
    profiles: Sequence[Profile] = (),
    decimal: str | None = None,
) -> Batch:
    """Read a file that holds one table; as `read_batches`, and `InputRefused` if there are several."""
    first, *others = read_batches(source, kind, mapping, profiles, decimal)
    if others:
        raise InputRefused("there are several tables in it", first.table.name, "read them with read_batches")
    return first


def _mapped(tables: Sequence[RawTable], mapping: Mapping) -> list[Batch]:
    """Read those sheets that have the mapping's columns; if none has, the first says what is missing."""
    meant = [table for table in tables if fits(table, mapping)] or list(tables[:1])
    known = {name: name for name in SNAPSHOTS.all_columns if name in LONG_COLUMNS}
    batches = [
        Batch("snapshots", apply_mapping(table, mapping), known, mapping.fingerprint) for table in meant
    ]
    return _with_unread(batches, tables, "it has not the columns of the mapping")


def _recognised(tables: Sequence[RawTable], kind: str | None) -> list[Batch]:
    """Read those sheets that are of a known kind; if none is, the first says what is missing."""
    batches, refusals = [], []
    for table in tables:
        try:
            refuse_own_export(table)
            which: FileKind = KINDS[kind] if kind else recognise(table)
            batches.append(Batch(which.name, table, locate(table, which)))
        except InputRefused as refusal:
            refusals.append(refusal)
    if not batches:
        raise refusals[0]
    return _with_unread(batches, tables, "it is not of a known kind")


def _with_unread(batches: list[Batch], tables: Sequence[RawTable], why: str) -> list[Batch]:
    """Name the sheets that were left out, with the last batch."""
    read = {batch.table.sheet for batch in batches}
    notes = tuple(f"sheet {t.sheet!r} was not read: {why}" for t in tables if t.sheet not in read)
    return [*batches[:-1], replace(batches[-1], notes=batches[-1].notes + notes)]


def _told(batch: Batch, decimal: str | None) -> Batch:
    """Find how the batch writes its numbers."""
    if decimal is not None:
        return replace(batch, decimal=decimal)
    numeric = [batch.columns[name] for name in KINDS[batch.kind].numeric if name in batch.columns]
    found, note = decimal_of((batch.table.data[name] for name in numeric), batch.table.delimiter)
    return replace(batch, decimal=found, notes=batch.notes + ((note,) if note else ()))
