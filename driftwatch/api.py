"""The Python door: one class over a store. It finds, hands on and writes; it decides nothing.

>>> import driftwatch
>>> with driftwatch.open("fleet.duckdb", create=True) as store:  # doctest: +SKIP
...     store.import_file("units.csv")
...     store.assess().to_frame("clutches")
"""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Iterable, Sequence
from datetime import date, datetime, timedelta
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any, Literal

from driftwatch.days import Day, as_day, as_moment, month_days
from driftwatch.errors import DriftwatchError, UnknownName, UsageError
from driftwatch.inputs import ImportOutcome, read_input, read_inputs, take

if TYPE_CHECKING:
    import pandas as pd

    from driftwatch.assessment.results import Assessment, UnitAnalysis
    from driftwatch.intake.batch import Batch
    from driftwatch.intake.mapping import Mapping
    from driftwatch.profile.model import Profile
    from driftwatch.reporting.context import WorkItem
    from driftwatch.settings import Settings
    from driftwatch.store.database import Database
    from driftwatch.store.records import Records
    from driftwatch.store.report import ImportReport, Problem

#: Called with what is being done, how much of it is done, and how much there is.
Progress = Callable[[str, int, int], None] | None

#: What `alerts` lists for each service state asked for.
URGENCIES = {
    "watch": ("now", "inspect", "plan", "watch"),
    "plan": ("now", "inspect", "plan"),
    "due": ("now", "inspect"),
}


def open_store(path: str | Path, create: bool = False, read_only: bool = False) -> Store:
    """Open the store of a fleet.

    Parameters
    ----------
    path : path
        The store's file.
    create : bool
        Make an empty store if there is none.
    read_only : bool
        Several processes may read at once; only one may write.

    Raises
    ------
    StoreError
        `StoreMissing`, `StoreNewer`, `StoreBusy` or `StoreDamaged`.

    """
    from driftwatch.store.database import Database

    return Store(Database.open(Path(path), read_only=read_only, create=create))


