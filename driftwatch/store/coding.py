"""The rows of a snapshots file as numbers: each snapshot's columns and each cell's names are told once.

A file of millions of rows holds some thousand snapshots and some hundred cells. Rows are numbered by both,
so that SQL judges each snapshot and each cell once, and of the rows only what is their own.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from driftwatch.intake.batch import Batch
from driftwatch.store.job import Job

#: The columns that the rows of one snapshot share, and those that name a cell and its unit of measure.
HEAD_COLUMNS = (
    *("unit", "taken_at", "odometer_km", "odometer_mi", "fluid_temp_c", "fluid_temp_f"),
    *("odometer_entered", "odometer_unit_entered", "fluid_temp_entered", "fluid_temp_unit_entered"),
)
CELL_COLUMNS = ("mode", "channel", "signal", "value_unit", "unit_entered")


def register_rows(job: Job) -> bool:
    """Register the file's rows and what their numbers stand for; say whether any cell is told twice.

    `incoming` (row, line, head, cell, value, value_entered, learn, source), `head_texts` (head and its
    columns), `cell_texts` (cell and its columns), `learns` and `sources` (number, text).
    """
    batch = job.batch
    rows = batch.table.data.num_rows
    heads, head_texts = _numbered(batch, HEAD_COLUMNS, "head")
    cells, cell_texts = _numbered(batch, CELL_COLUMNS, "cell")
    learn, learns = batch.coded("learn_count")
    source, sources = batch.coded("source")
    incoming = pa.table(
        {
            "row": pa.array(np.arange(rows, dtype=np.int32)),
            "line": batch.table.line.cast(pa.int64()),
            "head": pa.array(heads),
            "cell": pa.array(cells),
            "value": _numbers_or_texts(batch, "value"),
            "value_entered": _numbers_or_texts(batch, "value_entered"),
            "learn": pa.array(learn),
            "source": pa.array(source),
        }
    )
    frames: dict[str, Any] = {
        "incoming": incoming,
        "head_texts": head_texts,
        "cell_texts": cell_texts,
        "learns": _texts(learns),
        "sources": _texts(sources),
    }
    for name, frame in frames.items():
        job.con.register(name, frame)
    return _has_repeats(heads, cells, cell_texts.num_rows)


def _has_repeats(heads: np.ndarray, cells: np.ndarray, width: int) -> bool:
    """Say whether two rows have the same head and cell."""
    place = heads.astype(np.int64) * width + cells
    most = int(heads.max(initial=-1) + 1) * width
    if most > 50 * len(place) + 1000:
        return bool(pd.Series(place).duplicated().any())
    seen = np.zeros(most, dtype=bool)
    seen[place] = True
    return int(np.count_nonzero(seen)) < len(place)


def _texts(texts: Sequence[str]) -> pa.Table:
    numbers = pa.array(np.arange(len(texts), dtype=np.int32))
    return pa.table({"number": numbers, "text": pa.array(texts, pa.string())})


def _numbers_or_texts(batch: Batch, name: str) -> Any:
    """Give a column as numbers where each of its texts is one, as nearly always; otherwise as texts."""
    rows = batch.table.data.num_rows
    if name not in batch.columns:
        return pa.nulls(rows, pa.string())
    texts = batch.clean(batch.columns[name])
    try:
        numbers = pc.cast(texts, pa.float64())
    except pa.ArrowInvalid:
        return texts
    return numbers if pc.all(pc.is_finite(numbers)).as_py() is not False else texts


def _numbered(batch: Batch, names: Sequence[str], called: str) -> tuple[np.ndarray, pa.Table]:
    """Number the different rows of some columns; give each row's number, and the texts of each number.

    Rows that follow one another and are alike are one run, and only runs are looked at further: in most
    files a snapshot stands in one piece.
    """
    columns = [batch.coded(name) for name in names]
    rows = batch.table.data.num_rows
    changed = np.zeros(rows, dtype=bool)
    changed[:1] = True
    for codes, texts in columns:
        if len(texts) > 1:
            changed[1:] |= codes[1:] != codes[:-1]
    first = np.flatnonzero(changed)
    number, texts_of = _distinct([codes[first] for codes, _ in columns], [len(t) for _, t in columns])
    told = {called: pa.array(np.arange(len(texts_of), dtype=np.int32))}
    for name, (codes, texts) in zip(names, columns, strict=True):
        told[name] = pa.array(texts, pa.string()).take(pa.array(codes[first][texts_of]))
    run = np.cumsum(changed, dtype=np.int32) - 1
    return number.astype(np.int32)[run], pa.table(told)


def _distinct(columns: Sequence[np.ndarray], sizes: Sequence[int]) -> tuple[np.ndarray, np.ndarray]:
    """Give the number of each different combination, and where each stands first."""
    number = np.zeros(len(columns[0]), dtype=np.int64)
    count = 1
    for codes, size in zip(columns, sizes, strict=True):
        if size == 1:
            continue
        number = number * size + codes
        count *= size
        if count > 1 << 40:
            number, distinct = pd.factorize(number)
            number = number.astype(np.int64)
            count = len(distinct)
    number, distinct = pd.factorize(number)
    where = np.zeros(len(distinct), dtype=np.int64)
    where[number[::-1]] = np.arange(len(number))[::-1]
    return number, where
