"""`import`: files into the store."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from driftwatch.cli import output
from driftwatch.cli.options import FormatOption, db_path, writing
from driftwatch.cli.output import Format
from driftwatch.errors import DriftwatchError

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


class Decimal(StrEnum):
    """The decimal sign of a file's numbers."""

    point = "point"
    comma = "comma"


def import_files(
    context: typer.Context,
    files: Annotated[
        list[str],
        typer.Argument(
            metavar="FILE...",
            help="CSV, XLSX or Parquet files; a folder, for the files in it; a pattern such as '*.csv'; or - "
            "for standard input.",
        ),
    ],
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
        typer.Option(
            "--mapping",
            metavar="FILE",
            help="Mapping (TOML) for wide files. One called like the file, but ending in .mapping.toml, is "
            "found by itself.",
        ),
    ] = None,
    profile: Annotated[
        list[Path] | None,
        typer.Option("--profile", metavar="FILE", help="Profile (TOML) that the units use; may be repeated."),
    ] = None,
    decimal: Annotated[
        Decimal | None,
        typer.Option(
            "--decimal",
            metavar="point|comma",
            help="Decimal sign of the files' numbers; found from them if left out.",
        ),
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
    from driftwatch.inputs import found_files, read_inputs, refused

    with output.progress() as show:
        inputs = read_inputs(
            found_files(files),
            kind.value if kind else None,
            mapping,
            profile,
            decimal.value if decimal else None,
            show,
        )
    if any(not isinstance(batches, DriftwatchError) for _, batches in inputs):
        with _target(context, dry_run) as store, output.progress() as show:
            outcomes = store.take(inputs, strict=strict, dry_run=dry_run, progress=show)
    else:
        outcomes = refused(inputs)
    _tell(outcomes, form, dry_run)
    worst = max(outcome.exit_code for outcome in outcomes)
    if worst:
        raise typer.Exit(worst)


@contextmanager
def _target(context: typer.Context, dry_run: bool) -> Iterator[Store]:
    """Open the store, made if missing; for a dry run without one, a store that is thrown away."""
    from driftwatch.api import open_trial

    path = db_path(context)
    if path.exists() or not dry_run:
        made = not path.exists()
        with writing(context, create=True) as store:
            if made:
                output.note(f"made a new store: {path}")
            yield store
        return
    with open_trial(path) as store:
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
            for doubt in outcome.report.doubts[:NAMED_ROWS]:
                output.note(f"{outcome.file}: line {doubt.line}: taken, but please check: {doubt.sentence}")
            _name_corrections(outcome.file, outcome.report)
            _name_problems(outcome.file, outcome.report, dry_run)
    if dry_run:
        output.note("dry run: nothing was changed")


def _row(outcome: ImportOutcome) -> dict[str, Any]:
    row: dict[str, Any] = {} if outcome.report is None else dict(outcome.report.to_dict())
    return {**row, "file": outcome.file, "refused": None if outcome.error is None else str(outcome.error)}


def _name_corrections(file: str, report: ImportReport) -> None:
    from driftwatch.reporting.texts import count

    rows = output.frame_rows(report.corrections.head(NAMED_ROWS))
    for row in rows:
        about = [row[k] for k in ("unit", "at", "event_id", "mode", "channel", "signal", "field") if row[k]]
        was = "not known" if row["old_value"] is None else row["old_value"]
        change = f"{was} becomes {row['new_value']}"
        output.note(f"{file}: line {row['line']}: corrected: {' '.join(map(str, about))}, {change}")
    rest = len(report.corrections) - len(rows)
    if rest > 0:
        output.note(f"{file}: {count(rest, 'more value')} corrected - `driftwatch history UNIT` tells them")


def _name_problems(file: str, report: ImportReport, dry_run: bool) -> None:
    from driftwatch.reporting.texts import count

    problems = report.problems.head(NAMED_ROWS)
    for line, reason in zip(problems["line"], problems["reason"], strict=True):
        output.note(f"{file}: line {line}: {reason}")
    rest = report.quarantined - len(problems)
    if rest > 0:
        where = "--format json" if dry_run else "`driftwatch quarantine list`"
        output.note(f"{file}: {count(rest, 'more row')} in quarantine - {where} names them all")
