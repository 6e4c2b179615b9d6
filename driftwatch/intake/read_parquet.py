"""Parquet, every column turned into the text that a CSV of it would hold."""

from __future__ import annotations

import io

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from driftwatch.errors import InputRefused
from driftwatch.intake.read_csv import filled_rows
from driftwatch.intake.tables import RawTable, header_names


def read_parquet(content: bytes, where: str, digest: str) -> RawTable:
    """Read a Parquet file; `line` counts its records from 1.

    Raises
    ------
    InputRefused
        If it cannot be read as Parquet, or has columns that hold lists or records.

    """
    try:
        table = pq.ParquetFile(io.BytesIO(content)).read()
        columns = header_names([str(name) for name in table.column_names], where)
        data = pa.table(
            [as_text(column, name, where) for name, column in zip(columns, table.columns, strict=True)],
            names=list(columns),
        )
    except (pa.ArrowException, OSError) as problem:
        detail = str(problem).splitlines()[0][:200]
        raise InputRefused(f"the Parquet file is damaged ({detail})", where, "export it again") from None
    line = pa.array(np.arange(1, data.num_rows + 1))
    filled = filled_rows(data)
    return RawTable(where, digest, columns, data.filter(filled), line.filter(filled))


def as_text(column: pa.ChunkedArray, name: str, where: str) -> pa.Array:
    """Turn a column into text: ISO 8601 times, shortest exact numbers, nothing for null and NaN."""
    values = column.combine_chunks()
    if isinstance(values, pa.ChunkedArray):  # more text than one array can hold stays in pieces
        values = pa.concat_arrays([as_text(pa.chunked_array([c]), name, where) for c in values.chunks])
    kind = values.type
    if pa.types.is_dictionary(kind):
        values = values.dictionary_decode()
        kind = values.type
    if pa.types.is_nested(kind) or pa.types.is_binary(kind):
        raise InputRefused(f"column {name!r} holds {kind}, not plain values", where, "export plain columns")
    if pa.types.is_null(kind):
        text = pa.nulls(len(values), pa.string())
    elif pa.types.is_timestamp(kind):
        suffix = "Z" if kind.tz else ""
        in_us = pc.cast(values, pa.timestamp("us", tz=kind.tz), safe=False)
        naive = pc.cast(in_us, pa.timestamp("us"))  # the instant in UTC, where there was a zone
        text = pc.binary_join_element_wise(pc.cast(naive, pa.string()), suffix, "")
    elif pa.types.is_floating(kind):
        values = pc.if_else(pc.is_nan(values), pa.scalar(None, kind), values)
        text = pc.cast(values, pa.string())
    else:
        text = pc.cast(values, pa.string())
    return pc.fill_null(text, "")
