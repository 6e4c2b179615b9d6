"""`backtest`: how right the program would have been on this store's own past."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from driftwatch.cli import output
from driftwatch.cli.options import AsOf, reading
from driftwatch.cli.output import Format
from driftwatch.cli.wording import Dates, Units, worded

if TYPE_CHECKING:
    from driftwatch.assessment.backtest.results import Backtest


class What(StrEnum):
    """The rows that are printed."""

    figures = "figures"
    ranges = "ranges"
    checks = "checks"
    reached = "reached"
    alarms = "alarms"
    told = "told"
    delays = "delays"
    flaps = "flaps"


def backtest(
    context: typer.Context,
    start: Annotated[
        str | None,
        typer.Option("--from", metavar="DATE", help="First day; from when a unit can be judged if left out."),
    ] = None,
    end: Annotated[
        str | None,
        typer.Option(
            "--to", metavar="DATE", help="Last day; the newest that something followed if left out."
        ),
    ] = None,
    as_of: AsOf = None,
    every: Annotated[
        int, typer.Option("--every", metavar="MONTHS", min=1, help="Months from one look to the next.")
    ] = 1,
    unit: Annotated[
        list[str] | None, typer.Option("--unit", metavar="UNIT", help="Only this unit; may be repeated.")
    ] = None,
    what: Annotated[
        What | None,
        typer.Option(
            "--what",
            metavar="ROWS",
            help="figures, ranges, checks, reached, alarms, told, delays or flaps; if left out, the figures, "
            "or with --format json all of them.",
        ),
    ] = None,
    form: Annotated[
        Format,
        typer.Option(
            "--format", metavar="table|json|csv", help="How to print: a table to read, JSON or CSV."
        ),
    ] = Format.table,
    out: Annotated[
        Path | None,
        typer.Option("--out", metavar="DIR", help="Folder to write the report in as well; made if missing."),
    ] = None,
    units: Units = None,
    dates: Dates = None,
) -> None:
    """Say how right the program would have been on this store's own past.

    For each month end between the two days the fleet is assessed with only what was known then. What would
    have been said is held against what came later: remaining distances, later readings, alerts, findings.
    A month end takes about as long as one assessment.
    """
    from driftwatch.api import possible_folder

    if out is not None:
        possible_folder(out)
    with reading(context) as store, worded(store, units, dates), output.progress() as show:
        made = store.backtest(start, end, as_of, every, unit or None, progress=show)
        written = [] if out is None else store.write_backtest(made, out)
    for path in written:
        output.note(f"wrote {path}")
    if form is Format.json and what is None:
        output.say(output.to_json(made.to_dict()))
        return
    rows, columns = _rows(made, what or What.figures, form)
    output.table(rows, columns, form, empty=f"no {what or What.figures} to list")


def _rows(made: Backtest, what: What, form: Format) -> tuple[list[output.Row], list[str]]:
    """Give the rows asked for; in a table to read, numbers are rounded and each figure says what it is."""
    frame = made.to_frame(what.value)
    rows: list[dict[str, Any]] = [dict(row) for row in output.frame_rows(frame)]
    columns = [str(name) for name in frame.columns]
    if what is What.figures:
        from driftwatch.assessment.backtest.figures import MEANINGS

        rows = [row | {"meaning": MEANINGS[row["name"]]} for row in rows]
        columns.append("meaning")
    if form is Format.table:
        rows = [{name: _rounded(value) for name, value in row.items()} for row in rows]
    return list(rows), columns


def _rounded(value: Any) -> Any:
    """Give a number with three figures, or whole from 1000 on."""
    if not isinstance(value, float):
        return value
    return round(value) if abs(value) >= 1000 else float(f"{value:.3g}")
