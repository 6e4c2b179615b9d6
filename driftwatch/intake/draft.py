"""Draft a mapping for a wide file from its header and first rows; the draft says what it is unsure of."""

from __future__ import annotations

import statistics
from collections.abc import Iterable
from dataclasses import replace

from driftwatch.errors import InputRefused
from driftwatch.intake.draft_columns import numbers_in, sample_of, snapshot_columns, unit_in
from driftwatch.intake.mapping import CellColumn, Mapping
from driftwatch.intake.tables import RawTable
from driftwatch.intake.words import (
    COUNT_WORDS,
    MODE_WORDS,
    PRESSURE_WORDS,
    PRESSURES,
    SIGNAL_WORDS,
    pack_in,
    shift_in,
    words,
)
from driftwatch.profile.model import PACK_SIGNALS, Profile, Signal
from driftwatch.quantities import convertible, known_unit, to_unit, unit_name

#: Other units of measure in which a signal may be written where its name does not say it.
_OTHER_UNITS = ("in3", "psi", "bar", "ms", "kPa", "cm3", "s")


def draft_mapping(table: RawTable, profile: Profile) -> Mapping:
    """Propose which column is which cell, from the header and, where that does not say it, the first rows.

    Parameters
    ----------
    table : RawTable
        The wide file.
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
    counts: list[CellColumn] = []
    rest: list[str] = []
    for column in table.columns:
        cell = _cell(table, column, profile)
        if cell is None:
            rest.append(column)
        elif _has(words(column), COUNT_WORDS):
            counts.append(cell)
        else:
            cells.append(cell)
    if not cells:
        raise InputRefused(
            f"no column looks like a value of profile {profile.name!r}",
            table.name,
            "name shifts like 1-2, packs by their id, and the signal in words",
        )
    found = snapshot_columns(table, rest)
    cells = [_with_count(cell, counts) for cell in cells]
    if "mode" not in found.columns:
        cells = [_with_mode(cell, profile) for cell in cells]
    kept, doubled = _without_doubles(cells)
    used = {*found.columns.values(), *(c.column for c in kept), *(c.learn_count for c in kept)}
    notes = list(found.notes)
    notes += [f"left out, as it seems to be the same cell as {first!r}: {name!r}" for first, name in doubled]
    used |= {name for _, name in doubled}
    notes += [f"not understood, and left out: {name!r}" for name in table.columns if name not in used]
    return Mapping(
        columns=found.columns,
        cells=tuple(kept),
        odometer_unit=found.odometer_unit,
        fluid_temp_unit=found.fluid_temp_unit,
        time_format=found.time_format,
        notes=tuple(notes),
    )


def _cell(table: RawTable, column: str, profile: Profile) -> CellColumn | None:
    """Read one column name as a cell; None if it names no channel of the profile, or no signal fits."""
    told, unsure = words(column), []
    channel, doubt = shift_in(column, {s.id for s in profile.shifts})
    is_pack = not channel
    if is_pack:
        channel = pack_in(column, [c.id for c in profile.clutches])
    if not channel:
        return None
    unsure.append(doubt)
    signal, doubt = _signal(told, [s for s in profile.signals if s.per_pack == is_pack], is_pack)
    if signal is None:
        return None
    unsure.append(doubt)
    unit, doubt = _unit(table, column, signal)
    unsure.append(doubt)
    mode = next((m for m in profile.modes if _has(told, (m.casefold(), *MODE_WORDS.get(m, ())))), None)
    if is_pack:
        # A mapping knows without a profile that a clutch volume has no mode; other pack values must say so.
        mode = None if signal.name in PACK_SIGNALS else ""
    return CellColumn(column, channel, signal.name, mode, unit, None, "; ".join(filter(None, unsure)))


def _signal(told: list[str], own: list[Signal], is_pack: bool) -> tuple[Signal | None, str]:
    """Find the signal that a name speaks of, and what is unsure about it."""
    exact = [s for s in own if all(part in told for part in s.name.split("_"))]
    named = exact or [s for s in own if _has(told, (*SIGNAL_WORDS.get(s.name, ()), *s.name.split("_")))]
    if not exact and _has(told, PRESSURE_WORDS) and not _has(told, SIGNAL_WORDS["apply_trim"]):
        released = _has(told, SIGNAL_WORDS["release_trim"])
        named = [s for s in own if s.name in PRESSURES and not (released and s.name != "release_trim")]
    if not named and is_pack and len(own) == 1:
        return own[0], f"the name does not say so, but {own[0].name} is the only signal of a pack"
    if not named:
        return None, ""
    return named[0], f"could be {' or '.join(s.name for s in named)}" if len(named) > 1 else ""


def _unit(table: RawTable, column: str, signal: Signal) -> tuple[str, str]:
    """Find the unit of measure in the name, or by what would make sense of the values."""
    unit = unit_in(column, signal.unit)
    if unit:
        return unit, ""
    own = unit_name(signal.unit) if known_unit(signal.unit) else ""
    values = numbers_in(sample_of(table, column))
    if own and values and signal.lower is not None and signal.upper is not None:
        usual = statistics.median(values)
        if not signal.lower <= usual <= signal.upper:
            for other in _OTHER_UNITS:
                if convertible(other, own) and signal.lower <= to_unit(usual, other, own) <= signal.upper:
                    return (
                        other,
                        f"the unit is not in the name; values around {usual:g} make sense in {other}",
                    )
    return own, f"the unit is not in the name; {signal.unit} is taken"


def _with_count(cell: CellColumn, counts: list[CellColumn]) -> CellColumn:
    for other in counts:
        if (other.channel, other.signal, other.mode) == (cell.channel, cell.signal, cell.mode):
            return replace(cell, learn_count=other.column)
    return cell


def _with_mode(cell: CellColumn, profile: Profile) -> CellColumn:
    if cell.mode is not None or profile.signal(cell.signal).per_pack:
        return cell
    doubt = f"the name says no mode; {profile.modes[0]} is taken"
    return replace(cell, mode=profile.modes[0], unsure="; ".join(filter(None, (cell.unsure, doubt))))


def _without_doubles(cells: list[CellColumn]) -> tuple[list[CellColumn], list[tuple[str, str]]]:
    """Keep the first column of each cell; give the others beside the one that is kept."""
    kept: dict[tuple[str, str, str | None], CellColumn] = {}
    doubled = []
    for cell in cells:
        first = kept.setdefault((cell.channel, cell.signal, cell.mode), cell)
        if first is not cell:
            doubled.append((first.column, cell.column))
    return list(kept.values()), doubled


def _has(told: list[str], wanted: Iterable[str]) -> bool:
    return any(word in told for word in wanted)
