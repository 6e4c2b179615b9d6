"""`init`, `check`, `backup`, `restore`, `migrations`, `export`, `settings`: the store itself."""

from __future__ import annotations

from dataclasses import fields
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from driftwatch.cli import output
from driftwatch.cli.options import FormatOption, db_path, door, reading, writing
from driftwatch.cli.output import Format
from driftwatch.errors import UsageError


class FileForm(StrEnum):
    """Form of exported files."""

    parquet = "parquet"
    csv = "csv"


def init(
    context: typer.Context,
    zone: Annotated[
        str,
        typer.Option(
            "--zone", metavar="ZONE", help="Time zone of times written without an offset (IANA name)."
        ),
    ] = "UTC",
) -> None:
    """Make an empty store."""
    from driftwatch.settings import Settings

    path = db_path(context)
    if path.exists():
        raise UsageError("is there already", str(path), "give another --db, or use it as it is")
    Settings().with_value("zone", zone)  # before the file is made, so that a slip leaves nothing behind
    with writing(context, create=True) as store:
        if zone != store.settings.zone:
            store.change_setting("zone", zone)
    output.say(f"made an empty store: {path}")


def check(context: typer.Context, form: FormatOption = Format.table) -> None:
    """Look for damage and contradictions in the store.

    Exit code 5 if there are any.
    """
    with reading(context) as store:
        found = store.check()
    rows = [{"code": p.code, "where": p.where, "what": p.what} for p in found]
    output.table(rows, ["code", "where", "what"], form, empty=f"{db_path(context)}: whole")
    if found:
        output.note(f"driftwatch: {db_path(context)}: {len(found)} problem(s) found - restore it from a copy")
        raise typer.Exit(5)


def backup(
    context: typer.Context,
    file: Annotated[
        Path, typer.Argument(metavar="FILE", help="The copy to make; its folder is made if missing.")
    ],
) -> None:
    """Copy the store into a new file, also while it is in use, and see that the copy is whole."""
    from driftwatch.store.backup import backup as copy

    told = door(context)
    output.say(f"copied {told.db} to {copy(told.db, file, wait=told.wait)}, and read the copy through: whole")


def restore(
    context: typer.Context,
    file: Annotated[Path, typer.Argument(metavar="FILE", help="A copy made by `backup`.")],
    replace: Annotated[
        bool,
        typer.Option("--replace", help="Put a store that is there aside, under another name."),
    ] = False,
) -> None:
    """Bring a copy back as the store, after reading it through; a damaged one is refused."""
    from driftwatch.store.backup import restore as bring_back

    store, aside = bring_back(file, db_path(context), replace=replace)
    output.say(f"brought {file} back as {store}")
    if aside is not None:
        output.say(f"the store that was there is now {aside}")


def migrations(context: typer.Context, form: FormatOption = Format.table) -> None:
    """List the steps of the store's layout: those taken, when and by which version, and those to come.

    Changes nothing: a store is brought up to date when a command next opens it for writing.
    """
    from driftwatch.store.database import listed_migrations

    told = door(context)
    steps = listed_migrations(told.db, told.wait)
    rows = [
        {
            "number": s.number,
            "name": s.name,
            "state": s.state,
            "applied_at_utc": s.applied_at_utc,
            "made_by": s.made_by,
        }
        for s in steps
    ]
    output.table(rows, ["number", "name", "state", "applied_at_utc", "made_by"], form)


def export(
    context: typer.Context,
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="Folder for the files; made if missing.")],
    what: Annotated[
        list[str] | None,
        typer.Option(
            "--what",
            metavar="WHAT",
            help="units, snapshots, events, files, quarantine, audit, odometers, settings, profiles or "
            "fitted; may be repeated. All if left out.",
        ),
    ] = None,
    form: Annotated[
        FileForm, typer.Option("--as", metavar="parquet|csv", help="Form of the files.")
    ] = FileForm.parquet,
    as_of: Annotated[
        str | None,
        typer.Option("--as-of", metavar="DATE", help="Fitted values as of that day; today if left out."),
    ] = None,
) -> None:
    """Write stored data and fitted values as Parquet or CSV, one file each."""
    with reading(context) as store, output.progress() as show:
        written = store.export(folder, what=what, fmt=form.value, as_of=as_of, progress=show)
    for path in written:
        output.say(str(path))


def list_settings(context: typer.Context, form: FormatOption = Format.table) -> None:
    """List every setting with its value, default, unit and reason."""
    with reading(context) as store:
        settings = store.settings
    rows = [
        {
            "name": f.name,
            "value": getattr(settings, f.name),
            "default": f.default,
            "unit": f.metadata["unit"],
            "reason": f.metadata["reason"],
        }
        for f in fields(settings)
    ]
    output.table(rows, ["name", "value", "default", "unit", "reason"], form)


def set_setting(
    context: typer.Context,
    name: Annotated[str, typer.Argument(metavar="NAME", help="As `settings list` names it.")],
    value: Annotated[str, typer.Argument(metavar="VALUE", help="In the setting's unit.")],
) -> None:
    """Change one setting of this store."""
    with writing(context) as store:
        store.change_setting(name, value)
        settings = store.settings
    now, unit = getattr(settings, name), {f.name: f.metadata["unit"] for f in fields(settings)}[name]
    output.say(f"{name} = {now}" if isinstance(now, str) else f"{name} = {now:.12g} ({unit})")
