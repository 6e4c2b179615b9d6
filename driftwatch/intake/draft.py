"""Draft a mapping from the header of a wide file: a proposal that says what it is unsure of."""

from __future__ import annotations

import re
from collections.abc import Iterable

from driftwatch.errors import InputRefused
from driftwatch.intake.mapping import CellColumn, Mapping
from driftwatch.intake.tables import RawTable
from driftwatch.profile.model import PACK_SIGNALS, Profile
from driftwatch.quantities import convertible, known_unit, unit_name

#: Words by which a column tells what it is of the snapshot itself; earlier entries are surer.
SNAPSHOT_WORDS = {
    "unit": ("unit", "truck", "vehicle", "bus", "van", "asset", "fleet", "transmission", "serial"),
    "taken_at": ("taken", "date", "datetime", "timestamp", "time", "day", "when"),
    "odometer": ("odometer", "odo", "mileage", "distance", "miles", "km"),
    "fluid_temp": ("temp", "temperature"),
    "mode": ("mode", "program", "programme", "range"),
    "source": ("source", "tool", "reader"),
}

#: Words by which a column tells which signal it holds.
SIGNAL_WORDS = {
    "clutch_volume": ("volume", "vol", "fill", "capacity"),
    "apply_trim": ("apply", "applying", "app", "oncoming", "on"),
    "release_trim": ("release", "releasing", "rel", "offgoing", "off"),
    "shift_time": ("time", "duration", "dur"),
    "torque_cut": ("torque", "cut", "reduction", "tq"),
}

MODE_WORDS = {"normal": ("norm", "nrm", "std"), "tow": ("haul", "towing", "th"), "low": ("lo", "lowrange")}
COUNT_WORDS = ("count", "learned", "learnt", "learns", "repeats", "n")

_SHIFT = re.compile(r"(?<!\d)(\d{1,2})\s*(?:-+>?|>|→|–|_|/|\bto\b)\s*(\d{1,2})(?!\d)", re.IGNORECASE)
_PACK = re.compile(r"(?<![a-z])(?:pack|clutch|c|p|k)\s*[#_-]?\s*([a-z0-9]{1,2})(?![a-z0-9])", re.IGNORECASE)


def draft_mapping(table: RawTable, profile: Profile) -> Mapping:
    """Propose which column is which cell, from the header alone.

    Parameters
    ----------
    table : RawTable
        The wide file; only its header is looked at.
    profile : Profile
        The transmission whose shifts, packs, signals and modes the columns are matched with.

    Returns
    -------
    Mapping
        `notes` and each cell's `unsure` say what was guessed; `to_toml` writes them as comments.

    Raises
    ------
    InputRefused
        If no column looks like a cell of that transmission.

    """
    cells: list[CellColumn] = []
    counts: list[tuple[str, CellColumn]] = []
    rest: list[str] = []
    for column in table.columns:
        cell = _cell(column, profile)
        if cell is None:
            rest.append(column)
        elif _has(_words(column), COUNT_WORDS):
            counts.append((column, cell))
        else:
            cells.append(cell)
    if not cells:
        raise InputRefused(
            f"no column looks like a value of profile {profile.name!r}",
            table.name,
            "name shifts like 1-2, packs by their id, and the signal in words",
        )
    columns, notes = _snapshot_columns(rest)
    cells = [_with_count(cell, counts) for cell in cells]
    if "mode" not in columns:
        cells = [_with_mode(cell, profile) for cell in cells]
    cells, doubled = _without_doubles(cells)
    used = {*columns.values(), *(c.column for c in cells), *(c.learn_count for c in cells if c.learn_count)}
    notes += doubled
    notes += [
        f"not understood, and left out: {name!r}"
        for name in table.columns
        if name not in {*used, *_of(doubled)}
    ]
    return Mapping(
        columns=columns,
        cells=tuple(cells),
        odometer_unit="mi" if _has(_words(columns.get("odometer", "")), ("mi", "miles", "mile")) else "km",
        fluid_temp_unit="degF" if _unit_in(columns.get("fluid_temp", "")) == "degF" else "degC",
        notes=tuple(notes),
    )


