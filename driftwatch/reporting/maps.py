"""The shop's maps: channels x modes of what moved, held against what this kind of change should do."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from driftwatch.assessment.cautions import shifts_wanted
from driftwatch.assessment.results import Effect
from driftwatch.panel.panel import Cell, Panel
from driftwatch.profile.model import PACK_SIGNALS
from driftwatch.reporting import sentences
from driftwatch.reporting.context.followup import ChangeMap, LearnRow, MapCell
from driftwatch.reporting.since import REAL, SURE_SES, Move, shifts_seen
from driftwatch.settings import Settings
from driftwatch.wording import change_as_read, day, listed, name, rough, shown, to_noise, unit_sign

#: In noise units: a move from here on is drawn strong, or is nothing at all.
STRONG, NOTHING = 6.0, 1.0
#: Mean drift of a signal's cells that is worth a word where no cell by itself drifts by more than chance.
TOGETHER = 1.0


@dataclass(frozen=True)
class Odd:
    """Something that does otherwise than the change should do.

    Attributes
    ----------
    signal, channel, mode : str
        Where; no channel for a whole mode.
    way : {"against", "stayed", "moved", "silent"}
        Against the others, stayed behind, moved though it should not, or a whole mode that did not move.
    line : str
        The same in words.

    """

    signal: str
    channel: str
    mode: str
    way: str
    line: str


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
    panel: Panel,
    moved: list[Move],
    kinds: tuple[str, ...],
    learning: tuple[LearnRow, ...],
    together: Mapping[str, Effect],
) -> tuple[tuple[ChangeMap, ...], tuple[Odd, ...]]:
    """Make one map a signal, and the list of cells that do otherwise than the change should do.

    Parameters
    ----------
    panel : Panel
        The unit's readings.
    moved : list of Move
        One a cell.
    kinds : tuple of str
        Kinds of the changes that are followed up.
    learning : tuple of LearnRow
        What has learned since.
    together : mapping of Effect
        By signal, what a signal's cells did at once as a whole, where that is known beyond chance.

    Returns
    -------
    maps : tuple of ChangeMap
    odd : tuple of Odd
        One a cell, or a mode.

    """
    learned = {(row.mode, row.shift): row.text for row in learning}
    by_signal: dict[str, list[int]] = {}
    for i, cell in enumerate(panel.cells):
        by_signal.setdefault(cell.signal, []).append(i)
    maps: list[ChangeMap] = []
    odd: list[Odd] = []
    for signal, cells in by_signal.items():
        pattern = expected_pattern(kinds, signal)
        strange = _strange(panel, moved, cells, pattern, learned)
        maps.append(_map(panel, moved, cells, pattern, strange, learned, together.get(signal)))
        odd += strange.values()
        if pattern == "together" and {"power", "fluid"} & set(kinds):
            odd += _silent_modes(panel, moved, cells, learned)
    return tuple(maps), tuple(odd)


def _map(
    panel: Panel,
    moved: list[Move],
    cells: list[int],
    pattern: str,
    strange: dict[int, Odd],
    learned: dict[tuple[str, str], str],
    together: Effect | None,
) -> ChangeMap:
    first = panel.cells[cells[0]]
    channels = tuple(dict.fromkeys(panel.cells[i].channel for i in cells))
    modes = tuple(dict.fromkeys(panel.cells[i].mode for i in cells))
    at = {(panel.cells[i].channel, panel.cells[i].mode): i for i in cells}
    rows = tuple(
        tuple(_cell(panel, moved, at.get((channel, mode)), strange, learned) for mode in modes)
        for channel in channels
    )
    return ChangeMap(
        signal=first.signal,
        stored_unit=first.unit,
        unit=unit_sign(first.unit),
        title=sentences.signal(first.signal),
        says=_says(panel, cells, moved, together),
        expected=sentences.PATTERN_WORDS.get(pattern, ""),
        modes=modes,
        channels=channels,
        cells=rows,
    )


def _says(panel: Panel, cells: list[int], moved: list[Move], together: Effect | None) -> str:
    """Say what a signal's cells did at once, and what they did slowly."""
    compared = [i for i in cells if moved[i].change is not None]
    if not compared:
        before, since = (
            any(at is not None for at in side)
            for side in ([moved[i].before_at for i in cells], [moved[i].after_at for i in cells])
        )
        where = (
            "was read before the change"
            if since and not before
            else "has a fresh reading since the change"
            if before and not since
            else "has a fresh reading on both sides of the change"
        )
        return f"Nothing can be compared: no cell {where}."
    units = np.array([_units(moved[i]) for i in compared])
    if not np.isfinite(units).any():
        return (
            f"{len(compared)} of {len(cells)} cells can be compared; "
            "too few readings to tell a move from chance."
        )
    up, down = int(np.sum(units >= REAL)), int(np.sum(units <= -REAL))
    n = len(compared)
    if up + down:
        at_once = f"At once: of {n} cells compared, {up} went up, {down} down, {n - up - down} stayed."
    elif together is not None:
        at_once = f"At once: none of {n} cells by itself by more than chance; {_as_one(together)}."
    else:
        at_once = f"At once: none of {n} cells compared moved by more than chance."
    return f"{at_once} {_slowly(panel, compared, moved)}"


