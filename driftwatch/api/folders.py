"""Folders that reports and exports are written to, asked for before the work."""

from __future__ import annotations

import os
from pathlib import Path

from driftwatch.errors import UsageError


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
