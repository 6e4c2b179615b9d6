"""Parquet, every column turned into the text that a CSV of it would hold."""

from __future__ import annotations

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from driftwatch.errors import InputRefused
from driftwatch.intake.content import Content
from driftwatch.intake.tables import MOST_COLUMNS, RawTable, filled_rows, header_names, refuse_huge_cells

#: A few bytes of Parquet can stand for any number of values: more than this are refused before they are read.
MOST_VALUES, LARGEST_UNPACKED = 1_000_000_000, 8_000_000_000


def read_parquet(content: Content) -> RawTable:
    """Read a Parquet file; `line` counts its records from 1.

    Raises
    ------
    InputRefused
        If it cannot be read as Parquet, is absurdly large, or has columns that hold lists or records.

    """
    where = content.name
    try:
        with content.open() as stream:
            file = pq.ParquetFile(stream)
            _refuse_if_absurd(file.metadata, where)
            table = file.read()
        columns = header_names([str(name) for name in table.column_names], where)
        data = pa.table(
            [as_text(column, name, where) for name, column in zip(columns, table.columns, strict=True)],
            names=list(columns),
        )
    except (pa.ArrowException, OSError, UnicodeDecodeError) as problem:
        detail = (str(problem).splitlines() or [""])[0][:200]
        raise InputRefused(f"the Parquet file is damaged ({detail})", where, "export it again") from None
    line = pa.array(np.arange(1, data.num_rows + 1))
    filled = filled_rows(data)
    data, line = data.filter(filled), line.filter(filled)
    refuse_huge_cells(data, line, where)
    return RawTable(where, content.sha256, columns, data, line)


def _refuse_if_absurd(facts: pq.FileMetaData, where: str) -> None:
    if facts.num_columns > MOST_COLUMNS:
        raise InputRefused(
            f"there are {facts.num_columns} columns; more than {MOST_COLUMNS} are not read",
            where,
            "use fewer",
        )
    size = sum(facts.row_group(i).total_byte_size for i in range(facts.num_row_groups))
    if facts.num_rows * facts.num_columns > MOST_VALUES or size > LARGEST_UNPACKED:
        raise InputRefused("the file is too large when unpacked", where, "export it in parts")


def as_text(column: pa.ChunkedArray, name: str, where: str) -> pa.ChunkedArray:
    """Turn a column into text: ISO 8601 times, shortest exact numbers, nothing for null and NaN."""
    kind = column.type
    if pa.types.is_dictionary(kind):
        column = pc.cast(column, kind.value_type)
        kind = column.type
    if pa.types.is_nested(kind) or pa.types.is_binary(kind) or pa.types.is_large_binary(kind):
        raise InputRefused(f"column {name!r} holds {kind}, not plain values", where, "export plain columns")
    if pa.types.is_null(kind):
        text = pa.chunked_array([pa.nulls(len(column), pa.string())])
    elif pa.types.is_timestamp(kind):
        suffix = "Z" if kind.tz else ""
        in_us = pc.cast(column, pa.timestamp("us", tz=kind.tz), safe=False)
        naive = pc.cast(in_us, pa.timestamp("us"))  # the instant in UTC, where there was a zone
        text = pc.binary_join_element_wise(pc.cast(naive, pa.string()), suffix, "")
    elif pa.types.is_floating(kind):
        if kind.bit_width == 16:
            column = pc.cast(column, pa.float32())
        values = pc.if_else(pc.is_nan(column), pa.scalar(None, column.type), column)
        text = pc.cast(values, pa.string())
    else:
        text = pc.cast(column, pa.string())
    return pc.fill_null(text, "")
