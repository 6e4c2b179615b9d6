"""Several files at once: read each, then take them in the order in which they need one another."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from driftwatch.errors import DriftwatchError, StoreError, UsageError

if TYPE_CHECKING:
    from driftwatch.intake.batch import Batch
    from driftwatch.intake.mapping import Mapping
    from driftwatch.profile.model import Profile
    from driftwatch.store.database import Database
    from driftwatch.store.report import ImportReport

#: Files are taken in this order, whatever order they are named in: readings need their unit.
KINDS_IN_ORDER = ("units", "snapshots", "events")


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


def read_input(
    path: str | Path,
    kind: str | None = None,
    mapping: Mapping | str | Path | None = None,
    profile: Profile | str | Path | None = None,
) -> Batch:
    """Read one file without a store; parameters and errors as for `Store.import_file`."""
    from driftwatch.intake.batch import read_batch
    from driftwatch.intake.mapping import Mapping
    from driftwatch.profile.load import read_profile

    if isinstance(mapping, str | Path):
        mapping = Mapping.read(mapping)
    if isinstance(profile, str | Path):
        profile = read_profile(profile)
    return read_batch(path, kind=kind, mapping=mapping, profile=profile)


def read_inputs(
    files: Iterable[str],
    kind: str | None = None,
    mapping: str | Path | None = None,
    profile: str | Path | None = None,
) -> list[tuple[str, Batch | DriftwatchError]]:
    """Read several files; one that cannot be understood is kept as its error, beside the others.

    Raises
    ------
    DriftwatchError
        If the mapping, the profile or the call is wrong: that concerns all files.

    """
    from driftwatch.intake.mapping import Mapping
    from driftwatch.profile.load import read_profile

    known_mapping = None if mapping is None else Mapping.read(mapping)
    known_profile = None if profile is None else read_profile(profile)
    inputs: list[tuple[str, Batch | DriftwatchError]] = []
    for file in files:
        try:
            inputs.append((file, read_input(file, kind, known_mapping, known_profile)))
        except UsageError:
            raise
        except DriftwatchError as error:
            inputs.append((file, error))
    return inputs


def take(
    database: Database,
    inputs: Iterable[tuple[str, Batch | DriftwatchError]],
    *,
    strict: bool = False,
    dry_run: bool = False,
    progress: Callable[[str, int, int], None] | None = None,
) -> list[ImportOutcome]:
    """Take files in, each all or nothing: units first, then snapshots, then events.

    A refused file does not stop the others; trouble with the store does, and is raised.
    """
    outcomes = []
    for file, batch in sorted(inputs, key=_order):
        if isinstance(batch, DriftwatchError):
            outcomes.append(ImportOutcome(file, None, batch))
            continue
        try:
            report = database.import_batch(batch, strict=strict, dry_run=dry_run, progress=progress)
            outcomes.append(ImportOutcome(file, report, None))
        except StoreError:
            raise
        except DriftwatchError as refusal:
            outcomes.append(ImportOutcome(file, None, refusal))
    return outcomes


def refused(inputs: Iterable[tuple[str, Batch | DriftwatchError]]) -> list[ImportOutcome]:
    """Give the outcome of those files that could not be read."""
    return [ImportOutcome(file, None, e) for file, e in inputs if isinstance(e, DriftwatchError)]


def _order(item: tuple[str, Batch | DriftwatchError]) -> int:
    batch = item[1]
    return -1 if isinstance(batch, DriftwatchError) else KINDS_IN_ORDER.index(batch.kind)
