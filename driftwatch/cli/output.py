"""What commands print: tables in three forms, JSON, notes on standard error, progress.

Results go to standard output, everything else to standard error, so that output can be piped.
"""

from __future__ import annotations

import csv
import io
import re
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from enum import StrEnum
from pathlib import Path
from typing import Any

from driftwatch.errors import UsageError
from driftwatch.plain import Row, frame_rows, one_line, plain, to_json

__all__ = [
    "Format",
    "Progress",
    "ReaderGone",
    "Row",
    "frame_rows",
    "note",
    "one_line",
    "plain",
    "possible_file",
    "progress",
    "say",
    "table",
    "table_text",
    "to_json",
]  # fmt: skip

Progress = Callable[[str, int, int], None]

#: Width of a table that is not shown on a terminal: nothing is cut or wrapped.
_UNBOUNDED = 10_000
#: A time at the beginning of a cell, as the store gives it.
_TIME = re.compile(r"^(\d{4}-\d\d-\d\d)[T ](\d\d:\d\d:\d\d)(?:\.\d+)?(?= |$)")


class Format(StrEnum):
    """How a table is printed."""

    table = "table"
    json = "json"
    csv = "csv"


class ReaderGone(Exception):
    """The program at the other end of the pipe has stopped reading: no fault, it has seen enough."""


def say(text: str) -> None:
    """Print a result on standard output."""
    _write(sys.stdout, text)


def note(text: str) -> None:
    """Print a remark on standard error, as one line."""
    _write(sys.stderr, one_line(text))


def _write(stream: Any, text: str) -> None:
    try:
        print(text, file=stream, flush=True)
    except BrokenPipeError:
        raise ReaderGone from None


def table(rows: Sequence[Row], columns: Sequence[str], form: Format, empty: str = "nothing to list") -> None:
    """Print rows in the form asked for.

    Parameters
    ----------
    rows : sequence of mappings
        Column -> value.
    columns : sequence of str
        Columns of the table and of the CSV, in order; JSON gets every key.
    form : Format
        Table, JSON or CSV.
    empty : str
        What a table says when there is no row (on standard error; JSON prints `[]`, CSV the header).

    """
    if rows or form is not Format.table:
        say(table_text(rows, columns, form))
    else:
        note(empty)


def table_text(rows: Sequence[Row], columns: Sequence[str], form: Format) -> str:
    """Give rows in the form asked for, without a line break at the end; see `table`."""
    if form is Format.json:
        return to_json(list(rows))
    if form is Format.csv:
        return _csv(rows, columns).rstrip("\n")
    return _aligned(rows, columns)


def possible_file(path: Path) -> Path:
    """Give a path that a file can be written to; `UsageError` if it cannot. Asked before the work."""
    if path.is_dir():
        raise UsageError("is a folder", str(path), "give the path of a file")
    if not path.parent.is_dir():
        raise UsageError("there is no such folder", str(path.parent), "make it first, or give another path")
    return path


def _csv(rows: Sequence[Row], columns: Sequence[str]) -> str:
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(columns)
    for row in rows:
        values = (plain(row.get(column)) for column in columns)
        writer.writerow(["" if v is None else _cell(v) if isinstance(v, dict | list) else v for v in values])
    return out.getvalue()


def _aligned(rows: Sequence[Row], columns: Sequence[str]) -> str:
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    terminal = sys.stdout.isatty()
    console = Console(file=io.StringIO(), width=None if terminal else _UNBOUNDED, color_system=None)
    grid = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="")
    for column in columns:
        numeric = all(isinstance(row.get(column), int | float | None) for row in rows)
        grid.add_column(
            Text(column.replace("_", " ")), justify="right" if numeric else "left", overflow="fold"
        )
    for row in rows:
        grid.add_row(*(Text(_cell(row.get(column))) for column in columns))
    with console.capture() as shown:
        console.print(grid)
    return "\n".join(line.rstrip() for line in shown.get().splitlines())


def _cell(value: Any) -> str:
    value = plain(value)
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:.6g}" if abs(value) < 1e6 else f"{value:.0f}"
    if isinstance(value, list):
        return ", ".join(_cell(v) for v in value)
    if isinstance(value, dict):
        return ", ".join(f"{k} {_cell(v)}" for k, v in value.items())
    return _TIME.sub(_readable, one_line(str(value)))


def _readable(found: re.Match[str]) -> str:
    """Give a time in whole seconds, and one that was written as a day, as that day."""
    day, time = found.groups()
    return str(day) if time == "00:00:00" else f"{day} {time}"


@contextmanager
def progress() -> Iterator[Progress | None]:
    """Give a progress callback with bars on standard error; None where that is not a terminal."""
    if not sys.stderr.isatty():
        yield None
        return
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, TextColumn, TimeRemainingColumn
    from rich.progress import Progress as Bars
    from rich.text import Text

    tasks: dict[str, Any] = {}
    columns = (
        TextColumn("{task.description}"),
        BarColumn(),
        MofNCompleteColumn(),
        TimeRemainingColumn(elapsed_when_finished=True),
    )
    with Bars(*columns, console=Console(stderr=True), transient=True) as bars:

        def show(what: str, done: int, total: int) -> None:
            if what not in tasks:
                tasks[what] = bars.add_task(
                    Text(one_line(what)).plain.replace("[", "\\["), total=total or None
                )
            bars.update(tasks[what], completed=done, total=total or None)

        yield show