def _as_one(effect: Effect) -> str:
    """Say what cells did as a whole that none of them did by itself."""
    size, *ends = (
        rough(abs(shown(v, effect.unit, change=True)))
        for v in (effect.estimate, *sorted((effect.low, effect.high), key=abs))
    )
    way = "rose" if effect.estimate > 0 else "fell"
    return f"together they {way} by about {size}\u00a0{unit_sign(effect.unit)} ({ends[0]} to {ends[1]})"


def _slowly(panel: Panel, cells: list[int], moved: list[Move]) -> str:
    """Say how the cells drifted between the readings that are compared, and what the readings did in all."""
    told = [i for i in cells if moved[i].sd]
    start = min(at for i in told if (at := moved[i].before_at) is not None)
    end = max(at for i in told if (at := moved[i].after_at) is not None)
    when = f"Slowly, from {day(panel.taken_at[start])} to {day(panel.taken_at[end])}"
    unit, each = panel.cells[cells[0]].unit, [i for i in told if moved[i].is_drifting]
    up, down = (sum((moved[i].drift or 0.0) * way > 0 for i in each) for way in (1.0, -1.0))
    mean = float(np.mean([moved[i].drift or 0.0 for i in told]))
    units, se = (
        float(np.mean([v / (moved[i].sd or 1.0) for i, v in zip(told, values, strict=True)]))
        for values in ([moved[i].drift or 0.0 for i in told], [moved[i].drift_se for i in told])
    )
    meant = told
    if up and down:
        said = f"of {len(told)} cells, {up} rose and {down} fell"
    elif each and panel.cells[cells[0]].signal in PACK_SIGNALS:
        meant = each
        said = listed([f"{name(panel.cells[i].channel)} {_far(moved[i].drift or 0.0, unit)}" for i in each])
    elif abs(units) >= max(TOGETHER, SURE_SES * se):
        alone = (
            f"{len(each)} of {len(told)} cells beyond chance each"
            if each
            else "no cell beyond chance by itself"
        )
        said = f"together they {_far(mean, unit)} on average, {alone}"
    elif each:
        meant = each
        mine = float(np.mean([moved[i].drift or 0.0 for i in each]))
        average = " on average" if len(each) > 1 else ""
        said = f"{len(each)} of {len(told)} cells {_far(mine, unit)}{average}"
    else:
        return f"{when}: no drift beyond chance."
    return f"{when}: {said}. {_in_all(panel, meant, moved)}"


def _in_all(panel: Panel, cells: list[int], moved: list[Move]) -> str:
    """Say how far the readings themselves went, jumps and drift together."""
    gained = [
        panel.values[after, i] - panel.values[before, i]
        for i in cells
        if (before := moved[i].before_at) is not None and (after := moved[i].after_at) is not None
    ]
    average = " on average" if len(gained) > 1 else ""
    far = _far(float(np.mean(gained)), panel.cells[cells[0]].unit)
    return f"The readings themselves {far}{average}, jumps and drift together."


def _far(change: float, unit: str) -> str:
    way = "rose" if change > 0 else "fell"
    return f"{way} by {rough(abs(shown(change, unit, change=True)))}\u00a0{unit_sign(unit)}"


def _cell(
    panel: Panel,
    moved: list[Move],
    i: int | None,
    strange: dict[int, Odd],
    learned: dict[tuple[str, str], str],
) -> MapCell:
    if i is None:
        return MapCell(None, None, None, None, "missing", "–", "", "")
    move, cell = moved[i], panel.cells[i]
    told = learned.get((cell.mode, cell.channel), "")
    before = None if move.before_at is None else float(panel.values[move.before_at, i])
    after = None if move.after_at is None else float(panel.values[move.after_at, i])
    if move.change is None:
        return MapCell(before, after, None, None, "missing", _lacks(move), "", told)
    if move.noise_units is None:
        text = f"{told_change(panel, move.change, move, cell)}?"
        return MapCell(before, after, move.change, None, "still", text, "", told)
    size = abs(move.noise_units)
    way = "up" if move.noise_units > 0 else "down"
    level = "still" if size < REAL else way if size < STRONG else f"{way}-strong"
    sign = {"up": "▲", "down": "▼"}[way]
    mark = "" if level == "still" else sign if size < STRONG else sign * 2
    odd = strange.get(i)
    text = f"{told_change(panel, move.change, move, cell)}{mark}"
    why, drift = "" if odd is None else odd.line, move.drift
    slowly = told_change(panel, drift, move, cell) if move.is_drifting else ""
    return MapCell(
        before, after, move.change, move.noise_units, level, text, why, told, drift, move.drift_units, slowly
    )


