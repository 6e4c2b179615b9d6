"""`assess` and `alerts`: what is said of each unit, and who is needed where."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from driftwatch.cli import output
from driftwatch.cli.options import AsOf, FormatOption, reading
from driftwatch.cli.output import Format
from driftwatch.cli.wording import Dates, Units, worded

if TYPE_CHECKING:
    from driftwatch.assessment.results import Assessment
    from driftwatch.reporting.context.review import WorkItem

ALERTS_LISTED = 10
#: Units that are named before the rest is only counted.
NAMED = 4


class Level(StrEnum):
    """Least service state of a clutch that is listed."""

    watch = "watch"
    plan = "plan"
    due = "due"


def assess(
    context: typer.Context,
    as_of: AsOf = None,
    unit: Annotated[
        list[str] | None, typer.Option("--unit", metavar="UNIT", help="Only this unit; may be repeated.")
    ] = None,
    out: Annotated[
        Path | None, typer.Option("--out", metavar="FILE", help="Write to a file instead.")
    ] = None,
    form: Annotated[
        Format,
        typer.Option("--format", metavar="table|json|csv", help="All of it as JSON, or one row a unit."),
    ] = Format.json,
    units: Units = None,
    dates: Dates = None,
) -> None:
    """Assess the units: what changed, why, how sure, and how far each clutch still has to go."""
    if out is not None:
        output.possible_file(out)
    with reading(context) as store, worded(store, units, dates), output.progress() as show:
        assessment = store.assess(as_of, units=unit or None, progress=show)
    if form is Format.json:
        text = output.to_json(assessment.to_dict())
    else:
        frame = assessment.to_frame("units")
        columns = ["unit", "state", "snapshots", "last", "odometer_km", "sentence"]
        text = output.table_text(
            output.frame_rows(frame), columns if form is Format.table else list(frame.columns), form
        )
    if out is None:
        output.say(text)
    else:
        out.write_text(text + "\n", encoding="utf-8")
        output.note(f"wrote {out}")


def alerts(
    context: typer.Context,
    as_of: AsOf = None,
    at_least: Annotated[
        Level,
        typer.Option(
            "--at-least", metavar="watch|plan|due", help="Least service state of a clutch that is listed."
        ),
    ] = Level.plan,
    exit_code: Annotated[
        bool, typer.Option("--exit-code", help="Leave with exit code 10 if anything is listed.")
    ] = False,
    form: FormatOption = Format.table,
    units: Units = None,
    dates: Dates = None,
) -> None:
    """List what needs someone now, most urgent first.

    These are clutches near their limit, and whatever needs an inspection: a learned value at the end of its
    range, packs that overlap, falling supply pressure, or a change that nothing explains. A remark says of
    how many units nothing could be told, for want of readings.
    """
    with reading(context) as store, worded(store, units, dates), output.progress() as show:
        rows = [_row(item) for item in store.alerts(as_of, at_least=at_least.value, progress=show)]
        empty, remarks = _unknown(store.assess(as_of, progress=show), store.settings.stale_days)
    columns = ["unit", "site", "urgency", "kind", "clutch", "by_when", "reason"]
    if form is Format.csv:
        columns = ["unit", "site", "urgency", "kind", "clutch", "by_when", "due_p10", "due_p50", "due_p90"]
        columns += ["chance", "how_sure", "reason", "check"]
    output.table(rows, columns, form, empty=empty)
    for text in remarks:
        output.note(text)
    if rows and exit_code:
        raise typer.Exit(ALERTS_LISTED)


def _unknown(said: Assessment, stale_days: float) -> tuple[str, list[str]]:
    """Say what an empty list means, and of which units nothing, or nothing of late, is known.

    An empty list of units that could not be judged must not read as if they were well.
    """
    from driftwatch.reporting.texts import count
    from driftwatch.wording import day, listed

    fleet, on = count(len(said.units), "unit"), day(said.as_of)
    unread = [u.unit for u in said.units if not u.snapshots]
    few = [u.unit for u in said.units if u.state == "too_few" and u.snapshots]
    old = [u.unit for u in said.units if any(c.kind == "stale" for c in u.cautions)]
    if not said.units:
        return f"nothing can be said: no unit was known by {on}", []
    why = [f"{len(unread)} without a snapshot by {on} ({listed(unread, NAMED)})"] if unread else []
    why += [f"{len(few)} with too few readings ({listed(few, NAMED)})"] if few else []
    remarks = []
    if why:
        remarks.append(f"{len(unread) + len(few)} of {fleet} could not be judged: {', '.join(why)}")
    if old:
        remarks.append(
            f"{len(old)} of {fleet} not read for more than {stale_days:g} days ({listed(old, NAMED)})"
        )
    if len(unread) + len(few) == len(said.units):
        return "nothing can be said of any unit", remarks
    return "nothing needs anyone now" + (", of the units that could be judged" if why else ""), remarks


def _row(item: WorkItem) -> dict[str, Any]:
    return {
        "unit": item.unit,
        "site": item.site,
        "urgency": item.urgency,
        "kind": item.kind,
        "clutch": item.clutch,
        "reason": item.reason,
        "by_when": item.by_when,
        "due_p10": item.early,
        "due_p50": item.middle,
        "due_p90": item.late,
        "chance": item.chance,
        "how_sure": item.sure,
        "check": item.check,
    }
