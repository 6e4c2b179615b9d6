"""`review`, `followup`, `explain` and `demo`: reports as files that open without a network."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from driftwatch.cli import output
from driftwatch.cli.options import AsOf, Out, reading
from driftwatch.cli.wording import Dates, Units, worded
from driftwatch.errors import UsageError

HERE = Path()
UnitName = Annotated[str, typer.Argument(metavar="UNIT", help="The unit.")]


def review(
    context: typer.Context,
    month: Annotated[str, typer.Option("--month", metavar="YYYY-MM", help="The month to report on.")],
    out: Out = HERE,
    no_backtest: Annotated[
        bool,
        typer.Option("--no-backtest", help="Leave out how right the program would have been; quicker."),
    ] = False,
    units: Units = None,
    dates: Dates = None,
) -> None:
    """Write the fleet's monthly report: who needs someone, why, by when, and what changed.

    It also says how right the program would have been over the year before: see `backtest`.
    """
    with reading(context) as store, worded(store, units, dates), output.progress() as show:
        _list(store.review(month, out, backtest=not no_backtest, progress=show))


def followup(
    context: typer.Context,
    unit: UnitName,
    since: Annotated[
        str | None,
        typer.Option(
            "--since",
            metavar="DATE/EVENT",
            help="Day or event id of the change; the unit's last event if left out.",
        ),
    ] = None,
    as_of: AsOf = None,
    out: Out = HERE,
    units: Units = None,
    dates: Dates = None,
) -> None:
    """Write the shop's report after a change: did every shift move as it should, and is it learned."""
    with reading(context) as store, worded(store, units, dates), output.progress() as show:
        _list(store.followup(unit, since, out, as_of, progress=show))


def explain(
    context: typer.Context,
    unit: UnitName,
    event: Annotated[
        str | None, typer.Option("--event", metavar="ID", help="The event, by its id in `event list`.")
    ] = None,
    on: Annotated[
        str | None, typer.Option("--on", metavar="DATE", help="The day, where nothing is logged.")
    ] = None,
    as_of: AsOf = None,
    out: Out = HERE,
    units: Units = None,
    dates: Dates = None,
) -> None:
    """Write the owner's answer on one page: whether this change explains how it shifts now.

    Without --event or --on it is about the unit's last event.
    """
    if event is not None and on is not None:
        raise UsageError("--event and --on say the same thing twice", do="give one of them")
    with reading(context) as store, worded(store, units, dates), output.progress() as show:
        _list(store.explain(unit, event, on, out, as_of, progress=show))


def demo(
    folder: Annotated[
        Path, typer.Argument(metavar="[DIR]", help="Folder for it all; made if missing.")
    ] = Path("driftwatch-demo"),
) -> None:
    """Build a store of invented units with all reports, to look at and to try things on."""
    from driftwatch.demo import build_demo

    with output.progress() as show:
        made = build_demo(folder, progress=show)
    output.say(
        f"All of it is invented: {made.units} units, {made.snapshots} snapshots, {made.events} events, "
        f"told as of {made.as_of}."
    )
    output.say("\nThe files, as a workshop and a fleet would hand them over:")
    _list(list(made.files), indent="  ")
    output.say(f"\nThe store ({made.quarantined} rows of the files cannot be right, on purpose):")
    output.say(f"  {made.store}")
    output.say("\nOpen these in a browser:")
    _list(list(made.pages), indent="  ")
    output.say("\nThe same as data:")
    _list(list(made.others), indent="  ")
    output.say(f"\nThen try: driftwatch --db {made.store} alerts --as-of {made.as_of}")


def _list(paths: list[Path], indent: str = "") -> None:
    for path in paths:
        output.say(f"{indent}{path}")
