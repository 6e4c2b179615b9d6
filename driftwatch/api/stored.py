"""What a store holds: files and log entries in, frames out."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import date, datetime, time
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any, Self

from driftwatch.days import Day, as_day, as_moment
from driftwatch.errors import DriftwatchError, UsageError
from driftwatch.inputs import ImportOutcome, OwnProfiles, found_files, read_input, read_inputs, take
from driftwatch.store.files import fits_of

if TYPE_CHECKING:
    import pandas as pd

    from driftwatch.assessment.results import UnitAnalysis
    from driftwatch.intake.batch import Batch
    from driftwatch.intake.mapping import Mapping as FileMapping
    from driftwatch.profile.model import Profile
    from driftwatch.settings import Settings
    from driftwatch.store.database import Database
    from driftwatch.store.quarantine import FixOutcome
    from driftwatch.store.records import Records
    from driftwatch.store.report import ImportReport, Problem
    from driftwatch.store.unit_care import Deleted
    from driftwatch.wording import Wording

#: Called with what is being done, how much of it is done, and how much there is.
Progress = Callable[[str, int, int], None] | None


class StoredData:
    """A fleet's units, readings, log and settings.

    Made by `driftwatch.open`; to be closed, best by `with`. Days may be given as `date` or as text
    (`2026-03-14`). Frames are new objects: changing one changes nothing in the store.

    Attributes
    ----------
    path : Path
    settings : Settings

    """

    def __init__(self, database: Database) -> None:
        self._database = database
        # By day, units and way of writing; emptied by each write (while it is open here, nobody else can).
        self._analysed: dict[tuple[date, tuple[str, ...] | None, Wording], tuple[UnitAnalysis, ...]] = {}

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def __repr__(self) -> str:
        return f"{type(self).__name__}({str(self.path)!r})"

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
        mapping: FileMapping | str | Path | None = None,
        profile: OwnProfiles = None,
        strict: bool = False,
        dry_run: bool = False,
        progress: Progress = None,
        decimal: str | None = None,
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
        profile : Profile or path, or a list of them, optional
            Profiles that the file's units use and the store does not know yet.
        strict : bool
            Refuse the file if any of its rows would go to quarantine.
        dry_run : bool
            Say what would happen, and change nothing.
        progress : callable, optional
            Called with what is being done, how much of it is done, and how much there is.
        decimal : {"point", "comma"}, optional
            The decimal sign of the file's numbers; found from them if left out.

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
        batches = read_input(path, kind, mapping, profile, decimal)
        self._analysed.clear()
        return self._database.import_batches(batches, strict=strict, dry_run=dry_run, progress=progress)

    def import_files(
        self,
        files: Iterable[str | Path],
        kind: str | None = None,
        mapping: str | Path | None = None,
        profile: OwnProfiles = None,
        strict: bool = False,
        dry_run: bool = False,
        progress: Progress = None,
        decimal: str | None = None,
    ) -> list[ImportOutcome]:
        """Take several files in: units first, then snapshots, then events, whatever order they are named in.

        A folder stands for the files in it, and a pattern (`*.csv`) for those that fit. A refused
        file does not stop the others; trouble with the store does, and is raised. Parameters as for
        `import_file`.
        """
        names = found_files(str(file) for file in files)
        inputs = read_inputs(names, kind, mapping, profile, decimal, progress)
        return self.take(inputs, strict, dry_run, progress)

    def take(
        self,
        inputs: Iterable[tuple[str, tuple[Batch, ...] | DriftwatchError]],
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

    def correct_event(self, event_id: str, changes: Mapping[str, str]) -> bool:
        """Change an entry of the log. What it was stays on record, and a later file does not bring it back.

        Parameters
        ----------
        event_id : str
            As `events` gives it.
        changes : mapping
            `happened_at`, `kind`, `amount`, `amount_unit` or `note` -> its new text; "" takes an amount or
            note away.

        Returns
        -------
        bool
            False if it was so already.

        Raises
        ------
        UsageError
            If there is no such entry or field, or the entry could not be right.

        """
        self._analysed.clear()
        return self._database.correct_event(event_id, changes)

    def retract_event(self, event_id: str, reason: str) -> None:
        """Take an entry out of the log. What it was stays on record; a later file does not bring it back."""
        self._analysed.clear()
        self._database.retract_event(event_id, reason)

    # --- stored data -----------------------------------------------------------------------------------

    def profiles(self) -> dict[str, Profile]:
        """Give the built-in profiles and the store's own, by name."""
        return self._database.profiles()

    def records(self, as_of: Day | None = None, units: Sequence[str] | None = None) -> Records:
        """Give all that was known on one day (today if left out), as typed frames.

        Every answer that takes a day takes it from here, so that none is told as of a day still to come: the
        readings would look newer than they are, and remaining distances be counted from a day nobody knows.

        Raises
        ------
        UsageError
            If that day has not been.

        """
        return self._database.records(self._past_day(as_of), units)

    def _past_day(self, as_of: Day | None) -> date:
        """Give the day that an answer is told as of, today if none is asked for; never one to come."""
        today = self._database.today()
        day = today if as_of is None else as_day(as_of)
        if day <= today:
            return day
        if self._database.known_at is None:
            raise UsageError(f"{day} is in the future", "as of", "give a day that has been")
        raise UsageError(
            f"{day} is later than {today}, the day the store is shown at",
            "as of",
            "give a day up to that one",
        )

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

    def quarantine(
        self, unit: str | None = None, code: str | None = None, file: str | None = None
    ) -> pd.DataFrame:
        """Give the rows that could not be right, each with its number, file, line and reason."""
        return self._database.quarantine(unit, code, file)

    def fix_quarantined(self, numbers: Iterable[int], changes: Mapping[str, str] | None = None) -> FixOutcome:
        """Judge rows in quarantine anew, with some fields changed, and take those that can be right now.

        Parameters
        ----------
        numbers : iterable of int
            As `quarantine` gives them (`quarantine_id`).
        changes : mapping, optional
            Column -> its new text. What was changed is kept.

        Raises
        ------
        UsageError
            If there is no such row or column.

        """
        self._analysed.clear()
        return self._database.fix_quarantined(list(numbers), dict(changes or {}))

    def drop_quarantined(self, numbers: Iterable[int], note: str = "") -> int:
        """Put rows out of quarantine for good, and give how many; what they were stays on record."""
        return self._database.drop_quarantined(list(numbers), note)

    def unit_list(self) -> pd.DataFrame:
        """Give the units with their snapshots counted, the last of them, and the odometer then."""
        return self._database.unit_list()

    def history(self, unit: str) -> pd.DataFrame:
        """Give how a unit's data came to be, oldest first: files, corrections, log, quarantine, deletion."""
        return self._database.history(unit)

    def sources(self, unit: str, as_of: Day | None = None) -> pd.DataFrame:
        """Give the files behind a unit's data: name, fingerprint, what each gave, when and by whom."""
        return self._database.sources(unit, self.records(as_of, [unit]).as_of)

    def delete_unit(self, unit: str, reason: str) -> Deleted:
        """Delete all data of a unit, and log that it was done and why; backups made before still have them.

        Rows of that unit in later files go to quarantine, until `readmit_unit`.
        """
        self._analysed.clear()
        deleted = self._database.delete_unit(unit, reason)
        fits_of(self.path).unlink(missing_ok=True)
        return deleted

    def readmit_unit(self, unit: str) -> None:
        """Let a unit whose data were deleted come in again."""
        self._database.readmit_unit(unit)

    def change_profile(self, units: Sequence[str], profile: str, *, anyway: bool = False) -> int:
        """Let units use another profile, all of them or none, and give how many did not yet.

        Their readings must fit it: the same units of measure, and no pack, shift or mode less. Which profile
        they had stays on record. `NotConfirmed`, unless `anyway`, where it seems to be another transmission:
        shifts of the same name work with other packs, or volumes are far outside new to limit.
        """
        self._analysed.clear()
        return self._database.change_profile(units, profile, anyway=anyway)

    def replace_odometer(
        self,
        unit: str,
        at: Day | datetime,
        was_km: float,
        reads_km: float = 0.0,
        *,
        instead_of: Day | datetime | None = None,
        anyway: bool = False,
    ) -> tuple[int, tuple[str, ...]]:
        """Note that an odometer was replaced.

        From then on, what the old one had run more is added to what is read. Stored snapshots since then are
        set right, and rows in quarantine that fit with that are taken. It is held against the unit's readings
        on both sides; `retract_odometer` takes it back.

        Parameters
        ----------
        unit : str
            A unit of the store.
        at : date, datetime or str
            When it was replaced.
        was_km, reads_km : float
            What the old one showed then, and the new one.
        instead_of : date, datetime or str, optional
            When the one was said to have been replaced that this one puts right; that one stays on record.
        anyway : bool
            Note it although the unit would have gone unusually far before or after.

        Returns
        -------
        changed : int
            How many stored snapshots were set right.
        notes : tuple of str
            What else was done.

        Raises
        ------
        NotConfirmed
            If the unit would have gone unusually far, and not `anyway`.
        UsageError
            If the unit's readings contradict it, or it cannot be right in itself.

        """
        self._analysed.clear()
        return self._database.replace_odometer(
            unit,
            _as_time(at),
            was_km,
            reads_km,
            instead_of=None if instead_of is None else _as_time(instead_of),
            anyway=anyway,
        )

    def retract_odometer(self, unit: str, at: Day | datetime, reason: str) -> tuple[int, tuple[str, ...]]:
        """Take back that an odometer was replaced, and give the same as `replace_odometer`.

        What was noted stays on record. `UnknownName` if none was noted for that time; `UsageError` without a
        reason, or if readings that were taken since fit only with it.
        """
        self._analysed.clear()
        return self._database.retract_odometer(unit, _as_time(at), reason)

    def odometers(self, unit: str) -> pd.DataFrame:
        """Give the replaced odometers that are noted for a unit: when, and what both showed."""
        return self._database.odometers(unit)

    def files(self) -> pd.DataFrame:
        """Give the files that were taken in."""
        return self._database.files()

    def backup(self, target: str | Path) -> Path:
        """Copy the store into a new file, see that the copy is whole, and give its path.

        The file's folder is made if missing.
        """
        return self._database.backup(target)

    def check(self) -> list[Problem]:
        """Look for damage and contradictions in the store; an empty list means that it is whole."""
        return self._database.check()


def _as_time(at: Day | datetime) -> datetime:
    """Give a time; a day stands for its beginning."""
    moment = as_moment(at) if isinstance(at, str) else at
    return moment if isinstance(moment, datetime) else datetime.combine(moment, time())
