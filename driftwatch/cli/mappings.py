"""`mapping draft`, `mapping check`, `template`: sheets of other forms, and a form of our own."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from driftwatch.cli import output
from driftwatch.cli.options import FormatOption
from driftwatch.cli.output import Format
from driftwatch.cli.profiles import _find
from driftwatch.errors import UsageError

ProfileName = Annotated[
    str, typer.Option("--profile", metavar="PROFILE", help="Name or file of the units' profile.")
]


def draft(
    context: typer.Context,
    file: Annotated[str, typer.Argument(metavar="FILE", help="A wide file: one row a snapshot.")],
    profile: ProfileName = "generic-6",
    out: Annotated[
        Path | None, typer.Option("--out", metavar="FILE", help="Write to a file instead of printing.")
    ] = None,
    sheet: Annotated[str | None, typer.Option("--sheet", metavar="NAME", help="Sheet of a workbook.")] = None,
) -> None:
    """Draft a mapping from a wide file's header and first rows, to be corrected by hand."""
    from driftwatch.intake.draft import draft_mapping
    from driftwatch.intake.readers import read_table
    from driftwatch.reporting.texts import count

    if out is not None:
        output.possible_file(out)
    drafted = draft_mapping(read_table(file, sheet=sheet), _find(context, profile))
    text = drafted.to_toml()
    if out is None:
        output.say(text.rstrip("\n"))
        return
    try:
        with out.open("x", encoding="utf-8") as target:
            target.write(text)
    except FileExistsError:
        raise UsageError("is there already", str(out), "give another --out, or remove it first") from None
    doubts = count(text.count("\n# not "), "place")
    output.note(f"wrote {out}: {count(len(drafted.cells), 'cell')}, {doubts} to look at, marked `# not`")
    output.note(f"then: driftwatch mapping check {file} --mapping {out} --profile {profile}")


def check(
    context: typer.Context,
    file: Annotated[str, typer.Argument(metavar="FILE", help="The wide file.")],
    mapping: Annotated[Path, typer.Option("--mapping", metavar="FILE", help="The mapping (TOML).")],
    profile: ProfileName = "generic-6",
    form: FormatOption = Format.table,
) -> None:
    """Try a mapping on a file and a profile, and say column by column what it makes of it; writes nothing.

    Exit code 4 if the mapping cannot be used as it is.
    """
    from driftwatch.intake.mapping import Mapping
    from driftwatch.intake.mapping_check import check_mapping
    from driftwatch.intake.readers import read_tables

    known = Mapping.read(mapping)
    rows = check_mapping(read_tables(file, sheet=known.sheet or None), known, _find(context, profile))
    columns = ["column", "is", "filled", "wrong", "least", "most", "unit", "says"]
    output.table([row.to_dict() for row in rows], columns, form)
    wrong = [row for row in rows if row.says]
    if any(row.fatal for row in rows):
        output.note(f"driftwatch: {mapping}: cannot be used as it is - correct what the last column says")
        raise typer.Exit(4)
    output.note(f"{mapping}: can be used" + (f"; {len(wrong)} column(s) to look at" if wrong else ""))


def template(
    context: typer.Context,
    out: Annotated[Path, typer.Option("--out", metavar="FILE", help="The workbook (XLSX) to write.")],
    profile: ProfileName = "generic-6",
    unit: Annotated[
        list[str] | None,
        typer.Option("--unit", metavar="UNIT", help="A sheet for this unit; may be repeated."),
    ] = None,
    system: Annotated[
        str, typer.Option("--system", metavar="SI|US", help="Units of measure to write in.")
    ] = "SI",
) -> None:
    """Make a blank reading sheet, to be printed, or filled in and imported as it is.

    One sheet is one reading-out. Copy the sheet within the workbook for more of them.
    """
    from driftwatch.intake.template import write_template

    if out.suffix.lower() != ".xlsx":
        raise UsageError("is no workbook", str(out), "give a name ending in .xlsx")
    output.possible_file(out)
    output.say(str(write_template(out, _find(context, profile), unit or (), system)))
