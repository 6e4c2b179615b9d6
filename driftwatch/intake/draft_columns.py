"""Which columns of a wide file are about the whole snapshot: found by their names, and by what is in them."""

from __future__ import annotations

import statistics
from dataclasses import dataclass
from datetime import datetime

from driftwatch.intake.tables import RawTable
from driftwatch.intake.words import NOT_THIS, SNAPSHOT_WORDS, words
from driftwatch.quantities import convertible, known_unit, unit_name

#: Rows that are looked at.
SAMPLE = 200
#: A fluid that is read above this is in degF, where nothing says so: hotter than any in degC, usual in degF.
HOT = 130.0

_DATES = (
    *("%m/%d/%Y", "%d/%m/%Y", "%d.%m.%Y", "%m-%d-%Y", "%d-%m-%Y", "%Y/%m/%d", "%Y.%m.%d"),
    *("%m/%d/%y", "%d/%m/%y", "%d.%m.%y", "%d-%b-%Y", "%d %b %Y", "%b %d, %Y", "%d-%b-%y", "%Y%m%d"),
)
_TIMES = ("", " %H:%M", " %H:%M:%S", " %I:%M %p", " %I:%M:%S %p")


@dataclass(frozen=True)
class SnapshotColumns:
    """What was found of the columns about the snapshot.

    Attributes
    ----------
    columns : dict
        `unit`, `taken_at`, `odometer`, `fluid_temp`, `mode`, `source` -> column of the file.
    odometer_unit, fluid_temp_unit : str
    time_format : str
        As in Python's strptime; "" for ISO 8601.
    notes : tuple of str
        What is unsure.

    """

    columns: dict[str, str]
    odometer_unit: str
    fluid_temp_unit: str
    time_format: str
    notes: tuple[str, ...]


def snapshot_columns(table: RawTable, names: list[str]) -> SnapshotColumns:
    """Propose which of some columns are about the snapshot."""
    columns: dict[str, str] = {}
    notes: list[str] = []
    samples = {name: sample_of(table, name) for name in names}
    for what in SNAPSHOT_WORDS:
        free = [name for name in names if name not in columns.values()]
        ranked = _ranked(what, free, samples)
        if ranked:
            columns[what] = ranked[0]
        if len(ranked) > 1:
            notes.append(f"not sure: {what} could also be {', '.join(map(repr, ranked[1:]))}")
        if not ranked and what in ("unit", "taken_at", "odometer"):
            columns[what] = f"FILL IN: the column with the {what}"
            notes.append(f"not found: which column is {what}; fill it in below")
    odometer = _distance(columns.get("odometer", ""), notes)
    temp = _temperature(columns.get("fluid_temp", ""), samples, notes)
    time_format = _time_format(samples.get(columns["taken_at"], []), odometer == "mi", notes)
    return SnapshotColumns(columns, odometer, temp, time_format, tuple(notes))


def sample_of(table: RawTable, name: str) -> list[str]:
    """Give the filled fields among a column's first rows."""
    return [text.strip() for text in table.texts(name)[:SAMPLE].to_pylist() if text.strip()]


def numbers_in(sample: list[str]) -> list[float]:
    """Give the fields that are numbers, with a decimal comma or point."""
    found = []
    for text in sample:
        try:
            found.append(float(text.replace(",", ".") if text.count(",") == 1 else text))
        except ValueError:
            continue
    return found


def unit_in(name: str, fits: str = "degC") -> str:
    """Find a unit of measure in a column name: in brackets, or as a word; "" if none is there that fits."""
    bracketed = [part.split(")")[0].split("]")[0] for part in name.replace("[", "(").split("(")[1:]]
    plain = "".join(" " if sign in "()[],;_" else sign for sign in name).split()
    for text in (*bracketed, *reversed(plain)):
        if known_unit(text) and convertible(text, fits) and not text.isdigit():
            return unit_name(text)
    return ""


def _ranked(what: str, names: list[str], samples: dict[str, list[str]]) -> list[str]:
    """Give the columns that may be meant, the likeliest first."""
    known = SNAPSHOT_WORDS[what]
    scored = []
    for place, name in enumerate(names):
        told = words(name)
        places = [known.index(word) for word in told if word in known]
        if not places or any(word in NOT_THIS.get(what, ()) for word in told):
            continue
        if what == "fluid_temp" and not unit_in(name) and not {"temp", "temperature", "tft"} & set(told):
            continue
        if what == "taken_at" and not _may_be_times(samples[name]):
            continue
        if what in ("odometer", "fluid_temp") and samples[name] and not numbers_in(samples[name]):
            continue
        scored.append((min(places), place, name))
    return [name for _, _, name in sorted(scored)]


def _may_be_times(sample: list[str]) -> bool:
    return not sample or any(_is_iso(text) for text in sample) or bool(_fitting_formats(sample))


def _is_iso(text: str) -> bool:
    try:
        datetime.fromisoformat(text)
    except ValueError:
        return False
    return "-" in text


def _fitting_formats(sample: list[str]) -> list[str]:
    """Give the ways of writing times that most fields follow."""
    fitting = []
    for date in _DATES:
        for time in _TIMES:
            form = date + time
            fits = sum(_fits(text, form) for text in sample)
            if fits >= 0.8 * len(sample):
                fitting.append(form)
    return fitting


def _fits(text: str, form: str) -> bool:
    try:
        datetime.strptime(text, form)
    except ValueError:
        return False
    return True


def _time_format(sample: list[str], us: bool, notes: list[str]) -> str:
    if not sample or sum(map(_is_iso, sample)) >= 0.8 * len(sample):
        return ""
    fitting = _fitting_formats(sample)
    if not fitting:
        notes.append(f"not sure: how times are written, such as {sample[0]!r}; fill in time_format")
        return ""
    # Where day and month can both be first, sheets in miles are taken to be written the US way.
    first = (
        fitting[0]
        if us or len(fitting) == 1
        else next((f for f in fitting if f.startswith("%d")), fitting[0])
    )
    others = [form for form in fitting if form != first]
    if others:
        notes.append(f"not sure: time_format {first!r} is taken; {sample[0]!r} could also be {others[0]!r}")
    return first


def _distance(name: str, notes: list[str]) -> str:
    told = words(name)
    if {"mi", "miles", "mile", "mileage"} & set(told):
        if "mileage" in told and not {"mi", "miles", "mile"} & set(told):
            notes.append("not sure: mileage is taken to be in mi")
        return "mi"
    if not {"km", "kms", "kilometres", "kilometers"} & set(told):
        notes.append("not sure: the name does not say so; the odometer is taken to be in km")
    return "km"


def _temperature(name: str, samples: dict[str, list[str]], notes: list[str]) -> str:
    if not name:
        return "degC"
    unit = unit_in(name)
    if unit in ("degC", "degF"):
        return unit
    values = numbers_in(samples.get(name, []))
    hot = bool(values) and statistics.median(values) > HOT
    taken = "degF" if hot else "degC"
    why = (
        f"the readings are around {statistics.median(values):.0f}, so" if hot else "the name does not say so;"
    )
    notes.append(f"not sure: {why} the fluid temperature is taken to be in {taken}")
    return taken
