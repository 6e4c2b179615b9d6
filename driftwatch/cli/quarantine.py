"""`driftwatch quarantine`: rows that were set aside."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Annotated

import typer

from driftwatch.cli import output
from driftwatch.cli.options import FormatOption, reading, writing
from driftwatch.cli.output import Format
from driftwatch.errors import UnknownName, UsageError

if TYPE_CHECKING:
    from driftwatch.api import Store

Numbers = Annotated[
    list[int] | None,
    typer.Argument(metavar="[NUMBER...]", help="Rows, by their number in `quarantine list`."),
]
Unit = Annotated[str | None, typer.Option("--unit", metavar="UNIT", help="All rows of this unit.")]
Code = Annotated[
    str | None, typer.Option("--code", metavar="CODE", help="All rows with this code, such as unknown_unit.")
]
File = Annotated[str | None, typer.Option("--file", metavar="NAME", help="All rows of the file so named.")]


def list_rows(
    context: typer.Context,
    unit: Unit = None,
    code: Code = None,
    file: File = None,
    form: FormatOption = Format.table,
) -> None:
    """List rows that could not be right, each with its number, file, line, cell and reason.

    The cell is the column of a wide file, each filled field of which is one row; else mode, channel, signal.
    """
    with reading(context) as store:
        frame = store.quarantine(unit, code, file)
    rows = [{**row, "cell": _cell(row["raw"])} for row in output.frame_rows(frame)]
    shown = ["quarantine_id", "file", "sheet", "line", "unit", "cell", "code", "reason"]
    if not any(row["sheet"] for row in rows):
        shown.remove("sheet")
    columns = shown if form is Format.table else [*(str(c) for c in frame.columns), "cell"]
    output.table(rows, columns, form, empty="the quarantine is empty")


def _cell(raw: str) -> str:
    """Name what a row was read from; "" where it is no reading."""
    told = {name.casefold(): text for name, text in json.loads(raw).items()}
    return str(told.get("column") or " ".join(told[n] for n in ("mode", "channel", "signal") if told.get(n)))


def fix(
    context: typer.Context,
    numbers: Numbers = None,
    changes: Annotated[
        list[str] | None,
        typer.Option(
            "--set",
            metavar="COLUMN=TEXT",
            help="Put this text into this column; may be repeated. Without it, rows are judged as they are.",
        ),
    ] = None,
    unit: Unit = None,
    code: Code = None,
    file: File = None,
    form: FormatOption = Format.table,
) -> None:
    """Judge rows in quarantine anew, with some fields changed, and take those that can be right now.

    A row that is taken keeps its file and line, and what was changed stays on record. Exit code 3 if a row
    still cannot be right.
    """
    told = dict(_change(text) for text in changes or ())
    with writing(context) as store:
        outcome = store.fix_quarantined(_chosen(store, numbers, unit, code, file), told)
    rows = [{"quarantine_id": number, "became": "taken", "reason": None} for number in outcome.taken]
    rows += [{"quarantine_id": n, "became": "left", "reason": reason} for n, reason in outcome.left]
    output.table(rows, ["quarantine_id", "became", "reason"], form)
    if outcome.left:
        raise typer.Exit(3)


def drop(
    context: typer.Context,
    numbers: Numbers = None,
    unit: Unit = None,
    code: Code = None,
    file: File = None,
    note: Annotated[str, typer.Option("--note", metavar="TEXT", help="Why, for the record.")] = "",
) -> None:
    """Put rows out of quarantine for good. What they were, who dropped them and why stays on record.

    The same rows in a later file are then left out, and counted as known.
    """
    with writing(context) as store:
        dropped = store.drop_quarantined(_chosen(store, numbers, unit, code, file), note)
    from driftwatch.reporting.texts import count

    output.say(f"dropped {count(dropped, 'row')}")


def _change(text: str) -> tuple[str, str]:
    column, sign, value = text.partition("=")
    if not sign or not column.strip():
        raise UsageError(f"{text!r} is no change", "--set", "write it as unit=T-104")
    return column.strip(), value


def _chosen(
    store: Store, numbers: list[int] | None, unit: str | None, code: str | None, file: str | None
) -> list[int]:
    if numbers:
        if (unit, code, file) != (None, None, None):
            raise UsageError("rows are chosen twice", do="give numbers, or --unit, --code and --file")
        return numbers
    if (unit, code, file) == (None, None, None):
        raise UsageError("no row is chosen", do="give numbers, or --unit, --code or --file")
    found = [int(number) for number in store.quarantine(unit, code, file)["quarantine_id"]]
    if not found:
        raise UnknownName("no row in quarantine is so", do="`driftwatch quarantine list` names them")
    return found
