"""`driftwatch unit` and `history`: units as a whole."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Annotated

import typer

from driftwatch.cli import output
from driftwatch.cli.options import FormatOption, reading, writing
from driftwatch.cli.output import Format
from driftwatch.days import as_number
from driftwatch.errors import NotConfirmed, UsageError

Anyway = Annotated[
    bool, typer.Option("--anyway", help="Do it although it looks wrong, where you know that it is right.")
]
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
    anyway: Anyway = False,
) -> None:
    """Let units use another profile, all of them or none; which they had stays on record.

    Their readings must fit it: the same units of measure, and no pack, shift or mode less. Where it seems to
    be another transmission all the same, it has to be confirmed with --anyway: shifts of the same name that
    work with other packs, or volumes far outside what the profile has a pack at, from new to its limit.
    """
    with _confirmable(), writing(context) as store:
        moved = store.change_profile(units, to, anyway=anyway)
    from driftwatch.reporting.texts import count

    output.say(f"{count(moved, 'unit')} moved to profile {to}")


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
    instead_of: Annotated[
        str | None,
        typer.Option(
            "--instead-of",
            metavar="DATE",
            help="Put right what was noted for that day or time; it stays on record.",
        ),
    ] = None,
    anyway: Anyway = False,
) -> None:
    """Say that a unit's odometer was replaced: what it had run before is added to later readings.

    Stored snapshots since then are set right, and rows in quarantine that fit with that are taken. It is held
    against the readings before and after: what they contradict is refused, and what would be unusually far
    has to be confirmed with --anyway. `unit odometer-retract` takes it back; `history` tells what is noted.
    """
    from driftwatch.quantities import to_unit

    if measure not in ("km", "mi"):
        raise UsageError(f"{measure!r} does not fit", "--in", "give km or mi")
    old, new = (
        to_unit(as_number(text, name), measure, "km") for text, name in ((was, "--was"), (reads, "--reads"))
    )
    with _confirmable(), writing(context) as store:
        changed, notes = store.replace_odometer(unit, on, old, new, instead_of=instead_of, anyway=anyway)
    output.say(f"noted; {_set_right(changed)}")
    for text in notes:
        output.note(text)


def odometer_retract(
    context: typer.Context,
    unit: UnitName,
    on: Annotated[str, typer.Option("--on", metavar="DATE", help="The day or time that was noted.")],
    reason: Annotated[str, typer.Option("--reason", metavar="TEXT", help="Why, for the record.")],
) -> None:
    """Take back that a unit's odometer was replaced. What was noted stays on record.

    Stored snapshots since then are set right again. Where some of them fit only with the new odometer, this
    is refused: put the day and the readings right with `unit odometer --instead-of`.
    """
    with writing(context) as store:
        changed, notes = store.retract_odometer(unit, on, reason)
    output.say(f"taken back; {_set_right(changed)}")
    for text in notes:
        output.note(text)


@contextmanager
def _confirmable() -> Iterator[None]:
    """Say how what looks wrong is confirmed on the command line."""
    try:
        yield
    except NotConfirmed as doubt:
        raise NotConfirmed(doubt.what, doubt.where, f"{doubt.do} with --anyway") from None


def _set_right(changed: int) -> str:
    from driftwatch.reporting.texts import count

    return f"{count(changed, 'stored snapshot')} {'was' if changed == 1 else 'were'} set right"
