"""Several files at once: find them, read each, then take them in the order in which they need one another."""

from __future__ import annotations

import glob
import sys
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, TypeAlias

from driftwatch.errors import DriftwatchError, InputRefused, StoreError, UsageError

if TYPE_CHECKING:
    from driftwatch.intake.batch import Batch
    from driftwatch.intake.mapping import Mapping
    from driftwatch.profile.model import Profile
    from driftwatch.store.database import Database
    from driftwatch.store.report import ImportReport

#: Stands for standard input among the files, and is its name in messages and records.
STDIN, STDIN_NAME = "-", "standard input"

#: A mapping of this name beside a file, instead of the file's ending, is used for it.
MAPPING_ENDING = ".mapping.toml"

#: Transmission profiles that come with files: one or several, as read or by their files' paths.
OwnProfiles: TypeAlias = "Profile | str | Path | Sequence[Profile | str | Path] | None"

#: What has been read of each file: its tables, or why it was refused.
Inputs = list[tuple[str, "tuple[Batch, ...] | DriftwatchError"]]


@dataclass(frozen=True)
class ImportOutcome:
    """What became of one of several files.

    Attributes
    ----------
    file : str
        As it was named.
    report : ImportReport or None
        What was taken; None if the file was refused.
    error : DriftwatchError or None
        Why it was refused.

    """

    file: str
    report: ImportReport | None
    error: DriftwatchError | None

    @property
    def exit_code(self) -> int:
        """0 all taken, 3 rows in quarantine (or, strict, refused), 4 not understood."""
        if self.error is not None:
            return self.error.exit_code
        return 3 if self.report is not None and self.report.quarantined else 0


def found_files(names: Iterable[str]) -> list[str]:
    """Give the files that are meant: those in a folder, those that fit a pattern, and the others as named.

    In a folder, CSV, XLSX and Parquet files are meant, in order of their names; not those in folders within
    it, nor hidden ones, nor those that a spreadsheet program keeps while a workbook is open, nor `.txt`.

    Raises
    ------
    InputRefused
        If a folder holds no such file, or nothing fits a pattern.

    """
    from driftwatch.intake.readers import FORMAT_OF_ENDING

    files: list[str] = []
    for name in names:
        path = Path(name)
        if name != STDIN and path.is_dir():
            inside = sorted(
                str(p)
                for p in path.iterdir()
                if p.suffix.lower() in FORMAT_OF_ENDING.keys() - {".txt"}
                and not p.name.startswith((".", "~$"))
                and p.is_file()
            )
            if not inside:
                raise InputRefused("there is no file to read in this folder", name, "name another one")
            files += inside
        elif glob.has_magic(name) and not path.exists():
            fitting = sorted(p for p in glob.glob(name, recursive=True) if Path(p).is_file())  # noqa: PTH207
            if not fitting:
                raise InputRefused("no file fits this pattern", name, "check it")
            files += fitting
        else:
            files.append(name)
    return list(dict.fromkeys(files))


def read_input(
    path: str | Path,
    kind: str | None = None,
    mapping: Mapping | str | Path | None = None,
    profile: OwnProfiles = None,
    decimal: str | None = None,
) -> tuple[Batch, ...]:
    """Read one file without a store; parameters and errors as for `Store.import_file`.

    A file that needs a mapping, and has one beside it, is read through that one; a note says so.
    """
    from driftwatch.intake.batch import read_batches
    from driftwatch.intake.content import content_of_bytes
    from driftwatch.intake.mapping import Mapping

    if isinstance(mapping, str | Path):
        mapping = Mapping.read(mapping)
    profiles = _known_profiles(profile)
    if str(path) == STDIN:
        source = content_of_bytes(sys.stdin.buffer.read(), STDIN_NAME)
        return read_batches(source, kind, mapping, profiles, decimal)
    beside = Path(path).with_suffix(MAPPING_ENDING)
    if mapping is None and kind in (None, "snapshots") and beside.is_file():
        batches = read_batches(path, None, Mapping.read(beside), profiles, decimal)
        note = (f"read through the mapping {beside.name} beside it",)
        return (replace(batches[0], notes=note + batches[0].notes), *batches[1:])
    return read_batches(path, kind, mapping, profiles, decimal)


