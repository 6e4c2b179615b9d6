"""Every command at a glance. What a command does stands in the module of its group."""

from __future__ import annotations

from importlib import metadata
from pathlib import Path
from typing import Annotated, Any

import typer

from driftwatch.cli import (
    assessing,
    backtesting,
    events,
    importing,
    mappings,
    profiles,
    quarantine,
    reports,
    serving,
    stores,
    units,
)
from driftwatch.cli.options import BY_VARIABLE, DB_VARIABLE, DEFAULT_DB, Door

_PLAIN: dict[str, Any] = {
    "rich_markup_mode": None,
    "add_completion": False,
    "pretty_exceptions_enable": False,
}

#: A value below zero is a value, not an option; the setting itself says what it may be.
_PARSED = {stores.set_setting: {"ignore_unknown_options": True}}

app = typer.Typer(
    name="driftwatch",
    no_args_is_help=False,
    help="Reads the learned values of clutch-to-clutch automatic transmissions over time, and tells wear "
    "of one pack from a change of power, load, fluid or supply pressure.",
    epilog="Start with `driftwatch demo`, or with `driftwatch import units.csv snapshots.csv events.csv`.",
    **_PLAIN,
)


def _version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"driftwatch {metadata.version('driftwatch-transmission')}")
        raise typer.Exit


@app.callback()
def options(
    context: typer.Context,
    db: Annotated[
        Path,
        typer.Option("--db", metavar="PATH", envvar=DB_VARIABLE, help="The store's file.", show_default=True),
    ] = Path(DEFAULT_DB),
    wait: Annotated[
        float,
        typer.Option(
            "--wait",
            metavar="[SECONDS]",
            min=0,
            help="Wait where another process has the store; may stand anywhere, 600 s without a number.",
        ),
    ] = 0,
    by: Annotated[
        str,
        typer.Option(
            "--by",
            metavar="NAME",
            envvar=BY_VARIABLE,
            help="Who does it, for the record; whoever is logged in if left out.",
        ),
    ] = "",
    known_at: Annotated[
        str | None,
        typer.Option(
            "--known-at",
            metavar="DATE",
            help="Read the store as it was at the end of that day, or at that time: later imports and "
            "corrections taken back.",
        ),
    ] = None,
    version: Annotated[  # noqa: ARG001 - acted on by its callback
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Say the version and leave.")
    ] = False,
) -> None:
    """Take the options that stand before the command."""
    context.obj = Door(db, wait, by, known_at)


def _group(name: str, about: str, commands: dict[str, Any]) -> None:
    group = typer.Typer(name=name, help=about, no_args_is_help=False, **_PLAIN)
    for word, (function, example) in commands.items():
        group.command(word, epilog=f"Example: {example}", context_settings=_PARSED.get(function))(function)
    # A callback keeps a group of one command a group.
    group.callback()(lambda: None)
    app.add_typer(group)


def _command(name: str, function: Any, example: str, hidden: bool = False) -> None:
    app.command(name, epilog=f"Example: {example}", hidden=hidden)(function)


_command("demo", reports.demo, "driftwatch demo my-demo")
_command("init", stores.init, "driftwatch --db fleet.duckdb init --zone Etc/GMT-1")
_command("check", stores.check, "driftwatch check")
_command("backup", stores.backup, "driftwatch backup copies/fleet-2026-06-30.duckdb")
_command("restore", stores.restore, "driftwatch restore copies/fleet-2026-06-30.duckdb --replace")
_command("migrations", stores.migrations, "driftwatch migrations")
_group(
    "profile",
    "Transmissions as data: packs, shifts, modes, signals and limits.",
    {
        "list": (profiles.list_profiles, "driftwatch profile list"),
        "show": (profiles.show, "driftwatch profile show generic-6"),
        "check": (profiles.check, "driftwatch profile check my-transmission.toml"),
        "new": (profiles.new, "driftwatch profile new my-transmission --from generic-6"),
    },
)
_command("import", importing.import_files, "driftwatch import units.csv snapshots.csv events.csv")
_group(
    "mapping",
    "How a wide file (one row a snapshot) is read.",
    {
        "draft": (
            mappings.draft,
            "driftwatch mapping draft workshop.xlsx --profile generic-6 --out workshop.toml",
        ),
        "check": (mappings.check, "driftwatch mapping check workshop.xlsx --mapping workshop.toml"),
    },
)
_command("template", mappings.template, "driftwatch template --profile generic-6 --out reading.xlsx")
_group(
    "quarantine",
    "Rows of imported files that could not be right.",
    {
        "list": (quarantine.list_rows, "driftwatch quarantine list --code unknown_unit"),
        "fix": (quarantine.fix, "driftwatch quarantine fix 12 13 --set unit=unit-07"),
        "drop": (quarantine.drop, "driftwatch quarantine drop --file march.csv --note 'test rows'"),
    },
)
_group(
    "unit",
    "Units as a whole.",
    {
        "list": (units.list_units, "driftwatch unit list"),
        "delete": (units.delete, "driftwatch unit delete unit-07 --reason 'asked for by its owner'"),
        "readmit": (units.readmit, "driftwatch unit readmit unit-07"),
        "profile": (units.profile, "driftwatch unit profile unit-07 unit-08 --to my-transmission"),
        "odometer": (
            units.odometer,
            "driftwatch unit odometer unit-07 --on 2026-05-20 --was 66900 --reads 12",
        ),
        "odometer-retract": (
            units.odometer_retract,
            "driftwatch unit odometer-retract unit-07 --on 2026-05-20 --reason 'was unit-08'",
        ),
    },
)
_command("history", units.history, "driftwatch history unit-07")
_group(
    "event",
    "The log of what was done to a unit.",
    {
        "add": (
            events.add,
            "driftwatch event add unit-07 power --on 2026-03-14 --amount 80 --amount-unit N.m --note tuned",
        ),
        "correct": (
            events.correct,
            "driftwatch event correct E0012 --on 2026-03-12 --note 'fluid and filter'",
        ),
        "retract": (events.retract, "driftwatch event retract E0012 --reason 'was another vehicle'"),
        "list": (events.list_events, "driftwatch event list --unit unit-07"),
    },
)
_command("assess", assessing.assess, "driftwatch assess --unit unit-07 --as-of 2026-06-30")
_command("alerts", assessing.alerts, "driftwatch alerts --at-least plan --exit-code")
_command("backtest", backtesting.backtest, "driftwatch backtest --from 2025-01-31 --to 2026-07-31 --every 3")
_command("review", reports.review, "driftwatch review --month 2026-06 --out reports")
_command("followup", reports.followup, "driftwatch followup unit-07 --since 2026-03-14 --out reports")
_command("explain", reports.explain, "driftwatch explain unit-07 --on 2026-03-14 --out reports")
_command("serve", serving.serve, "driftwatch serve --port 8712")
_command("export", stores.export, "driftwatch export out --what snapshots --what fitted --as csv")
_group(
    "settings",
    "What can be set for a store.",
    {
        "list": (stores.list_settings, "driftwatch settings list"),
        "set": (stores.set_setting, "driftwatch settings set plan_km 20000"),
    },
)
_command(
    "command-reference", lambda: _reference(), "driftwatch command-reference > docs/commands.md", hidden=True
)


def _reference() -> None:
    """Print the reference of all commands as Markdown."""
    from driftwatch.cli.output import say
    from driftwatch.cli.reference import reference

    say(reference(app).rstrip("\n"))
