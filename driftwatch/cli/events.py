"""`driftwatch event`: the log of what was done to a unit."""

from __future__ import annotations

from typing import Annotated

import typer

from driftwatch.cli import output
from driftwatch.cli.options import FormatOption, reading, writing
from driftwatch.cli.output import Format
from driftwatch.days import as_number


def add(
    context: typer.Context,
    unit: Annotated[str, typer.Argument(metavar="UNIT", help="The unit it was done to.")],
    kind: Annotated[
        str, typer.Argument(metavar="KIND", help="power, load, fluid, relearn, rebuild, repair or other.")
    ],
    on: Annotated[
        str,
        typer.Option("--on", metavar="DATE", help="Day or time, as 2026-03-14 or 2026-03-14T09:20+01:00."),
    ],
    amount: Annotated[
        str | None,
        typer.Option("--amount", metavar="NUMBER", help="Change of peak torque (power), or mass (load)."),
    ] = None,
    amount_unit: Annotated[
        str,
        typer.Option(
            "--amount-unit", metavar="UNIT", help="Unit of the amount, such as N.m, lb.ft, %, kg or lb."
        ),
    ] = "",
    note: Annotated[str, typer.Option("--note", metavar="TEXT", help="Anything worth knowing.")] = "",
) -> None:
    """Log what was done to a unit, and print the event's id."""
    number = None if amount is None else as_number(amount, "--amount")
    with writing(context) as store:
        output.say(store.add_event(unit, kind, on, amount=number, amount_unit=amount_unit, note=note))


def list_events(
    context: typer.Context,
    unit: Annotated[str | None, typer.Option("--unit", metavar="UNIT", help="Only this unit's.")] = None,
    form: FormatOption = Format.table,
) -> None:
    """List the log, unit by unit, oldest first."""
    with reading(context) as store:
        rows = output.frame_rows(store.events(unit))
    output.table(
        rows,
        ["event_id", "unit", "happened_at", "kind", "amount", "amount_unit", "note"],
        form,
        empty="nothing is logged; `driftwatch event add` logs an event",
    )
