"""From records to panels: one pass over the fleet's readings, then array slices per unit."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from driftwatch.panel.panel import Bools, Cell, Event, Floats, Panel, Times
from driftwatch.panel.robust import repeats
from driftwatch.profile.model import Profile
from driftwatch.store.records import Records

#: Without learn counts, a mode in which at least this share of cells repeats exactly was not driven.
REPEAT_SHARE = 0.6
#: And one in which at least this share of all readings repeats is seldom driven: no repeat in it is news.
SELDOM_SHARE = 0.35
#: Where more than this share of a unit's readings moved, something was learned, whatever its counts say.
OFTEN_MOVED = 0.5


def panels(records: Records) -> list[Panel]:
    """Give one panel a unit, in the order of `records.units`.

    A reading is usable unless it repeats an old value: its learn count is 0 and the value has not moved,
    or, without counts, its whole mode stood still or does so often. A value that
    moved although nothing was learned is kept: that is what clearing the learned values looks like.
    Counts of a unit that are all 0 though its values keep moving were not counted; see `not_counted`.
    """
    readings = _by_unit(records.readings)
    snapshots = _by_unit(records.snapshots)
    by_unit = _slices(readings["unit"])
    snaps_by_unit = _slices(snapshots["unit"])
    log = _by_unit(records.events)
    events_by_unit = _slices(log["unit"])
    columns, names = _reading_columns(readings)
    places = {name: _places(profile, names) for name, profile in records.profiles.items()}
    taken = snapshots["taken_at"].to_numpy("datetime64[us]")
    odometer = snapshots["odometer_km"].to_numpy(float)
    temperature = snapshots["fluid_temp_c"].to_numpy(float)
    events = _events(log)
    made = []
    for row in records.units.to_dict("records"):
        unit = str(row["unit"])
        profile = records.profiles[str(row["profile"])]
        here = snaps_by_unit.get(unit, slice(0, 0))
        rows = by_unit.get(unit, slice(0, 0))
        cells, values, counts = _matrix(
            profile, places[profile.name], taken[here], {k: v[rows] for k, v in columns.items()}
        )
        days = (
            (taken[here] - taken[here][:1]) / np.timedelta64(1, "D")
            if here.stop > here.start
            else np.empty(0)
        )
        made.append(
            Panel(
                unit=unit,
                profile=profile,
                taken_at=taken[here],
                days=days.astype(float),
                odometer_km=odometer[here],
                fluid_temp_c=temperature[here],
                cells=cells,
                values=values,
                learn_counts=counts,
                usable=usable_readings(values, counts, cells),
                slips=np.zeros(values.shape, dtype=bool),
                events=tuple(events[events_by_unit.get(unit, slice(0, 0))]),
                site=_text(row.get("site")),
                note=_text(row.get("note")),
                in_service_on=row.get("in_service_on"),
            )
        )
    return made


def usable_readings(values: Floats, counts: Floats, cells: tuple[Cell, ...]) -> Bools:
    """Say which readings carry news. Arrays (T, C); see `panels` for the rule."""
    read = np.isfinite(values)
    usable = read.copy()
    if len(values) < 2:
        return usable
    same = repeats(values)[1]
    usable &= ~(same & (counts == 0))
    uncounted = ~np.isfinite(counts)
    modes = np.array([cell.mode for cell in cells])
    for mode in np.unique(modes):
        inside = (modes == mode) & (modes != "")
        if inside.sum() < 3:
            continue
        known = read & uncounted & inside
        share = (same & known).sum(axis=1) / np.maximum(known.sum(axis=1), 1)
        seldom = (same & known).sum() >= SELDOM_SHARE * known[1:].sum()
        usable &= ~(same & known & ((share >= REPEAT_SHARE) | seldom)[:, None])
    return usable


def not_counted(values: Floats, counts: Floats) -> bool:
    """Whether counts (T, C) are noughts that stand for "not counted".

    Values that keep moving were learned. A clearing, too, moves values that learned from nothing, but once.
    """
    if not (counts[np.isfinite(counts)] == 0.0).all():
        return False
    follows = np.isfinite(values) & (np.cumsum(np.isfinite(values), axis=0) > 1)
    moved = follows & ~repeats(values)[1]
    return bool(moved.any(axis=1).sum() > 1 and moved.sum() > OFTEN_MOVED * follows.sum())


def _by_unit(frame: pd.DataFrame) -> pd.DataFrame:
    """Give the frame with each unit's rows together; unchanged where they are."""
    codes = pd.factorize(frame["unit"])[0]
    if (np.diff(codes) >= 0).all():
        return frame
    return frame.iloc[np.argsort(codes, kind="stable")]


