"""Work beside a store, so that nobody has to wait for it: on what was taken out of it, or on a copy."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from driftwatch.api.opening import open_store
from driftwatch.api.store import Store
from driftwatch.api.stored import Progress
from driftwatch.days import Day
from driftwatch.store.files import fits_of, log_of
from driftwatch.wording import written

if TYPE_CHECKING:
    from driftwatch.assessment.results import UnitAnalysis
    from driftwatch.settings import Settings

#: Size, time of the last write and number of a store's file, and size and time of its log.
Stamp = tuple[int, ...]


def stamp_of(path: Path) -> Stamp | None:
    """Give a mark of a store's present content, another one after each write; None if there is none."""
    try:
        facts = path.stat()
    except OSError:
        return None
    try:
        log = log_of(path).stat()
    except OSError:
        return (facts.st_size, facts.st_mtime_ns, facts.st_ino)
    return (facts.st_size, facts.st_mtime_ns, facts.st_ino, log.st_size, log.st_mtime_ns)


@dataclass(frozen=True)
class Analysed:
    """A fleet's analyses, and what they were made from.

    Attributes
    ----------
    stamp : tuple of int, or None
        Of the store when it was read.
    as_of : date
    settings : Settings
    analyses : tuple of UnitAnalysis
        Every unit.

    """

    stamp: Stamp | None
    as_of: date
    settings: Settings
    analyses: tuple[UnitAnalysis, ...]


def analyse_store(
    path: Path, as_of: Day | None = None, wait: float = 0.0, progress: Progress = None
) -> Analysed:
    """Read a store, let go of it, and assess the fleet: others can write while that goes on.

    Parameters
    ----------
    path : Path
        The store's file.
    as_of : date or str, optional
        Only what was read or logged up to that day is known; today if left out.
    wait : float
        For how many seconds to wait where another process has the store.
    progress : callable, optional
        Called with what is being done, how much of it is done, and how much there is.

    """
    from driftwatch.assessment.assess import analyse
    from driftwatch.assessment.kept import Kept

    with open_store(path, read_only=True, wait=wait) as store:
        records, settings, stamp = store.records(as_of), store.settings, stamp_of(path)
    with written(settings.wording):
        analyses = analyse(records, settings, progress=progress, kept=Kept(fits_of(path)))
    return Analysed(stamp, records.as_of, settings, analyses)


def copy_now(path: Path, target: Path, wait: float = 0.0) -> Stamp | None:
    """Copy a store's file as it is, holding it for that moment only, and give the stamp of what was copied.

    Nothing is checked but that the store can be opened: for a copy to be kept, see `Store.backup`.
    """
    with open_store(path, read_only=True, wait=wait):  # nobody can write meanwhile
        shutil.copyfile(path, target)
        if log_of(path).exists():
            shutil.copyfile(log_of(path), log_of(target))
        return stamp_of(path)


@contextmanager
def lent_copy(path: Path, wait: float = 0.0) -> Iterator[Path]:
    """Give the path of a copy of a store as it is now, thrown away afterwards; others keep the store."""
    from driftwatch.store.backup import backup

    with tempfile.TemporaryDirectory(prefix="driftwatch-") as folder:
        yield backup(path, Path(folder) / path.name, wait=wait)


@contextmanager
def open_trial(path: Path, wait: float = 0.0) -> Iterator[Store]:
    """Open a copy of a store to try things on, or an empty one if there is none; thrown away afterwards."""
    if path.exists():
        with lent_copy(path, wait) as copy, open_store(copy) as store:
            yield store
        return
    with (
        tempfile.TemporaryDirectory(prefix="driftwatch-") as folder,
        open_store(Path(folder) / "trial.duckdb", create=True) as store,
    ):
        yield store