def _known_profiles(given: OwnProfiles) -> tuple[Profile, ...]:
    """Give the profiles that come with the files, read where a path is given; one or several."""
    from driftwatch.profile.load import read_profile

    several = () if given is None else given if isinstance(given, list | tuple) else (given,)
    return tuple(read_profile(one) if isinstance(one, str | Path) else one for one in several)


def read_inputs(
    files: Iterable[str],
    kind: str | None = None,
    mapping: str | Path | None = None,
    profile: OwnProfiles = None,
    decimal: str | None = None,
    progress: Callable[[str, int, int], None] | None = None,
) -> Inputs:
    """Read several files; one that cannot be understood is kept as its error, beside the others.

    A mapping is for the wide files among several: one that is of a known kind as it is needs none.

    Raises
    ------
    DriftwatchError
        If the mapping, a profile or the call is wrong: that concerns all files.

    """
    from driftwatch.intake.mapping import Mapping

    known_mapping = None if mapping is None else Mapping.read(mapping)
    profiles = _known_profiles(profile)
    names = list(files)
    inputs: Inputs = []
    for number, file in enumerate(names):
        if progress is not None:
            progress("reading files", number, len(names))
        try:
            inputs.append((file, _read_one(file, kind, known_mapping, profiles, decimal, len(names) > 1)))
        except UsageError:
            raise
        except DriftwatchError as error:
            inputs.append((file, error))
    if progress is not None:
        progress("reading files", len(names), len(names))
    return inputs


def _read_one(
    file: str,
    kind: str | None,
    mapping: Mapping | None,
    profiles: tuple[Profile, ...],
    decimal: str | None,
    among_others: bool,
) -> tuple[Batch, ...]:
    try:
        return read_input(file, kind, mapping, profiles, decimal)
    except InputRefused as refusal:
        if mapping is None or not among_others or file == STDIN:
            raise
        try:
            batches = read_input(file, kind, None, profiles, decimal)
        except InputRefused:
            raise refusal from None
        return (replace(batches[0], notes=("the mapping was not needed", *batches[0].notes)), *batches[1:])


def take(
    database: Database,
    inputs: Iterable[tuple[str, tuple[Batch, ...] | DriftwatchError]],
    *,
    strict: bool = False,
    dry_run: bool = False,
    progress: Callable[[str, int, int], None] | None = None,
) -> list[ImportOutcome]:
    """Take files in, each all or nothing: units first, then snapshots, then events.

    A refused file does not stop the others; trouble with the store does, and is raised. A dry run of several
    files is made on a copy of the store, as what becomes of one may depend on those before it.
    """
    ordered = sorted(inputs, key=_order)
    if dry_run and len(ordered) > 1:
        with database.trial() as copy:
            tried = take(copy, ordered, strict=strict, progress=progress)
        return [
            replace(outcome, report=replace(outcome.report, dry_run=True)) if outcome.report else outcome
            for outcome in tried
        ]
    outcomes = []
    for file, batches in ordered:
        if isinstance(batches, DriftwatchError):
            outcomes.append(ImportOutcome(file, None, batches))
            continue
        try:
            report = database.import_batches(batches, strict=strict, dry_run=dry_run, progress=progress)
            outcomes.append(ImportOutcome(file, report, None))
        except StoreError:
            raise
        except DriftwatchError as refusal:
            outcomes.append(ImportOutcome(file, None, refusal))
    return outcomes


def refused(inputs: Sequence[tuple[str, tuple[Batch, ...] | DriftwatchError]]) -> list[ImportOutcome]:
    """Give the outcome of those files that could not be read."""
    return [ImportOutcome(file, None, e) for file, e in inputs if isinstance(e, DriftwatchError)]


def _order(item: tuple[str, tuple[Batch, ...] | DriftwatchError]) -> int:
    """Give a file's place, whatever order they are named in: readings need their unit."""
    from driftwatch.intake.columns import KINDS

    batches, places = item[1], list(KINDS)
    if isinstance(batches, DriftwatchError):
        return -1
    return min(places.index(batch.kind) for batch in batches)