def told_change(panel: Panel, value: float | None, move: Move, cell: Cell) -> str:
    """Give a cell's change or drift in the reader's unit.

    With as many places as its noise bears, and no more than a single reading has; as the difference of two
    readings where there is no fit.
    """
    step = panel.profile.signal(cell.signal).resolution
    if move.sd is None:
        return change_as_read(value, step, cell.unit)
    there = None if value is None else shown(value, cell.unit, change=True)
    return to_noise(there, shown(max(move.sd, 3.0 * (step or 0.0)), cell.unit, change=True))


def _lacks(move: Move) -> str:
    """Say on which side a cell has no fresh reading."""
    if move.before_at is None and move.after_at is None:
        return "not read"
    return "none before" if move.before_at is None else "none since"


def _strange(
    panel: Panel, moved: list[Move], cells: list[int], pattern: str, learned: dict[tuple[str, str], str]
) -> dict[int, Odd]:
    """Find cells that move against the others, stay behind, or move though they should not."""

    def odd(i: int, way: str, why: str) -> Odd:
        cell = panel.cells[i]
        return Odd(cell.signal, cell.channel, cell.mode, way, f"{_cell_name(cell)}: {why}")

    def far(i: int, units: float) -> str:
        cell, sd = panel.cells[i], moved[i].sd
        size = told_change(panel, None if sd is None else units * sd, moved[i], cell)
        return f"{size}\u00a0{unit_sign(cell.unit)}"

    if pattern == "little":
        # What a pack gained later is growth, or a later change: the first reading since tells of this one.
        pack = panel.cells[cells[0]].signal in PACK_SIGNALS
        first = {i: moved[i].first_units if pack else moved[i].noise_units for i in cells}
        return {
            i: odd(i, "moved", f"moved by {far(i, u)}, though this change should leave it")
            for i, u in first.items()
            if u is not None and abs(u) >= REAL
        }
    if pattern != "together":
        return {}
    units = {i: _units(moved[i]) for i in cells}
    balance = sum(int(np.sign(u)) for u in units.values() if abs(u) >= REAL)
    if balance == 0:
        return {}
    way = float(np.sign(balance))
    strange = {
        i: odd(i, "against", f"moves against the others ({far(i, u)})")
        for i, u in units.items()
        if u * way <= -REAL
    }
    for mode in dict.fromkeys(panel.cells[i].mode for i in cells):
        mine = [i for i in cells if panel.cells[i].mode == mode and np.isfinite(units[i])]
        if sum(units[i] * way >= REAL for i in mine) * 2 <= len(mine):
            continue
        strange.update(
            {
                i: odd(i, "stayed", "stayed where it was, while the others of its mode moved")
                for i in mine
                if abs(units[i]) < NOTHING and _is_learned(panel.cells[i], learned)
            }
        )
    return strange


def expected_pattern(kinds: tuple[str, ...], signal: str) -> str:
    """Give what changes made together should do to a signal.

    `together` if one of them moves all cells one way, `little` if none of them moves it, `any` otherwise (two
    that move it may pull a cell either way), and nothing where one of them (a repair, say) may do anything.
    """
    each = [sentences.PATTERN.get(kind, {}).get(signal, "") for kind in kinds]
    if "" in each:
        return ""
    moving = [p for p in each if p != "little"]
    return "little" if not moving else moving[0] if len(moving) == 1 else "any"


def anything_moved(maps: tuple[ChangeMap, ...]) -> bool:
    """True if any shift's cell moved at once by more than chance."""
    return any(c.noise_units is not None and abs(c.noise_units) >= REAL for c in _shift_cells(maps))


def anything_drifted(maps: tuple[ChangeMap, ...]) -> bool:
    """True if any shift's cell drifted by more than chance."""
    return any(c.drift_text for c in _shift_cells(maps))


def _shift_cells(maps: tuple[ChangeMap, ...]) -> list[MapCell]:
    return [c for m in maps if m.signal not in PACK_SIGNALS for row in m.cells for c in row]


def _silent_modes(
    panel: Panel, moved: list[Move], cells: list[int], learned: dict[tuple[str, str], str]
) -> list[Odd]:
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
    kind = panel.cells[cells[0]].signal
    signal = sentences.signal(kind)
    return [
        Odd(kind, "", m, "silent", f"{signal}: no shift moved in {m}, though learned there.")
        for m in modes
        if ready[m] and not real[m]
    ]


def _is_learned(cell: Cell, learned: dict[tuple[str, str], str]) -> bool:
    return learned.get((cell.mode, cell.channel)) == "learned"


def _units(move: Move) -> float:
    return np.nan if move.noise_units is None else move.noise_units


def _cell_name(cell: Cell) -> str:
    return " ".join(p for p in (sentences.signal(cell.signal) + ",", cell.channel, cell.mode) if p)
