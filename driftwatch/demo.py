"""The demo: invented files, a store made from them, and every report, in one folder."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import pandas as pd

from driftwatch.api import Store, as_folder, open_store
from driftwatch.errors import UsageError
from driftwatch.plain import to_json
from driftwatch.simulate.scenario import DemoFiles, write_demo

STORE_NAME = "driftwatch.duckdb"


@dataclass(frozen=True)
class Demo:
    """What was made.

    Attributes
    ----------
    store : Path
    files : tuple of Path
        The invented files that were imported.
    pages : tuple of Path
        The reports to open.
    others : tuple of Path
        The same reports as data, and the assessment.
    units, snapshots, events, quarantined : int
    as_of : date
        The day that the reports are told as of.

    """

    store: Path
    files: tuple[Path, ...]
    pages: tuple[Path, ...]
    others: tuple[Path, ...]
    units: int
    snapshots: int
    events: int
    quarantined: int
    as_of: date


def build_demo(folder: str | Path, progress: Callable[[str, int, int], None] | None = None) -> Demo:
    """Write the invented files, import them, assess the fleet and write the three reports.

    Parameters
    ----------
    folder : path
        Made if missing.
    progress : callable, optional
        Called with what is being done, how much of it is done, and how much there is.

    Raises
    ------
    UsageError
        If the folder holds a store already, or cannot be one.

    """
    target = as_folder(folder)
    path = target / STORE_NAME
    if path.exists():
        raise UsageError("there is a store already", str(path), "give an empty folder")
    files = write_demo(target / "files")
    with open_store(path, create=True) as store:
        quarantined = take_demo(store, files, progress)
        pages = _report(store, files, target / "reports", progress)
        assessment = target / "reports" / "assessment.json"
        said = store.assess(files.as_of, progress=progress)
        assessment.write_text(to_json(said.to_dict()) + "\n", encoding="utf-8")
        records = store.records(files.as_of)
    return Demo(
        store=path,
        files=(files.units, files.snapshots, files.shop_sheet, files.events),
        pages=tuple(p for p in pages if p.suffix == ".html"),
        others=(*(p for p in pages if p.suffix != ".html"), assessment),
        units=len(records.units),
        snapshots=len(records.snapshots),
        events=len(records.events),
        quarantined=quarantined,
        as_of=files.as_of,
    )


def take_demo(store: Store, files: DemoFiles, progress: Callable[[str, int, int], None] | None = None) -> int:
    """Import the invented files into a store, and give how many rows went to quarantine."""
    reports = [
        store.import_file(files.units, progress=progress),
        store.import_file(files.snapshots, progress=progress),
        store.import_file(files.shop_sheet, mapping=files.shop_mapping, progress=progress),
        store.import_file(files.events, progress=progress),
    ]
    return sum(report.quarantined for report in reports)


def _report(
    store: Store, files: DemoFiles, folder: Path, progress: Callable[[str, int, int], None] | None
) -> list[Path]:
    return [
        *store.review(files.month, folder, progress=progress),
        *store.followup(
            files.followup_unit, files.followup_event_on, folder, as_of=files.as_of, progress=progress
        ),
        *store.explain(
            files.owner_unit,
            event=_event(store, files.owner_unit, files.owner_event_kind, files.owner_event_on),
            folder=folder,
            as_of=files.as_of,
            progress=progress,
        ),
    ]


def _event(store: Store, unit: str, kind: str, on: date) -> str:
    """Give the id of the logged event that the owner asks about: the one of that kind nearest to the day."""
    log = store.events(unit)
    log = log[log["kind"] == kind]
    distance = (pd.to_datetime(log["happened_at"]) - pd.Timestamp(on)).abs()
    return str(log["event_id"].iloc[int(distance.argmin())])