def _cell(column: str, profile: Profile) -> CellColumn | None:
    """Read one column name as a cell; None if it names no channel of the profile, or no signal fits."""
    words = _words(column)
    channel, is_pack = _channel(column, profile)
    if channel is None:
        return None
    own = [s for s in profile.signals if s.per_pack == is_pack]
    named = [s for s in own if _has(words, (*SIGNAL_WORDS.get(s.name, ()), *s.name.split("_")))]
    exact = [s for s in own if all(part in words for part in s.name.split("_"))]
    unsure = []
    if exact:
        named = exact
    elif not named and is_pack and len(own) == 1:
        named = own
        unsure.append(f"the name does not say so, but {own[0].name} is the only signal of a pack")
    if not named:
        return None
    if len(named) > 1:
        unsure.append(f"could be {' or '.join(s.name for s in named)}")
    signal = named[0]
    unit = _unit_in(column, signal.unit)
    if not unit:
        unit = unit_name(signal.unit) if known_unit(signal.unit) else ""
        unsure.append(f"the unit is not in the name; {signal.unit} is taken")
    mode = next((m for m in profile.modes if _has(words, (m.casefold(), *MODE_WORDS.get(m, ())))), None)
    if is_pack:
        # A mapping knows without a profile that a clutch volume has no mode; other pack values must say so.
        mode = None if signal.name in PACK_SIGNALS else ""
    return CellColumn(column, channel, signal.name, mode, unit, None, "; ".join(unsure))


def _channel(column: str, profile: Profile) -> tuple[str | None, bool]:
    shifts = {s.id for s in profile.shifts}
    for old, new in _SHIFT.findall(column):
        if f"{int(old)}-{int(new)}" in shifts:
            return f"{int(old)}-{int(new)}", False
    words = _words(column)
    for clutch in profile.clutches:
        if clutch.id.casefold() in words:
            return clutch.id, True
    for tail in _PACK.findall(column):
        for clutch in profile.clutches:
            if re.sub(r"^(pack|clutch|c|p|k)[_-]?", "", clutch.id.casefold()) == tail.casefold():
                return clutch.id, True
    return None, False


def _snapshot_columns(names: list[str]) -> tuple[dict[str, str], list[str]]:
    columns: dict[str, str] = {}
    notes = []
    for what, words in SNAPSHOT_WORDS.items():
        free = [name for name in names if name not in columns.values()]
        ranked = [name for word in words for name in free if word in _words(name)]
        candidates = list(dict.fromkeys(ranked))
        if candidates:
            columns[what] = candidates[0]
        if len(candidates) > 1:
            notes.append(f"not sure: {what} could also be {', '.join(map(repr, candidates[1:]))}")
        if not candidates and what in ("unit", "taken_at", "odometer"):
            columns[what] = f"FILL IN: the column with the {what}"
            notes.append(f"not found: which column is {what}; fill it in below")
    return columns, notes


def _with_count(cell: CellColumn, counts: list[tuple[str, CellColumn]]) -> CellColumn:
    for column, other in counts:
        if (other.channel, other.signal, other.mode) == (cell.channel, cell.signal, cell.mode):
            return _changed(cell, learn_count=column)
    return cell


def _with_mode(cell: CellColumn, profile: Profile) -> CellColumn:
    if cell.mode is not None or profile.signal(cell.signal).per_pack:
        return cell
    doubt = f"the name says no mode; {profile.modes[0]} is taken"
    return _changed(cell, mode=profile.modes[0], unsure="; ".join(filter(None, (cell.unsure, doubt))))


def _without_doubles(cells: list[CellColumn]) -> tuple[list[CellColumn], list[str]]:
    kept: dict[tuple[str, str, str | None], CellColumn] = {}
    notes = []
    for cell in cells:
        first = kept.setdefault((cell.channel, cell.signal, cell.mode), cell)
        if first is not cell:
            notes.append(f"left out, as it seems to be the same cell as {first.column!r}: {cell.column!r}")
    return list(kept.values()), notes


def _of(notes: list[str]) -> set[str]:
    return {note.rsplit(": ", 1)[1].strip("'\"") for note in notes}


def _changed(
    cell: CellColumn, *, mode: str | None = None, learn_count: str | None = None, unsure: str = ""
) -> CellColumn:
    return CellColumn(
        cell.column,
        cell.channel,
        cell.signal,
        mode or cell.mode,
        cell.unit,
        learn_count or cell.learn_count,
        unsure or cell.unsure,
    )


def _words(text: str) -> list[str]:
    return re.findall(r"[^\W_]+", text.casefold())


def _has(words: list[str], wanted: Iterable[str]) -> bool:
    return any(word in words for word in wanted)


def _unit_in(column: str, fits: str = "degC") -> str:
    """Find a unit of measure in a column name: in brackets, or as a word; "" if none is there that fits."""
    bracketed = re.findall(r"[(\[]([^)\]]+)[)\]]", column)
    words = re.findall(r"[^\s()\[\],;_]+", column)
    for text in (*bracketed, *reversed(words)):
        if known_unit(text) and convertible(text, fits) and not text.isdigit():
            return unit_name(text)
    return ""
