"""Files put in their place at once, so that nothing half made is ever found there."""

from __future__ import annotations

import contextlib
import os
from pathlib import Path

from driftwatch.errors import UsageError


def put_in_place(partial: Path, path: Path) -> None:
    """Give a finished file its name, unless there is a file of that name already.

    Raises
    ------
    UsageError
        If another process was quicker.

    """
    try:
        os.link(partial, path)
    except FileExistsError:
        raise UsageError("there is already a file of that name", str(path), "choose another") from None
    except OSError:
        # Where the file system has no links, the name is taken the ordinary way.
        if path.exists():
            raise UsageError("there is already a file of that name", str(path), "choose another") from None
        partial.replace(path)
    sync_folder(path.parent)


def sync_folder(folder: Path) -> None:
    """Have the names in a folder written to the disk, where the system can."""
    with contextlib.suppress(OSError):
        number = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(number)
        finally:
            os.close(number)


def sync_file(path: Path) -> None:
    """Have a file's content written to the disk."""
    with path.open("rb+") as stream:
        os.fsync(stream.fileno())


def log_of(path: Path) -> Path:
    """Give the place of a store's log of unfinished writes."""
    return path.with_name(f"{path.name}.wal")


def fits_of(path: Path) -> Path:
    """Give the place of what was worked out of a store's units, see `driftwatch.assessment.kept`."""
    return path.with_name(f"{path.name}.fits")


def remove(path: Path) -> None:
    """Remove a store and what lies beside it, if they are there."""
    for file in (path, log_of(path), fits_of(path)):
        file.unlink(missing_ok=True)
