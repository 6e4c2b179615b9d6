"""The shop's maps: channels x modes of what moved, held against what this kind of change should do."""

from __future__ import annotations

import numpy as np

from driftwatch.assessment.cautions import shifts_wanted
from driftwatch.panel.panel import Cell, Panel
from driftwatch.profile.model import PACK_SIGNALS
from driftwatch.reporting import sentences
from driftwatch.reporting.context.followup import ChangeMap, LearnRow, MapCell
from driftwatch.reporting.since import Move, shifts_seen
from driftwatch.settings import Settings
from driftwatch.wording import listed, shown, signed, unit_sign

#: In noise units: a move from here on counts as real, is drawn strong, or is nothing at all.
REAL, STRONG, NOTHING = 3.0, 6.0, 1.0


def learn_rows(panel: Panel, cut: int, settings: Settings) -> tuple[LearnRow, ...]:
    """Say for each mode and shift in use how many more shifts it wants, by the assessment's own count."""
    wanted = shifts_wanted(panel, cut, settings)
    most: dict[tuple[str, str], int] = {}
    for cell, want in zip(panel.cells, wanted.tolist(), strict=True):
        if want == want:  # not NaN: the shifts are counted
            key = (cell.mode, cell.channel)
            most[key] = max(most.get(key, 0), int(want))
    pace = _shifts_per_km(panel)
    rows = []
    for (mode, shift), seen in shifts_seen(panel, cut).items():
        if seen is None or (mode, shift) not in most:
            text = "not counted" if cut < len(panel.taken_at) else "not read since"
            rows.append(LearnRow(mode, shift, None, None, None, text))
            continue
        wants = most[(mode, shift)]
        rows.append(
            LearnRow(
                mode,
                shift,
                seen,
                wants,
                wants / pace[(mode, shift)] if wants and pace.get((mode, shift)) else None,
                "learned" if wants == 0 else "not driven" if seen == 0 else f"{wants} more",
            )
        )
    return tuple(rows)


def _shifts_per_km(panel: Panel) -> dict[tuple[str, str], float]:
    """Give how often each shift of each mode has been learned from per km, over the whole history.

    The least over the shift's signals; a shift that was never counted is left out.
    """
    driven = np.diff(panel.odometer_km)
    paces: dict[tuple[str, str], float] = {}
    for i, cell in enumerate(panel.cells):
        counts = panel.learn_counts[1:, i]
        told = np.isfinite(counts)
        far = float(driven[told].sum())
        if cell.signal in PACK_SIGNALS or far <= 0:
            continue
        key, mine = (cell.mode, cell.channel), float(counts[told].sum()) / far
        paces[key] = min(paces.get(key, mine), mine)
    return paces


def change_maps(
    panel: Panel, moved: list[Move], kinds: tuple[str, ...], learning: tuple[LearnRow, ...]
) -> tuple[tuple[ChangeMap, ...], tuple[str, ...]]:
    """Make one map a signal, and the list of cells that do otherwise than the change should do.

    Returns
    -------
    maps : tuple of ChangeMap
    odd : tuple of str
        One line a cell, or a mode.

    """
    learned = {(row.mode, row.shift): row.text for row in learning}
    by_signal: dict[str, list[int]] = {}
    for i, cell in enumerate(panel.cells):
        by_signal.setdefault(cell.signal, []).append(i)
    maps, odd = [], []
    for signal, cells in by_signal.items():
        pattern = expected_pattern(kinds, signal)
        strange = _strange(panel, moved, cells, pattern, learned)
        maps.append(_map(panel, moved, signal, cells, pattern, strange, learned))
        odd += [f"{_cell_name(panel.cells[i])}: {why}" for i, why in strange.items()]
        if pattern == "together" and {"power", "fluid"} & set(kinds):
            odd += _silent_modes(panel, moved, cells, learned)
    return tuple(maps), tuple(odd)


def _map(
    panel: Panel,
    moved: list[Move],
    signal: str,
    cells: list[int],
    pattern: str,
    strange: dict[int, str],
    learned: dict[tuple[str, str], str],
) -> ChangeMap:
    channels = tuple(dict.fromkeys(panel.cells[i].channel for i in cells))
    modes = tuple(dict.fromkeys(panel.cells[i].mode for i in cells))
    at = {(panel.cells[i].channel, panel.cells[i].mode): i for i in cells}
    rows = tuple(
        tuple(_cell(panel, moved, at.get((channel, mode)), strange, learned) for mode in modes)
        for channel in channels
    )
    units = np.array([_units(moved[i]) for i in cells])
    up, down = int(np.sum(units >= REAL)), int(np.sum(units <= -REAL))
    read = int(np.sum([moved[i].change is not None for i in cells]))
    if read == 0:
        says = "Nothing can be compared: no cell was read on both sides."
    elif not np.isfinite(units).any():
        says = f"{read} of {len(cells)} cells can be compared; too few readings to tell a move from chance."
    elif up + down == 0:
        says = f"None of {read} cells compared has really moved."
    else:
        says = f"Of {read} cells compared, {up} went up, {down} down, {read - up - down} stayed."
    return ChangeMap(
        signal=signal,
        stored_unit=panel.cells[cells[0]].unit,
        unit=unit_sign(panel.cells[cells[0]].unit),
        title=sentences.signal(signal),
        says=says,
        expected=sentences.PATTERN_WORDS.get(pattern, ""),
        modes=modes,
        channels=channels,
        cells=rows,
    )


