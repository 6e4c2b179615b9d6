"""`driftwatch unit` and `history`: units as a whole."""

from __future__ import annotations

import sys
from typing import Annotated

import typer

from driftwatch.cli import output
from driftwatch.cli.options import FormatOption, reading, writing
from driftwatch.cli.output import Format
from driftwatch.days import as_number
from driftwatch.errors import UsageError

UnitName = Annotated[str, typer.Argument(metavar="UNIT", help="The unit.")]


def list_units(context: typer.Context, form: FormatOption = Format.table) -> None:
    """List the units, with their snapshots counted."""
    with reading(context) as store:
        rows = output.frame_rows(store.unit_list())
    columns = ["unit", "profile", "in_service_on", "site", "snapshots", "last_at_local", "odometer_km"]
    output.table(rows, columns, form, empty="there is no unit; `driftwatch import` takes a units file")


def history(context: typer.Context, unit: UnitName, form: FormatOption = Format.table) -> None:
    """Tell how a unit's data came to be: files, corrections with old and new value, log, quarantine."""
    with reading(context) as store:
        rows = output.frame_rows(store.history(unit))
    columns = ["at_utc", "who", "what", "about", "field", "old_value", "new_value", "file", "line"]
    if form is not Format.table:
        columns += ["old_file", "old_line"]
    output.table(rows, columns, form, empty="nothing is known of it")


def delete(
    context: typer.Context,
    unit: UnitName,
    reason: Annotated[str, typer.Option("--reason", metavar="TEXT", help="Why, for the record.")],
    yes: Annotated[
        bool, typer.Option("--yes", help="Do it without asking; needed where nobody can be asked.")
    ] = False,
) -> None:
    """Delete all data of a unit for good, and log that it was done, by whom and why.

    The store's file is written anew, so that nothing of them is left in it. Copies made before still have
    them. Rows of that unit in later files go to quarantine, until `unit readmit`.
    """
    if not yes and not _agreed(f"Delete all data of unit {unit} for good?"):
        raise typer.Abort
    with writing(context) as store:
        told = store.delete_unit(unit, reason)
    output.say(
        f"deleted unit {told.unit}: {told.snapshots} snapshots, {told.readings} readings, "
        f"{told.events} events, {told.quarantined} rows in quarantine"
    )


def _agreed(question: str) -> bool:
    try:
        return typer.confirm(question)
    except typer.Abort:
        if sys.stdin.isatty():  # somebody was there, and stopped it
            raise
        raise UsageError("nobody can be asked here, and nothing was deleted", do="give --yes") from None


def readmit(context: typer.Context, unit: UnitName) -> None:
    """Let a unit whose data were deleted come in again."""
    with writing(context) as store:
        store.readmit_unit(unit)
    output.say(f"unit {unit} may come in again: import its files")


def profile(
    context: typer.Context,
    units: Annotated[list[str], typer.Argument(metavar="UNIT...", help="The units.")],
    to: Annotated[str, typer.Option("--to", metavar="PROFILE", help="Name of a profile in the store.")],
) -> None:
    """Let units use another profile, all of them or none; which they had stays on record.

    Their readings must fit it: the same units of measure, and no pack, shift or mode less.
    """
    with writing(context) as store:
        moved = store.change_profile(units, to)
    output.say(f"{moved} unit(s) moved to profile {to}")


def odometer(
    context: typer.Context,
    unit: UnitName,
    on: Annotated[
        str,
        typer.Option("--on", metavar="DATE", help="When it was replaced, as 2026-03-14 or 2026-03-14T09:20."),
    ],
    was: Annotated[str, typer.Option("--was", metavar="NUMBER", help="What the old odometer showed then.")],
    reads: Annotated[
        str, typer.Option("--reads", metavar="NUMBER", help="What the new one showed when it was put in.")
    ] = "0",
    measure: Annotated[str, typer.Option("--in", metavar="km|mi", help="Unit of both readings.")] = "km",
) -> None:
    """Say that a unit's odometer was replaced: what it had run before is added to later readings.

    Stored snapshots since then are set right, and rows in quarantine that fit with that are taken.
    """
    from driftwatch.quantities import to_unit

    if measure not in ("km", "mi"):
        raise UsageError(f"{measure!r} does not fit", "--in", "give km or mi")
    old, new = (
        to_unit(as_number(text, name), measure, "km") for text, name in ((was, "--was"), (reads, "--reads"))
    )
    with writing(context) as store:
        changed, notes = store.replace_odometer(unit, on, old, new)
    output.say(f"noted; {changed} stored snapshot(s) set right")
    for text in notes:
        output.note(text)
