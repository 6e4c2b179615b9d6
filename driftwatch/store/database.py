"""The store as an object: open it, put files in, take records out."""

from __future__ import annotations

import contextlib
import tempfile
from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import UTC, date, datetime
from pathlib import Path
from types import TracebackType
from typing import Any, Self
from zoneinfo import ZoneInfo

import duckdb
import pandas as pd

from driftwatch.errors import StoreError, UnknownName, UsageError
from driftwatch.intake.batch import Batch
from driftwatch.intake.tables import nearest
from driftwatch.profile.model import Profile
from driftwatch.settings import Settings
from driftwatch.store import clock, event_care, migrate, owned, quarantine
from driftwatch.store.asof import records_of
from driftwatch.store.backup import copy_open, rewritten
from driftwatch.store.check import check_store
from driftwatch.store.create import make_store
from driftwatch.store.engine import connect, patiently, transaction, translated
from driftwatch.store.export import export
from driftwatch.store.importing import Progress, import_batches
from driftwatch.store.job import clear
from driftwatch.store.odometer_change import Replaced, note_replaced, retract_replaced
from driftwatch.store.past import moment_utc, show_past
from driftwatch.store.quarantine import FixOutcome
from driftwatch.store.records import Records
from driftwatch.store.report import ImportReport, Problem
from driftwatch.store.sources import sources
from driftwatch.store.unit_care import Deleted, delete_unit, history, readmit_unit


