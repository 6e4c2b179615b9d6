"""Rows that were typed in: taken as a file of their kind would be, all of them or none."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence

from driftwatch.api import Store
from driftwatch.errors import StoreError
from driftwatch.intake.batch import read_batches
from driftwatch.intake.columns import KINDS
from driftwatch.intake.content import content_of_bytes
from driftwatch.store.report import ImportReport

Typed = Sequence[Mapping[str, str]]


def as_csv(kind: str, rows: Typed) -> bytes:
    """Give rows as a file of one kind; the k-th row stands on line k + 2."""
    columns = [n for n in KINDS[kind].all_columns if not n.endswith("_entered") and n != "value_unit"]
    out = io.StringIO()
    writer = csv.DictWriter(out, columns, restval="", extrasaction="ignore", lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return out.getvalue().encode("utf-8", "replace")


def take_rows(store: Store, name: str, kind: str, rows: Typed) -> tuple[ImportReport, list[tuple[int, str]]]:
    """Take typed rows in, if all of them can be right.

    Parameters
    ----------
    store : Store
        Open to write.
    name : str
        Under which they stand on record, where a file has its own.
    kind : str
        One of `driftwatch.intake.columns.KINDS`.
    rows : sequence of mapping
        Column -> text.

    Returns
    -------
    report : ImportReport
        Of what was taken, or would have been.
    wrong : list of (int, str)
        Place in `rows`, and reason, of each that cannot be right; nothing was taken if there is any.

    Raises
    ------
    InputRefused
        If they are refused as a whole.

    """
    batches = [(name, read_batches(content_of_bytes(as_csv(kind, rows), name), kind, decimal="point"))]
    tried = store.take(batches, dry_run=True)[0]
    if tried.report is None:
        raise tried.error or StoreError("the rows were not taken", name, "try again")
    found = tried.report.problems
    wrong = [(int(line) - 2, str(why)) for line, why in zip(found["line"], found["reason"], strict=True)]
    if not wrong:
        store.take(batches)
    return tried.report, wrong