def _slices(sorted_units: pd.Series[Any]) -> dict[str, slice]:
    """Give the row range of each unit in a column sorted by unit."""
    if not len(sorted_units):
        return {}
    codes, names = pd.factorize(sorted_units)
    starts = np.flatnonzero(np.r_[True, codes[1:] != codes[:-1]])
    stops = np.r_[starts[1:], len(codes)]
    return {names[codes[a]]: slice(int(a), int(b)) for a, b in zip(starts, stops, strict=True)}


Key = tuple[str, str, str]


def _reading_columns(readings: pd.DataFrame) -> tuple[dict[str, Any], list[Key]]:
    """Give the readings' columns as arrays; (signal, channel, mode) as one code, with the codes' names."""
    text = [readings[name].astype("category") for name in ("signal", "channel", "mode")]
    joint = np.zeros(len(readings), dtype=np.int64)
    for part in text:
        joint = joint * max(len(part.cat.categories), 1) + part.cat.codes.to_numpy()
    code, first = pd.factorize(joint)
    at = [int(np.argmax(joint == value)) for value in first]
    names = [(str(text[0].iloc[i]), str(text[1].iloc[i]), str(text[2].iloc[i])) for i in at]
    columns = {
        "taken_at": readings["taken_at"].to_numpy("datetime64[us]"),
        "value": readings["value"].to_numpy(float),
        "learn_count": readings["learn_count"].to_numpy(float),
        "cell": code,
    }
    return columns, names


def _places(profile: Profile, names: list[Key]) -> NDArray[np.int64]:
    """Give each cell code its place in the profile's order; -1 for a cell that the profile lacks."""
    order = {cell: i for i, cell in enumerate(_possible(profile))}
    return np.array([order.get(name, -1) for name in names], dtype=np.int64)


def _matrix(
    profile: Profile, places: NDArray[np.int64], taken: Times, columns: dict[str, Any]
) -> tuple[tuple[Cell, ...], Floats, Floats]:
    """Place one unit's readings in (T, C) matrices, cells in the profile's order."""
    place = places[columns["cell"]] if len(columns["cell"]) else np.empty(0, dtype=np.int64)
    # Cells that the profile no longer has (it was replaced by one with fewer shifts) are not looked at.
    known = place >= 0
    place, columns = place[known], {name: values[known] for name, values in columns.items()}
    present = np.unique(place)
    values = np.full((len(taken), len(present)), np.nan)
    counts = np.full_like(values, np.nan)
    row = np.searchsorted(taken, columns["taken_at"])
    column = np.searchsorted(present, place)
    values[row, column] = columns["value"]
    counts[row, column] = columns["learn_count"]
    if not_counted(values, counts):
        counts[:] = np.nan
    possible = _possible(profile)
    return tuple(_cell(profile, *possible[i]) for i in present), values, counts


def _possible(profile: Profile) -> list[Key]:
    """Give every (signal, channel, mode) that the profile can have: packs first, then mode by mode."""
    packs = [(s.name, c.id, "") for s in profile.signals if s.per_pack for c in profile.clutches]
    shifts = [
        (s.name, shift.id, mode)
        for s in profile.signals
        if not s.per_pack
        for mode in profile.modes
        for shift in profile.shifts
    ]
    return packs + shifts


def _cell(profile: Profile, signal: str, channel: str, mode: str) -> Cell:
    """Make a cell, with the packs its shift applies and releases."""
    kind = profile.signal(signal)
    if kind.per_pack:
        return Cell(signal, channel, "", kind.unit, applies=channel)
    shift = profile.shift(channel)
    return Cell(signal, channel, mode, kind.unit, shift.applies, shift.releases, shift.is_up)


def _events(frame: pd.DataFrame) -> list[Event]:
    """Give the log's entries as objects, in the frame's order."""
    return [
        Event(
            id=str(row["event_id"]),
            happened_at=pd.Timestamp(row["happened_at"]).to_datetime64().astype("datetime64[us]"),
            kind=str(row["kind"]),
            amount=None if pd.isna(row["amount"]) else float(row["amount"]),
            amount_unit=_text(row["amount_unit"]),
            note=_text(row["note"]),
        )
        for row in frame.to_dict("records")
    ]


def _text(value: Any) -> str:
    return "" if value is None or (not isinstance(value, str) and pd.isna(value)) else str(value)