class Store:
    """A fleet's units, readings, log and settings, and what follows from them.

    Made by `driftwatch.open`; to be closed, best by `with`. Days may be given as `date` or as text
    (`2026-03-14`). Frames are new objects: changing one changes nothing in the store.

    Attributes
    ----------
    path : Path
    settings : Settings

    """

    def __init__(self, database: Database) -> None:
        self._database = database
        # By day and units; emptied by each write (nobody else can write while the store is open here).
        self._analysed: dict[tuple[date, tuple[str, ...] | None], tuple[UnitAnalysis, ...]] = {}

    def __enter__(self) -> Store:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def __repr__(self) -> str:
        return f"Store({str(self.path)!r})"

    def close(self) -> None:
        """Close the store's file."""
        self._database.close()

    @property
    def path(self) -> Path:
        """Path of the store's file."""
        return Path(self._database.path)

    @property
    def settings(self) -> Settings:
        """The settings in force in this store."""
        return self._database.settings

    def change_setting(self, name: str, value: Any) -> None:
        """Change one setting for this store; `UsageError` if the name or value cannot be right."""
        self._analysed.clear()
        self._database.change_setting(name, value)

    # --- in --------------------------------------------------------------------------------------------

    def add_profile(self, profile: Profile | str | Path) -> Profile:
        """Put a transmission profile, or the one in a TOML file, into the store and give it."""
        from driftwatch.profile.load import read_profile

        known = read_profile(profile) if isinstance(profile, str | Path) else profile
        self._analysed.clear()
        self._database.add_profile(known)
        return known

    def import_file(
        self,
        path: str | Path,
        kind: str | None = None,
        mapping: Mapping | str | Path | None = None,
        profile: Profile | str | Path | None = None,
        strict: bool = False,
        dry_run: bool = False,
        progress: Progress = None,
    ) -> ImportReport:
        """Take a file in, all or nothing.

        Parameters
        ----------
        path : path
            CSV, XLSX or Parquet.
        kind : {"units", "snapshots", "events"}, optional
            Recognised by the columns if left out.
        mapping : Mapping or path, optional
            For a wide file: which column is which cell.
        profile : Profile or path, optional
            A profile that the file's units use and the store does not know yet.
        strict : bool
            Refuse the file if any of its rows would go to quarantine.
        dry_run : bool
            Say what would happen, and change nothing.
        progress : callable, optional
            Called with what is being done, how much of it is done, and how much there is.

        Returns
        -------
        ImportReport
            Counts, where `rows == new + same + corrected + quarantined`, and each quarantined row's reason.

        Raises
        ------
        InputRefused
            If the file cannot be understood as a whole.
        QuarantinedRows
            If `strict` and a row cannot be right.

        """
        batch = read_input(path, kind, mapping, profile)
        self._analysed.clear()
        return self._database.import_batch(batch, strict=strict, dry_run=dry_run, progress=progress)

    def import_files(
        self,
        files: Iterable[str | Path],
        kind: str | None = None,
        mapping: str | Path | None = None,
        profile: str | Path | None = None,
        strict: bool = False,
        dry_run: bool = False,
        progress: Progress = None,
    ) -> list[ImportOutcome]:
        """Take several files in: units first, then snapshots, then events, whatever order they are named in.

        A refused file does not stop the others; trouble with the store does, and is raised. Parameters as for
        `import_file`.
        """
        inputs = read_inputs([str(file) for file in files], kind, mapping, profile)
        return self.take(inputs, strict, dry_run, progress)

    def take(
        self,
        inputs: Iterable[tuple[str, Batch | DriftwatchError]],
        strict: bool = False,
        dry_run: bool = False,
        progress: Progress = None,
    ) -> list[ImportOutcome]:
        """Take files in that `driftwatch.inputs.read_inputs` has read, as `import_files` does."""
        self._analysed.clear()
        return take(self._database, inputs, strict=strict, dry_run=dry_run, progress=progress)

    def add_event(
        self,
        unit: str,
        kind: str,
        on: Day | datetime,
        amount: float | None = None,
        amount_unit: str = "",
        note: str = "",
    ) -> str:
        """Log an event and give its id.

        Parameters
        ----------
        unit : str
            A unit of the store.
        kind : str
            `power`, `load`, `fluid`, `relearn`, `rebuild`, `repair` or `other`.
        on : date, datetime or str
            Day, or time (ISO 8601; without an offset it is local to the store's zone).
        amount : float, optional
            Change of peak torque (`power`) or mass (`load`).
        amount_unit : str
            Such as N.m, lb.ft, %, kg or lb.
        note : str
            Anything worth knowing.

        Raises
        ------
        UsageError
            If there is no such unit or kind, or the time or amount cannot be right.

        """
        when = as_moment(on) if isinstance(on, str) else on
        self._analysed.clear()
        return self._database.add_event(unit, kind, when, amount=amount, amount_unit=amount_unit, note=note)

    # --- stored data -----------------------------------------------------------------------------------

    def profiles(self) -> dict[str, Profile]:
        """Give the built-in profiles and the store's own, by name."""
        return self._database.profiles()

    def records(self, as_of: Day | None = None, units: Sequence[str] | None = None) -> Records:
        """Give all that was known on one day (today if left out), as typed frames."""
        day = None if as_of is None else as_day(as_of)
        return self._database.records(as_of=day, units=units)

    def units(self, as_of: Day | None = None) -> pd.DataFrame:
        """Give the units, one row each."""
        return self.records(as_of).units

    def snapshots(self, as_of: Day | None = None, units: Sequence[str] | None = None) -> pd.DataFrame:
        """Give the snapshots, one row each: unit, time, odometer, temperature."""
        return self.records(as_of, units).snapshots

    def readings(self, as_of: Day | None = None, units: Sequence[str] | None = None) -> pd.DataFrame:
        """Give the readings, one row a cell and snapshot, values in the profile's unit."""
        return self.records(as_of, units).readings

    def events(self, unit: str | None = None) -> pd.DataFrame:
        """Give the log, of one unit or of all."""
        return self._database.events(unit)

    def quarantine(self) -> pd.DataFrame:
        """Give the rows that could not be right, each with its file, line and reason."""
        return self._database.quarantine()

    def files(self) -> pd.DataFrame:
        """Give the files that were taken in."""
        return self._database.files()

    def check(self) -> list[Problem]:
        """Look for damage and contradictions in the store; an empty list means that it is whole."""
        return self._database.check()

    # --- out -------------------------------------------------------------------------------------------

    def analyse(
        self, as_of: Day | None = None, units: Sequence[str] | None = None, progress: Progress = None
    ) -> tuple[UnitAnalysis, ...]:
        """Give each unit's readings, fit and assessment as objects; `assess` gives the last part only."""
        from driftwatch.assessment.assess import analyse

        records = self.records(as_of)
        whole = self._analysed.get((records.as_of, None))
        if whole is not None and units is not None:
            found = tuple(a for a in whole if a.assessment.unit in set(units))
            if len(found) == len(set(units)):
                return found
        key = (records.as_of, None if units is None else tuple(units))
        if key not in self._analysed:
            # Of the whole fleet's records, so that an answer does not depend on what else is asked.
            self._analysed[key] = analyse(records, self.settings, units, progress)
        return self._analysed[key]

    def assess(
        self, as_of: Day | None = None, units: Sequence[str] | None = None, progress: Progress = None
    ) -> Assessment:
        """Assess all units, or some.

        Parameters
        ----------
        as_of : date or str, optional
            Only what was read or logged up to that day is known; today if left out.
        units : sequence of str, optional
            Only these; all if left out.
        progress : callable, optional
            Called with what is being done, how much of it is done, and how much there is.

        Raises
        ------
        UnknownName
            If a unit is not in the store.

        """
        from driftwatch.assessment.assess import made_by
        from driftwatch.assessment.results import Assessment

        analyses = self.analyse(as_of, units, progress)
        return Assessment(self.records(as_of).as_of, made_by(), tuple(a.assessment for a in analyses))

    def alerts(
        self, as_of: Day | None = None, at_least: str = "plan", progress: Progress = None
    ) -> list[WorkItem]:
        """Give what needs someone now, most urgent first.

        Clutches at the service state `at_least` or beyond, and whatever needs an inspection: a learned value
        at the end of its range, packs that overlap, falling supply pressure, a change without a cause.

        Parameters
        ----------
        as_of : date or str, optional
            Only what was known up to that day counts; today if left out.
        at_least : str
            Least service state of a clutch that is listed: "watch", "plan" or "due".
        progress : callable, optional
            Called with what is being done, how much of it is done, and how much there is.

        """
        from driftwatch.reporting.work import urgency_order, work_items

        if at_least not in URGENCIES:
            raise UsageError(f"there is no level {at_least!r}", do="give watch, plan or due")
        sites = self._sites()
        items = [
            i
            for u in self.assess(as_of, progress=progress).units
            for i in work_items(u, sites.get(u.unit, ""))
        ]
        return sorted((i for i in items if i.urgency in URGENCIES[at_least]), key=urgency_order)

    def review(self, month: str, folder: str | Path = ".", progress: Progress = None) -> list[Path]:
        """Write the fleet's report of a month and give the paths of its files.

        Parameters
        ----------
        month : str
            `YYYY-MM`. In a month that is not over, what is known today counts.
        folder : path
            Made if missing.
        progress : callable, optional
            Called with what is being done, how much of it is done, and how much there is.

        """
        from driftwatch.reporting.review import write_review

        first, last = month_days(month)
        possible_folder(folder)
        today = self.records().as_of
        if first > today:
            raise UsageError(f"{month} has not begun", do="give this month or an earlier one")
        as_of = min(last, today)
        analyses = self.analyse(as_of, progress=progress)
        earlier = self.records(first - timedelta(days=1))
        before = None
        if len(earlier.snapshots):
            before = [a.assessment for a in self.analyse(earlier.as_of, progress=progress)]
        return write_review(analyses, before, month, self.settings, as_folder(folder), as_of=as_of)

    def followup(
        self,
        unit: str,
        since: Day | None = None,
        folder: str | Path = ".",
        as_of: Day | None = None,
        progress: Progress = None,
    ) -> list[Path]:
        """Write the shop's report of one unit after a change, and give the paths of its files.

        Parameters
        ----------
        unit : str
            A unit of the store.
        since : date or str, optional
            Day or event id of the change; the unit's last event if left out.
        folder : path
            Made if missing.
        as_of : date or str, optional
            Only what was known up to that day counts; today if left out.
        progress : callable, optional
            Called with what is being done, how much of it is done, and how much there is.

        Raises
        ------
        UnknownName
            If there is no such unit or event.
        UsageError
            If `since` is left out and nothing is logged for the unit.

        """
        from driftwatch.reporting.followup import write_followup
        from driftwatch.reporting.since import find_since

        since = self._known_day(_day_or_name(since), as_of)
        possible_folder(folder)
        now = self._analysis(unit, as_of, progress)
        day_before = find_since(now.panel, since).on - timedelta(days=1)
        earlier = self.records(day_before)
        before = None
        if (earlier.snapshots["unit"] == unit).any():
            before = self._analysis(unit, day_before, progress)
        day = self.records(as_of).as_of
        return write_followup(now, before, since, self.settings, as_folder(folder), as_of=day)

    def explain(
        self,
        unit: str,
        event: str | None = None,
        on: Day | None = None,
        folder: str | Path = ".",
        as_of: Day | None = None,
        progress: Progress = None,
    ) -> list[Path]:
        """Write the owner's page on one change of one unit, and give the paths of its files.

        Parameters
        ----------
        unit : str
            A unit of the store.
        event : str, optional
            The event's id.
        on : date or str, optional
            The day, where nothing is logged. With neither, it is about the unit's last event.
        folder : path
            Made if missing.
        as_of : date or str, optional
            Only what was known up to that day counts; today if left out.
        progress : callable, optional
            Called with what is being done, how much of it is done, and how much there is.

        Raises
        ------
        UnknownName
            If there is no such unit or event.
        UsageError
            If neither is given and nothing is logged for the unit.

        """
        from driftwatch.reporting.explain import write_explain

        possible_folder(folder)
        which = event if event is not None else None if on is None else as_day(on)
        self._known_day(which, as_of)
        now = self._analysis(unit, as_of, progress)
        day = self.records(as_of).as_of
        return write_explain(now, which, self.settings, as_folder(folder), as_of=day)

    def export(
        self,
        folder: str | Path,
        what: Sequence[str] | None = None,
        fmt: Literal["parquet", "csv"] = "parquet",
        as_of: Day | None = None,
        progress: Progress = None,
    ) -> list[Path]:
        """Write stored data and fitted values, one file each, and give their paths.

        Parameters
        ----------
        folder : path
            Made if missing.
        what : sequence of str, optional
            Of `units`, `snapshots` (every reading), `events`, `files`, `quarantine`, `audit`, `settings`,
            `profiles` and `fitted`; all if left out.
        fmt : str
            "parquet" or "csv".
        as_of : date or str, optional
            Day as of which values are fitted; today if left out.
        progress : callable, optional
            Called with what is being done, how much of it is done, and how much there is.

        """
        from driftwatch.assessment.fitted import write_fitted
        from driftwatch.store.export import EXPORTS, FORMATS

        wanted = tuple((*EXPORTS, "fitted") if what is None else dict.fromkeys(what))
        for name in wanted:
            if name not in (*EXPORTS, "fitted"):
                raise UsageError(f"there is no {name!r} to export", do=f"give {', '.join(EXPORTS)} or fitted")
        if fmt not in FORMATS:
            raise UsageError(f"there is no form {fmt!r}", do=f"give {' or '.join(FORMATS)}")
        target = as_folder(folder)
        stored = [name for name in wanted if name != "fitted"]
        written = self._database.export(target, stored, fmt) if stored else []
        if "fitted" in wanted:
            analyses = self.analyse(as_of, progress=progress)
            written.append(write_fitted(analyses, target / f"fitted.{fmt}"))
        return written

    def _analysis(self, unit: str, as_of: Day | None, progress: Progress) -> UnitAnalysis:
        found = self.analyse(as_of, [unit], progress)
        if not found:
            raise UnknownName(f"there is nothing known of unit {unit!r} on that day", do="give a later day")
        return found[0]

    def _known_day(self, when: Day | None, as_of: Day | None) -> Day | None:
        """Refuse a day that is later than all that is known."""
        if isinstance(when, date) and when > self.records(as_of).as_of:
            raise UsageError(f"{when} is in the future", do="give a day that has been")
        return when

    def _sites(self) -> dict[str, str]:
        units = self.units()
        return dict(zip(units["unit"].astype(str), units["site"].fillna("").astype(str), strict=True))


def _day_or_name(since: Day | None) -> Day | None:
    return (
        as_day(since)
        if isinstance(since, str) and re.match(r"\d{4}-\d{1,2}-\d{1,2}", since.strip())
        else since
    )


def as_folder(path: str | Path) -> Path:
    """Give a folder to write in, made if missing; `UsageError` if that cannot be one."""
    folder = possible_folder(path)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise UsageError(
            f"cannot be made ({error.strerror or error})", str(folder), "give another folder"
        ) from None
    return folder


def possible_folder(path: str | Path) -> Path:
    """Give a path that is a folder or can become one, without making it; `UsageError` if it cannot.

    Asked before the work, so that a slip shows at once and a failure leaves no empty folder behind.
    """
    folder = Path(path)
    there = next(p for p in (folder.absolute(), *folder.absolute().parents) if p.exists())
    if not there.is_dir():
        raise UsageError("is a file, not a folder", str(there), "give another folder")
    if not os.access(there, os.W_OK | os.X_OK):
        raise UsageError("may not be written in", str(there), "give another folder")
    return folder
