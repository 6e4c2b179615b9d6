"""`driftwatch event`: the log of what was done to a unit."""

from __future__ import annotations

from typing import Annotated

import typer

from driftwatch.cli import output
from driftwatch.cli.options import FormatOption, reading, writing
from driftwatch.cli.output import Format
from driftwatch.days import as_number
from driftwatch.errors import UsageError

EventId = Annotated[str, typer.Argument(metavar="ID", help="The entry, by its id in `event list`.")]


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


def correct(
    context: typer.Context,
    event: EventId,
    on: Annotated[str | None, typer.Option("--on", metavar="DATE", help="Its right day or time.")] = None,
    kind: Annotated[str | None, typer.Option("--kind", metavar="KIND", help="Its right kind.")] = None,
    amount: Annotated[
        str | None, typer.Option("--amount", metavar="NUMBER", help="Its right amount; '' takes it away.")
    ] = None,
    amount_unit: Annotated[
        str | None, typer.Option("--amount-unit", metavar="UNIT", help="Unit of the amount.")
    ] = None,
    note: Annotated[
        str | None, typer.Option("--note", metavar="TEXT", help="Its right note; '' takes it away.")
    ] = None,
) -> None:
    """Correct an entry of the log. What it was stays on record, and a later file does not bring it back."""
    told = {"happened_at": on, "kind": kind, "amount": amount, "amount_unit": amount_unit, "note": note}
    changes = {name: text for name, text in told.items() if text is not None}
    if not changes:
        raise UsageError(
            "nothing is to be corrected", do="give --on, --kind, --amount, --amount-unit or --note"
        )
    with writing(context) as store:
        changed = store.correct_event(event, changes)
    output.say(f"corrected entry {event}" if changed else f"entry {event} was so already")


def retract(
    context: typer.Context,
    event: EventId,
    reason: Annotated[str, typer.Option("--reason", metavar="TEXT", help="Why, for the record.")],
) -> None:
    """Take an entry out of the log. What it was stays on record, and a later file does not bring it back."""
    with writing(context) as store:
        store.retract_event(event, reason)
    output.say(f"retracted entry {event}")


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