class Database:
    """One store, open. Use it as a context manager, or close it.

    Attributes
    ----------
    path : Path
        The file.
    read_only : bool
        True if nothing can be written through this object.
    who : str
        Who writes through it, for the record; whoever is logged in, if not told otherwise.
    known_at : datetime or None
        Moment (UTC) as of which the store is shown; None for all that is in it.

    Raises
    ------
    StoreError
        Everything that goes wrong with the file itself, in one line: `StoreMissing`, `StoreBusy`,
        `StoreDamaged`, `StoreNewer`, or the base class when the disk is full or cannot be written.

    """

    def __init__(
        self,
        con: duckdb.DuckDBPyConnection,
        path: Path,
        *,
        read_only: bool,
        who: str = "",
        known_at: datetime | None = None,
    ) -> None:
        self._con = con
        self.path = path
        self.read_only = read_only
        self.who = who or clock.login()
        self.known_at = known_at

    @classmethod
    def create(cls, path: str | Path, who: str = "") -> Self:
        """Make a new, empty store and open it.

        Raises
        ------
        UsageError
            If there is already something at that path.

        """
        make_store(Path(path))
        return cls.open(path, who=who)

    @classmethod
    def open(
        cls,
        path: str | Path,
        read_only: bool = False,
        create: bool = False,
        *,
        wait: float = 0.0,
        who: str = "",
        known_at: date | datetime | None = None,
    ) -> Self:
        """Open a store; one of an earlier version is brought up to date if it is open for writing.

        Parameters
        ----------
        path : path
            Where the store is.
        read_only : bool
            Several processes can read at once; none can while one has it open for writing.
        create : bool
            Make the store if there is none.
        wait : float
            For how many seconds to wait for another process that has it open.
        who : str
            Who writes, for the record; whoever is logged in, if left out.
        known_at : date or datetime, optional
            Show the store as it was known then, to read only: later imports and corrections are taken back.
            A day stands for its end, a time without offset is local to the store's zone.

        """
        path = Path(path)
        if create and not path.exists():
            with contextlib.suppress(UsageError):  # another process was quicker: then it is there
                make_store(path)
        read_only = read_only or known_at is not None
        con = patiently(lambda: connect(path, read_only=read_only), wait)
        then = None
        try:
            with translated(str(path)):
                steps = migrate.known()
                migrate.require(con, steps, str(path), read_only=read_only)
                if not read_only:
                    migrate.migrate(con, steps)
                    owned.sync_signal_units(con, owned.profiles_of(con))
                if known_at is not None:
                    then = moment_utc(known_at, owned.settings_of(con).zone)
                    show_past(con, then)
        except BaseException:
            con.close()
            raise
        return cls(con, path, read_only=read_only, who=who, known_at=then)

    def close(self) -> None:
        """Close the file; safe to call twice."""
        with translated(str(self.path)):
            self._con.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def __repr__(self) -> str:
        return f"Database({str(self.path)!r}{', read only' if self.read_only else ''})"

    # What the store keeps about itself

    @property
    def settings(self) -> Settings:
        """The settings of this store."""
        with translated(str(self.path)):
            return owned.settings_of(self._con)

    def today(self) -> date:
        """Give the present day in the store's zone; in a store shown as of a moment, that moment's."""
        zone = self.settings.zone
        if self.known_at is None:
            return clock.today(zone)
        return self.known_at.replace(tzinfo=UTC).astimezone(ZoneInfo(zone)).date()

    def change_setting(self, name: str, value: Any, who: str = "") -> Settings:
        """Change one setting and give the settings; `UsageError` if the name or value cannot be right."""
        with self._writing():
            return owned.change_setting(self._con, name, value, who or self.who)

    def profiles(self) -> dict[str, Profile]:
        """Give the built-in profiles and the store's own, by name."""
        with translated(str(self.path)):
            return owned.profiles_of(self._con)

    def add_profile(self, profile: Profile, who: str = "") -> None:
        """Keep an own profile; `UsageError` if it is a built-in one's name or no longer fits the readings."""
        with self._writing():
            owned.add_profile(self._con, profile, who or self.who)

    # In

    def import_batch(
        self,
        batch: Batch,
        *,
        strict: bool = False,
        dry_run: bool = False,
        who: str = "",
        progress: Progress | None = None,
    ) -> ImportReport:
        """Take one table; see `import_batches`."""
        return self.import_batches([batch], strict=strict, dry_run=dry_run, who=who, progress=progress)

    def import_batches(
        self,
        batches: Sequence[Batch],
        *,
        strict: bool = False,
        dry_run: bool = False,
        who: str = "",
        progress: Progress | None = None,
    ) -> ImportReport:
        """Take one file that was read by `driftwatch.intake.batch.read_batches`, all or nothing.

        Rows that cannot be right go to quarantine and the rest is taken; with `strict`, `QuarantinedRows`
        is raised instead and nothing is taken. With `dry_run`, everything is counted and nothing written.
        """
        self._require_writing()
        with translated(str(self.path)):
            return import_batches(
                self._con,
                batches,
                self.settings.zone,
                strict=strict,
                dry_run=dry_run,
                who=who or self.who,
                progress=progress,
            )

    def add_event(
        self,
        unit: str,
        kind: str,
        happened_at: date | str,
        amount: float | None = None,
        amount_unit: str = "",
        note: str = "",
        who: str = "",
    ) -> str:
        """Log one event by hand and give its id; see `driftwatch.store.event_care.add_event`."""
        self._require_writing()
        self._require_unit(unit)
        when = happened_at if isinstance(happened_at, str) else happened_at.isoformat()
        entry = {"unit": unit, "happened_at": when, "kind": kind, "amount_unit": amount_unit, "note": note}
        entry["amount"] = "" if amount is None else repr(float(amount))
        with translated(str(self.path)):
            return event_care.add_event(self._con, self.settings.zone, entry, who or self.who)

    def correct_event(self, event_id: str, changes: Mapping[str, str], who: str = "") -> bool:
        """Change an entry of the log; see `driftwatch.store.event_care.correct_event`."""
        zone = self.settings.zone
        with self._writing():
            return event_care.correct_event(self._con, zone, event_id, changes, who or self.who)

    def retract_event(self, event_id: str, reason: str, who: str = "") -> None:
        """Take an entry out of the log; see `driftwatch.store.event_care.retract_event`."""
        with self._writing():
            event_care.retract_event(self._con, event_id, reason, who or self.who)

    # Out

    def records(self, as_of: date | None = None, units: Sequence[str] | None = None) -> Records:
        """Give all that was known at the end of a day (None: today, in the store's zone)."""
        with translated(str(self.path)):
            day = as_of or self.today()
            if isinstance(day, datetime):
                day = day.date()
            return records_of(self._con, day, units, self.profiles())

    def events(self, unit: str | None = None) -> pd.DataFrame:
        """Give the log, with amounts as kept and as entered, and who logged them when."""
        if unit is not None:
            self._require_unit(unit)
        return self._frame(
            """SELECT e.event_id, e.unit, e.happened_at_local AS happened_at, e.kind, e.amount, e.amount_unit,
                e.note, e.amount_entered, e.amount_unit_entered, e.logged_at_utc, e.logged_by,
                f.name AS file, e.line
            FROM events e LEFT JOIN files f USING (file_id) WHERE ? IS NULL OR e.unit = ?
            ORDER BY e.unit, e.happened_at_local, length(e.event_id), e.event_id""",
            [unit, unit],
        )

    def units(self) -> pd.DataFrame:
        """Give the units, with their further columns (`extra`, a dict) and where each came from."""
        frame = self._frame(
            """SELECT u.unit, u.profile, u.in_service_on, u.site, u.note, f.name AS file, u.line
            FROM units u LEFT JOIN files f USING (file_id) ORDER BY u.unit"""
        )
        fields = self._frame("SELECT unit, name, value FROM unit_fields ORDER BY unit, name")
        extra: dict[str, dict[str, str]] = {}
        for unit, name, value in fields.itertuples(index=False):
            extra.setdefault(unit, {})[name] = value
        frame["extra"] = pd.Series([extra.get(unit, {}) for unit in frame["unit"]], dtype=object)
        return frame

    def unit_list(self) -> pd.DataFrame:
        """Give the units, with their snapshots counted."""
        return self._frame(
            """SELECT * REPLACE (CAST(in_service_on AS VARCHAR) AS in_service_on) FROM unit_list
            ORDER BY unit"""
        )

    def files(self) -> pd.DataFrame:
        """Give the files that were taken, with their row counts."""
        return self._frame("SELECT * FROM files ORDER BY file_id")

    def quarantine(
        self, unit: str | None = None, code: str | None = None, file: str | None = None
    ) -> pd.DataFrame:
        """Give the rows that cannot be right: number, file, line, unit, code, reason and the row as JSON."""
        return self._frame(
            """SELECT * FROM quarantine_list
            WHERE (? IS NULL OR unit = ?) AND (? IS NULL OR code = ?) AND (? IS NULL OR file = ?)
            ORDER BY file_id, line, quarantine_id""",
            [unit, unit, code, code, file, file],
        )

    def fix_quarantined(self, numbers: Sequence[int], changes: dict[str, str], who: str = "") -> FixOutcome:
        """Judge rows in quarantine anew, with some fields changed; see `driftwatch.store.quarantine.fix`."""
        zone = self.settings.zone
        try:
            with self._writing():
                return quarantine.fix(self._con, zone, numbers, changes, who or self.who)
        finally:
            clear(self._con)

    def drop_quarantined(self, numbers: Sequence[int], note: str = "", who: str = "") -> int:
        """Put rows out of quarantine for good, keep what they were, and give how many."""
        with self._writing():
            return quarantine.drop(self._con, numbers, note, who or self.who)

    def history(self, unit: str) -> pd.DataFrame:
        """Give how a unit's data came to be: files, corrections, quarantine, deletion; oldest first."""
        frame = self._told(history(self._con, unit))
        if frame.empty:
            self._require_unit(unit)
        return frame

    def sources(self, unit: str, day: date) -> pd.DataFrame:
        """Give the files behind what is known of a unit on a day."""
        return self._told(sources(self._con, unit, day))

    def audit(self) -> pd.DataFrame:
        """Give every value that was replaced, with what it was and what it became."""
        return self._frame(
            "SELECT * FROM audit_list ORDER BY changed_at_utc, what, unit, at_local, signal, field"
        )

    def export(
        self, folder: str | Path, what: str | Sequence[str] = "all", fmt: str = "parquet"
    ) -> list[Path]:
        """Write stored data to files in a folder; see `driftwatch.store.export`."""
        with translated(str(self.path)):
            return export(self._con, Path(folder), what, fmt, self.profiles())

    def delete_unit(self, unit: str, reason: str, who: str = "") -> Deleted:
        """Delete all data of a unit, log that it was done, and write the file anew without them."""
        self._require_writing()
        self._require_unit(unit)
        with self._writing():
            told = delete_unit(self._con, unit, reason, who or self.who)
        with translated(str(self.path)):
            self._con = rewritten(self._con, self.path)
        return told

    def readmit_unit(self, unit: str, who: str = "") -> None:
        """Let a unit whose data were deleted come in again; `UsageError` if none was."""
        with self._writing():
            readmit_unit(self._con, unit, who or self.who)

    def change_profile(
        self, units: Sequence[str], profile: str, who: str = "", *, anyway: bool = False
    ) -> int:
        """Let units use another profile, all of them or none, and give how many did not yet."""
        for unit in units:
            self._require_unit(unit)
        with self._writing():
            con, who = self._con, who or self.who
            return sum(owned.change_profile(con, unit, profile, who, anyway=anyway) for unit in units)

    def replace_odometer(
        self,
        unit: str,
        at: datetime,
        was_km: float,
        reads_km: float,
        who: str = "",
        *,
        instead_of: datetime | None = None,
        anyway: bool = False,
    ) -> tuple[int, tuple[str, ...]]:
        """Note that an odometer was replaced; give how many stored snapshots change, and notes.

        What the new odometer shows is from then on added to what the old one had run. Rows in quarantine that
        fit with that are taken. See `driftwatch.store.odometer_change.note_replaced`.
        """
        new, today = Replaced(self._local(at), was_km, reads_km), clock.today(self.settings.zone)
        instead_of = None if instead_of is None else self._local(instead_of)
        return self._with_waiting(
            unit,
            who or self.who,
            lambda con, who: note_replaced(
                con, unit, new, who, today=today, instead_of=instead_of, anyway=anyway
            ),
        )

    def retract_odometer(
        self, unit: str, at: datetime, reason: str, who: str = ""
    ) -> tuple[int, tuple[str, ...]]:
        """Take back that one was replaced; see `driftwatch.store.odometer_change.retract_replaced`."""
        at = self._local(at)
        return self._with_waiting(
            unit, who or self.who, lambda con, who: retract_replaced(con, unit, at, reason, who)
        )

    def odometers(self, unit: str) -> pd.DataFrame:
        """Give the replaced odometers that are noted for a unit, oldest first."""
        self._require_unit(unit)
        return self._frame("SELECT * FROM odometer_changes WHERE unit = ? ORDER BY changed_at_local", [unit])

    def check(self) -> list[Problem]:
        """Read everything and say what contradicts itself; an empty list means that all is well."""
        with translated(str(self.path)):
            return check_store(self._con, migrate.known())

    def backup(self, target: str | Path) -> Path:
        """Copy the store, as it is now, into a new file; see `driftwatch.store.backup`."""
        with translated(str(target)):
            return copy_open(self._con, Path(target))

    @contextlib.contextmanager
    def trial(self) -> Iterator[Database]:
        """Give a copy of the store to try things on, which is thrown away afterwards."""
        with tempfile.TemporaryDirectory(prefix="driftwatch-") as folder:
            with translated(str(self.path)):
                target = copy_open(self._con, Path(folder) / "trial.duckdb")
            with Database.open(target, who=self.who) as copy:
                yield copy

    def _with_waiting(
        self, unit: str, who: str, change: Callable[[duckdb.DuckDBPyConnection, str], int]
    ) -> tuple[int, tuple[str, ...]]:
        """Change a unit's odometers, and judge its rows in quarantine anew, all or nothing."""
        self._require_unit(unit)
        zone = self.settings.zone
        try:
            with self._writing():
                changed = change(self._con, who)
                return changed, quarantine.take_waiting(self._con, zone, [unit], who)
        finally:
            clear(self._con)

    def _local(self, at: datetime) -> datetime:
        """Give a time as the store keeps times: local to its zone, without offset."""
        return at if at.tzinfo is None else at.astimezone(ZoneInfo(self.settings.zone)).replace(tzinfo=None)

    @contextlib.contextmanager
    def _writing(self) -> Iterator[None]:
        self._require_writing()
        with translated(str(self.path)), transaction(self._con):
            yield

    def _frame(self, query: str, values: Sequence[object] = ()) -> pd.DataFrame:
        with translated(str(self.path)):
            return self._told(self._con.execute(query, list(values)))

    def _told(self, result: duckdb.DuckDBPyConnection) -> pd.DataFrame:
        with translated(str(self.path)):
            return result.df()

    def _unit_is_known(self, unit: str) -> bool:
        with translated(str(self.path)):
            return bool(self._con.execute("SELECT 1 FROM units WHERE unit = ?", [unit]).fetchall())

    def _require_unit(self, unit: str) -> None:
        if self._unit_is_known(unit):
            return
        near = nearest(unit, list(self._frame("SELECT unit FROM units")["unit"]))
        hint = f"did you mean {near!r}?" if near else "`driftwatch unit list` lists them"
        raise UnknownName(f"there is no unit {unit!r}", do=hint)

    def _require_writing(self) -> None:
        if self.read_only:
            raise StoreError("the store is open for reading only", str(self.path), "open it for writing")


def listed_migrations(path: str | Path, wait: float = 0.0) -> list[migrate.Step]:
    """Give the steps of a store's layout, without changing anything; also of an older or newer store."""
    path = Path(path)
    con = patiently(lambda: connect(path, read_only=True), wait)
    try:
        with translated(str(path)):
            return migrate.listed(con, migrate.known(), str(path))
    finally:
        con.close()
