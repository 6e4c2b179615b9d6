"""Files that were sent: kept under names that can do no harm, in a folder that only a number names."""

from __future__ import annotations

import re
import shutil
import unicodedata
from collections.abc import Iterable
from pathlib import Path
from uuid import uuid4

from starlette.datastructures import UploadFile

from driftwatch.errors import InputRefused, StoreError
from driftwatch.inputs import MAPPING_ENDING

#: Longest name that is kept, in signs; and the uploads that are kept for those that nobody took in.
LONGEST_NAME, KEPT_UPLOADS = 120, 12


def keep(files: Iterable[object], folder: Path) -> tuple[str, list[str]]:
    """Write files that were sent into a new folder.

    Parameters
    ----------
    files : iterable
        Of a form's field; what is no file, or is empty and has no name, is passed over.
    folder : Path
        The new folder is made in it.

    Returns
    -------
    mark : str
        Name of the new folder.
    names : list of str
        The files' names there, without those of mappings.

    Raises
    ------
    InputRefused
        If there is no file among them.
    StoreError
        If the disk does not take them.

    """
    sent = [file for file in files if isinstance(file, UploadFile) and file.filename]
    if not sent:
        raise InputRefused("no file was chosen", do="choose one or more")
    mark = uuid4().hex
    target = folder / mark
    names: list[str] = []
    try:
        target.mkdir(mode=0o700)
        for file in sent:
            name = free_name(plain_name(str(file.filename)), {*names})
            with (target / name).open("xb") as place:
                shutil.copyfileobj(file.file, place)
            names.append(name)
    except OSError as problem:
        shutil.rmtree(target, ignore_errors=True)
        raise StoreError(
            f"the files could not be kept ({problem.strerror})", "the page's folder", "free some space"
        ) from None
    return mark, [name for name in names if not name.endswith(MAPPING_ENDING)]


def plain_name(told: str) -> str:
    """Give the last part of a name without signs that mean something to a system; never hidden or empty."""
    last = re.split(r"[/\\]", told)[-1]
    last = "".join(c for c in last if unicodedata.category(c)[0] != "C" and c not in '<>:"|?*')
    last = " ".join(last.split()).strip(" .")
    stem, dot, ending = last.rpartition(".")
    if len(last.encode()) > LONGEST_NAME:
        last = (
            (stem if dot else last).encode()[: LONGEST_NAME - 20].decode("utf-8", "ignore")
            + dot
            + ending[:15]
        )
    return last or "file"


def free_name(name: str, taken: set[str]) -> str:
    """Give the name, or one like it that is not taken; upper and lower case are the same to some systems."""
    folded = {other.casefold() for other in taken}
    stem, dot, ending = name.partition(".")
    number, free = 1, name
    while free.casefold() in folded:
        number += 1
        free = f"{stem} ({number}){dot}{ending}"
    return free


def forget_oldest(folder: Path, in_use: set[str]) -> None:
    """Remove the oldest uploads beyond those that are kept; none that is being worked on."""
    there = sorted(folder.iterdir(), key=lambda p: p.stat().st_mtime, reverse=True)
    for old in there[KEPT_UPLOADS:]:
        if old.name not in in_use:
            shutil.rmtree(old, ignore_errors=True)