def _cell(
    panel: Panel,
    moved: list[Move],
    i: int | None,
    strange: dict[int, str],
    learned: dict[tuple[str, str], str],
) -> MapCell:
    if i is None:
        return MapCell(None, None, None, None, "missing", "–", "", "")
    move, cell = moved[i], panel.cells[i]
    told = learned.get((cell.mode, cell.channel), "")
    before = None if move.before_at is None else float(panel.values[move.before_at, i])
    after = None if move.after_at is None else float(panel.values[move.after_at, i])
    if move.change is None:
        return MapCell(before, after, None, None, "missing", "not read", "", told)
    if move.noise_units is None:
        return MapCell(
            before,
            after,
            move.change,
            None,
            "still",
            f"{signed(shown(move.change, cell.unit, change=True))}?",
            "",
            told,
        )
    size = abs(move.noise_units)
    way = "up" if move.noise_units > 0 else "down"
    level = "still" if size < REAL else way if size < STRONG else f"{way}-strong"
    sign = {"up": "▲", "down": "▼"}[way]
    mark = "" if level == "still" else sign if size < STRONG else sign * 2
    return MapCell(
        before, after, move.change, move.noise_units, level, f"{_tenth(move.noise_units)}{mark}",
        strange.get(i, ""), told,
    )  # fmt: skip


def _strange(
    panel: Panel, moved: list[Move], cells: list[int], pattern: str, learned: dict[tuple[str, str], str]
) -> dict[int, str]:
    """Find cells that move against the others, stay behind, or move though they should not."""
    units = {i: _units(moved[i]) for i in cells}
    if pattern == "little":
        return {
            i: f"moved by {_tenth(u)} noise units, though this change should leave it"
            for i, u in units.items()
            if abs(u) >= REAL
        }
    if pattern != "together":
        return {}
    balance = sum(int(np.sign(u)) for u in units.values() if abs(u) >= REAL)
    if balance == 0:
        return {}
    way = float(np.sign(balance))
    strange = {i: f"moves against the others ({_tenth(u)})" for i, u in units.items() if u * way <= -REAL}
    for mode in {panel.cells[i].mode for i in cells}:
        mine = [i for i in cells if panel.cells[i].mode == mode and np.isfinite(units[i])]
        if sum(units[i] * way >= REAL for i in mine) * 2 <= len(mine):
            continue
        strange.update(
            {
                i: "stayed where it was, while the others of its mode moved"
                for i in mine
                if abs(units[i]) < NOTHING and _is_learned(panel.cells[i], learned)
            }
        )
    return strange


def expected_pattern(kinds: tuple[str, ...], signal: str) -> str:
    """Give what changes made together should do to a signal.

    `together` if one of them moves all cells one way, `little` if none of them moves it, `any` otherwise, and
    nothing where one of them (a repair, say) may do anything.
    """
    each = [sentences.PATTERN.get(kind, {}).get(signal, "") for kind in kinds]
    if "" in each:
        return ""
    return next((p for p in ("together", "any", "little") if p in each), "")


def anything_moved(maps: tuple[ChangeMap, ...]) -> bool:
    """True if any shift's cell moved by more than chance."""
    cells = (c for m in maps if m.signal not in PACK_SIGNALS for row in m.cells for c in row)
    return any(c.noise_units is not None and abs(c.noise_units) >= REAL for c in cells)


def _silent_modes(
    panel: Panel, moved: list[Move], cells: list[int], learned: dict[tuple[str, str], str]
) -> list[str]:
    """Find modes that were learned and did not move at all, while another mode did."""
    modes = list(dict.fromkeys(panel.cells[i].mode for i in cells))
    real = {
        m: [i for i in cells if panel.cells[i].mode == m and abs(_units(moved[i])) >= REAL] for m in modes
    }
    ready = {
        m: [i for i in cells if panel.cells[i].mode == m and _is_learned(panel.cells[i], learned)]
        for m in modes
    }
    if not any(len(real[m]) * 2 > len(ready[m]) > 0 for m in modes):
        return []
    quiet = [m for m in modes if ready[m] and not real[m]]
    signal = sentences.signal(panel.cells[cells[0]].signal)
    return [f"{signal}: no shift moved in {listed(quiet)}, though learned there."] if quiet else []


def _is_learned(cell: Cell, learned: dict[tuple[str, str], str]) -> bool:
    return learned.get((cell.mode, cell.channel)) == "learned"


def _units(move: Move) -> float:
    return np.nan if move.noise_units is None else move.noise_units


def _tenth(value: float) -> str:
    return "0.0" if abs(value) < 0.05 else f"{value:+.1f}".replace("-", "\u2212")


def _cell_name(cell: Cell) -> str:
    return " ".join(p for p in (sentences.signal(cell.signal) + ",", cell.channel, cell.mode) if p)
