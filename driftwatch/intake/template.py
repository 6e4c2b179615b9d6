"""Blank reading sheets for a profile, as a workbook."""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path

import openpyxl

from driftwatch.errors import InputRefused, UsageError
from driftwatch.intake.form import write_form
from driftwatch.profile.model import Profile
from driftwatch.quantities import SYSTEMS, known_unit


def write_template(path: Path, profile: Profile, units: Sequence[str] = (), system: str = "SI") -> Path:
    """Write a workbook with one blank reading sheet, or one for each unit named.

    Parameters
    ----------
    path : path
        The new workbook; a file that is there already is left alone.
    profile : Profile
        The transmission whose packs, shifts, modes and signals the sheet has.
    units : sequence of str
        Units to make a sheet for each; one sheet without a name if empty.
    system : {"SI", "US"}
        Whether values are to be written in km, degC, kPa, cm3 or in mi, degF, psi, in3.

    Raises
    ------
    UsageError
        If there is a file of that name, or no such system of units.
    InputRefused
        If the profile measures a signal in a unit that cannot be converted.

    """
    if system not in SYSTEMS:
        raise UsageError(f"there is no system of units {system!r}", do="write SI or US")
    for signal in profile.signals:
        if not known_unit(signal.unit):
            raise InputRefused(f"{signal.unit!r} is no unit of measure", f"profile {profile.name}")
    book = openpyxl.Workbook()
    book.remove(book.active)
    for number, unit in enumerate(units or [""], start=1):
        write_form(book.create_sheet(_title(unit, number)), profile, unit, system)
    try:
        with path.open("xb") as target:
            book.save(target)
    except FileExistsError:
        raise UsageError("is there already", str(path), "give another --out, or remove it first") from None
    return path


def _title(unit: str, number: int) -> str:
    """Give a name that a sheet can have: 31 signs, and not these."""
    return re.sub(r"[\[\]:*?/\\'\x00-\x1f]", " ", unit).strip()[:31] or f"Reading {number}"
