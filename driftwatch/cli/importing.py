"""`import`, `mapping draft`, `quarantine list`: files into the store."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from driftwatch.cli import output
from driftwatch.cli.options import FormatOption, db_path, reading
from driftwatch.cli.output import Format
from driftwatch.errors import DriftwatchError, UsageError

if TYPE_CHECKING:
    from driftwatch.api import Store
    from driftwatch.inputs import ImportOutcome
    from driftwatch.store.report import ImportReport

#: Rows named one by one after an import; the rest is counted, and stands in the quarantine.
NAMED_ROWS = 10


class Kind(StrEnum):
    """What a file is."""

    units = "units"
    snapshots = "snapshots"
    events = "events"


def import_files(
    context: typer.Context,
    files: Annotated[list[str], typer.Argument(metavar="FILE...", help="CSV, XLSX or Parquet files.")],
    kind: Annotated[
        Kind | None,
        typer.Option(
            "--as",
            metavar="units|snapshots|events",
            help="What the files are; recognised by their columns if left out.",
        ),
    ] = None,
    mapping: Annotated[
        Path | None,
        typer.Option("--mapping", metavar="FILE", help="Mapping (TOML) for wide files."),
    ] = None,
    profile: Annotated[
        Path | None, typer.Option("--profile", metavar="FILE", help="Profile (TOML) that the units use.")
    ] = None,
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Say what would happen; change nothing.")
    ] = False,
    strict: Annotated[
        bool, typer.Option("--strict", help="Refuse a file if any of its rows would go to quarantine.")
    ] = False,
    form: FormatOption = Format.table,
) -> None:
    """Take files in: units first, then snapshots, then events. Each file is taken all or nothing.

    A file that cannot be understood is refused, and the others are still taken. A row that cannot be right
    goes to quarantine with its reason. The same file again changes nothing. A missing store is made.

    Exit code 3 if rows went to quarantine (or, with --strict, a file was refused for them), 4 if a file could
    not be understood.
    """
    from driftwatch.inputs import read_inputs, refused

    inputs = read_inputs(files, kind.value if kind else None, mapping, profile)
    if any(not isinstance(batch, DriftwatchError) for _, batch in inputs):
        with _target(context, dry_run) as store, output.progress() as show:
            outcomes = store.take(inputs, strict=strict, dry_run=dry_run, progress=show)
    else:
        outcomes = refused(inputs)
    _tell(outcomes, form, dry_run)
    worst = max(outcome.exit_code for outcome in outcomes)
    if worst:
        raise typer.Exit(worst)


def draft(
    context: typer.Context,
    file: Annotated[str, typer.Argument(metavar="FILE", help="A wide file: one row a snapshot.")],
    profile: Annotated[
        str, typer.Option("--profile", metavar="PROFILE", help="Name or file of the units' profile.")
    ] = "generic-6",
    out: Annotated[
        Path | None, typer.Option("--out", metavar="FILE", help="Write to a file instead of printing.")
    ] = None,
    sheet: Annotated[str | None, typer.Option("--sheet", metavar="NAME", help="Sheet of a workbook.")] = None,
) -> None:
    """Draft a mapping from a wide file's header, to be corrected by hand."""
    from driftwatch.cli.profiles import _find
    from driftwatch.intake.draft import draft_mapping
    from driftwatch.intake.readers import read_table

    if out is not None:
        output.possible_file(out)
    text = draft_mapping(read_table(file, sheet=sheet), _find(context, profile)).to_toml()
    if out is None:
        output.say(text.rstrip("\n"))
        return
    try:
        with out.open("x", encoding="utf-8") as target:
            target.write(text)
    except FileExistsError:
        raise UsageError("is there already", str(out), "give another --out, or remove it first") from None
    output.note(f"wrote {out}; correct it, then run `driftwatch import {file} --mapping {out}`")


def quarantine(
    context: typer.Context,
    form: FormatOption = Format.table,
) -> None:
    """List rows that could not be right, each with its file, line and reason."""
    with reading(context) as store:
        frame = store.quarantine()
    columns = ["file", "line", "reason"] if form is Format.table else [str(c) for c in frame.columns]
    output.table(output.frame_rows(frame), columns, form, empty="the quarantine is empty")


@contextmanager
def _target(context: typer.Context, dry_run: bool) -> Iterator[Store]:
    """Open the store, made if missing; for a dry run without one, a store that is thrown away."""
    from driftwatch.api import open_store

    path = db_path(context)
    if path.exists():
        with open_store(path) as store:
            yield store
    elif dry_run:
        with (
            tempfile.TemporaryDirectory() as folder,
            open_store(Path(folder) / "dry.duckdb", create=True) as store,
        ):
            yield store
    else:
        with open_store(path, create=True) as store:
            output.note(f"made a new store: {path}")
            yield store


def _tell(outcomes: list[ImportOutcome], form: Format, dry_run: bool) -> None:
    rows = [_row(outcome) for outcome in outcomes]
    columns = ["file", "kind", "rows", "new", "same", "corrected", "quarantined", "refused"]
    if form is not Format.table or any(outcome.report is not None for outcome in outcomes):
        output.table(rows, columns, form)
    for outcome in outcomes:
        if outcome.error is not None:
            output.note(f"driftwatch: {outcome.error}")
        elif outcome.report is not None:
            for text in outcome.report.notes:
                output.note(f"{outcome.file}: {text}")
            _name_problems(outcome.file, outcome.report)
    if dry_run:
        output.note("dry run: nothing was changed")


def _row(outcome: ImportOutcome) -> dict[str, Any]:
    row: dict[str, Any] = {} if outcome.report is None else dict(outcome.report.to_dict())
    return {**row, "file": outcome.file, "refused": None if outcome.error is None else str(outcome.error)}


def _name_problems(file: str, report: ImportReport) -> None:
    problems = report.problems.head(NAMED_ROWS)
    for line, reason in zip(problems["line"], problems["reason"], strict=True):
        output.note(f"{file}: line {line}: {reason}")
    rest = report.quarantined - len(problems)
    if rest > 0:
        output.note(f"{file}: {rest} more row(s) in quarantine - `driftwatch quarantine list` names them all")
