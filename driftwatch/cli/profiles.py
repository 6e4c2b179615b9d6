"""`driftwatch profile`: the transmissions that can be used, and new ones."""

from __future__ import annotations

from dataclasses import asdict
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from driftwatch.cli import output
from driftwatch.cli.options import FormatOption, db_path, reading
from driftwatch.cli.output import Format
from driftwatch.errors import UnknownName, UsageError

if TYPE_CHECKING:
    from driftwatch.profile.model import Profile


class ShowFormat(StrEnum):
    """How a profile is printed."""

    toml = "toml"
    table = "table"
    json = "json"
    csv = "csv"


NameOrFile = Annotated[
    str, typer.Argument(metavar="NAME", help="A profile's name, or the path of a TOML file.")
]


def list_profiles(context: typer.Context, form: FormatOption = Format.table) -> None:
    """List the built-in profiles and, where there is a store, those in it."""
    rows = [
        {
            "name": name,
            "title": p.title,
            "from": origin,
            "gears": len({g for s in p.shifts for g in s.gears}),
            "packs": len(p.clutches),
            "shifts": len(p.shifts),
            "modes": list(p.modes),
            "limits": p.limit_source,
        }
        for name, (p, origin) in sorted(_known(context).items())
    ]
    output.table(rows, ["name", "title", "from", "gears", "packs", "shifts", "modes", "limits"], form)


def show(
    context: typer.Context,
    name: NameOrFile,
    form: Annotated[
        ShowFormat,
        typer.Option(
            "--format",
            metavar="toml|table|json|csv",
            help="TOML to keep and edit, a table of the packs, JSON, or CSV.",
        ),
    ] = ShowFormat.toml,
) -> None:
    """Print a profile.

    TOML is what a profile file holds, so the output can be kept as a file and edited. The table and the CSV
    list the packs with their limits and the shifts that apply and release them.
    """
    from driftwatch.profile.load import builtin_names, builtin_text, to_toml

    if form is ShowFormat.toml and name in builtin_names() and _known(context)[name][1] == "built in":
        output.say(builtin_text(name).rstrip("\n"))
        return
    profile = _find(context, name)
    if form is ShowFormat.toml:
        output.say(to_toml(profile).rstrip("\n"))
    elif form is ShowFormat.json:
        output.say(
            output.to_json({**asdict(profile), "limits_cm3": {c.id: c.limit_cm3 for c in profile.clutches}})
        )
    else:
        rows = [
            {
                "clutch": c.id,
                "new_cm3": c.new_volume_cm3,
                "limit_cm3": c.limit_cm3,
                "applied_in": [s.id for s in profile.shifts if s.applies == c.id],
                "released_in": [s.id for s in profile.shifts if s.releases == c.id],
            }
            for c in profile.clutches
        ]
        output.table(
            rows, ["clutch", "new_cm3", "limit_cm3", "applied_in", "released_in"], Format(form.value)
        )


def check(context: typer.Context, name: NameOrFile, form: FormatOption = Format.table) -> None:
    """Say whether a profile can be used, and list every contradiction in it.

    Exit code 4 if it cannot be used.
    """
    from driftwatch.profile.checks import notes, problems
    from driftwatch.profile.load import parse_raw, read_text

    profile = parse_raw(read_text(name), name) if _is_path(name) else _find(context, name)
    found = problems(profile)
    rows = [{"kind": "problem", "says": text} for text in found]
    if not found:
        rows += [{"kind": "note", "says": text} for text in notes(profile)]
    output.table(rows, ["kind", "says"], form, empty=f"{name}: nothing to remark")
    if found:
        output.note(f"driftwatch: {name}: cannot be used ({len(found)} to correct)")
        raise typer.Exit(4)
    output.note(f"{name}: can be used")


def new(
    name: Annotated[str, typer.Argument(metavar="NAME", help="Name of the new profile.")],
    base: Annotated[
        str, typer.Option("--from", metavar="PROFILE", help="Built-in profile to start from.")
    ] = "generic-6",
    out: Annotated[
        Path | None, typer.Option("--out", metavar="FILE", help="File to write; NAME.toml if left out.")
    ] = None,
) -> None:
    """Write a profile file of your own to be filled in with the limits of your transmission."""
    from driftwatch.profile.load import template

    path = out or Path(f"{name}.toml")
    output.possible_file(path)
    text = template(name, base)
    try:
        with path.open("x", encoding="utf-8") as file:
            file.write(text)
    except FileExistsError:
        raise UsageError("is there already", str(path), "give another --out, or remove it first") from None
    output.say(str(path))
    output.note(
        f"put the limits of your transmission's service literature into {path}, then run "
        f"`driftwatch profile check {path}` and `driftwatch import --profile {path} units.csv`"
    )


def _is_path(name: str) -> bool:
    return name.lower().endswith(".toml") or "/" in name or "\\" in name or Path(name).is_file()


def _known(context: typer.Context) -> dict[str, tuple[Profile, str]]:
    """Give name -> (profile, where it is from); without a store, only the built-in ones."""
    from driftwatch.profile.load import builtin, builtin_names

    known = {name: (builtin(name), "built in") for name in builtin_names()}
    if db_path(context).exists():
        with reading(context) as store:
            stored = store.profiles()
        known.update({n: (p, "store") for n, p in stored.items() if n not in known or p != known[n][0]})
    return known


def _find(context: typer.Context, name: str) -> Profile:
    from driftwatch.profile.load import read_profile

    if _is_path(name):
        return read_profile(name)
    known: dict[str, Any] = _known(context)
    if name not in known:
        raise UnknownName(f"there is no profile {name!r}", do=f"there are {', '.join(sorted(known))}")
    found: Profile = known[name][0]
    return found
