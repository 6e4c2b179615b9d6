"""What the page keeps beside the store: its key, its jobs, what was uploaded, the reports it made."""

from __future__ import annotations

import contextlib
import os
import secrets
import shutil
from pathlib import Path

from driftwatch.errors import StoreBusy, StoreError


class PageFolder:
    """The folder `STORE.page`, for one running page at a time.

    Attributes
    ----------
    path : Path
        The folder; only its owner may read it.

    """

    def __init__(self, db: Path) -> None:
        self.path = db.with_name(f"{db.name}.page")
        self._lock: int | None = None

    def take(self) -> None:
        """Make the folder and hold it.

        Raises
        ------
        StoreBusy
            If another page has it.
        StoreError
            If it cannot be made.

        """
        try:
            for folder in (self.path, self.jobs, self.uploads, self.reports, self.scratch):
                folder.mkdir(mode=0o700, exist_ok=True)
            number = os.open(self.path / "lock", os.O_RDWR | os.O_CREAT, 0o600)
        except OSError as problem:
            raise StoreError(
                f"the page's folder cannot be made ({problem.strerror})", str(self.path), "check the path"
            ) from None
        if not _locked(number):
            os.close(number)
            raise StoreBusy(
                "another page is being served from this store", str(self.path.parent), "use that one"
            )
        self._lock = number
        self.clear_scratch()

    def give_up(self) -> None:
        """Let another page have the folder; safe to call twice."""
        if self._lock is not None:
            os.close(self._lock)
            self._lock = None

    def key(self) -> bytes:
        """Give the page's own key, made at its first start."""
        place = self.path / "key"
        if not place.exists():
            number = os.open(place, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
            with os.fdopen(number, "wb") as stream:
                stream.write(secrets.token_bytes(32))
        return place.read_bytes()

    def clear_scratch(self) -> None:
        """Remove what a job that was broken off may have left."""
        shutil.rmtree(self.scratch, ignore_errors=True)
        self.scratch.mkdir(mode=0o700, exist_ok=True)

    @property
    def jobs(self) -> Path:
        """One JSON file a job."""
        return self.path / "jobs"

    @property
    def uploads(self) -> Path:
        """One folder for the files that were sent together."""
        return self.path / "uploads"

    @property
    def reports(self) -> Path:
        """One folder a report."""
        return self.path / "reports"

    @property
    def scratch(self) -> Path:
        """What is there while the page runs only: the copy that is read from, one folder a running job."""
        return self.path / "scratch"


def _locked(number: int) -> bool:
    """Hold a file for this process, until it ends, alone; False if another has it."""
    try:
        import fcntl
    except ImportError:  # not a POSIX system
        return _locked_elsewhere(number)
    with contextlib.suppress(OSError):
        fcntl.flock(number, fcntl.LOCK_EX | fcntl.LOCK_NB)
        return True
    return False


def _locked_elsewhere(number: int) -> bool:
    import msvcrt

    locking, mode = getattr(msvcrt, "locking"), getattr(msvcrt, "LK_NBLCK")  # noqa: B009 - not in typeshed here
    try:
        locking(number, mode, 1)
    except OSError:
        return False
    return True
