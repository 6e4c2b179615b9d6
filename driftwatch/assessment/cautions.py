"""What the reader must know before acting: authority, overlap, unlearned cells, stale and odd data."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date

import numpy as np

from driftwatch import wording
from driftwatch.assessment.results import Caution
from driftwatch.changes.results import UnitFit
from driftwatch.panel.copies import first_alike
from driftwatch.panel.misnoted import misread
from driftwatch.panel.noise import KM
from driftwatch.panel.panel import Floats, Panel
from driftwatch.service.growth import LEAST_RUN
from driftwatch.settings import Settings

#: An odometer that has hardly moved is worth a word after so many days.
STANDING_DAYS = 90.0
#: A learned value that will be at the end of its range within this distance is a caution now.
AUTHORITY_KM = 20_000.0
#: How far apply and release must both have moved against the other shifts, in noise standard deviations.
OVERLAP_SDS = 4.0
#: A power change moves shifts by different amounts: apart means by this share of the typical move as well.
OVERLAP_SHARE = 1.0
#: Suspected slips in this share of the last ten snapshots' readings, or this many, are worth a word.
SLIPS_WORTH_A_WORD = 3
LOGGED_CHANGES = ("power", "load", "fluid", "relearn", "rebuild", "repair")


def cautions(
    panel: Panel, fit: UnitFit | None, as_of: date, settings: Settings, new_base: int = 0
) -> list[Caution]:
    """Give a unit's cautions, most pressing first.

    `new_base` is the number of the first snapshot after the last rebuild or relearn that was found, 0 if none
    was: both give every shift a base of its own, to which it learns without any clutch being at fault.
    """
    if not len(panel.days):
        return []
    faults = [*_data(panel), *_misnoted(panel), *_alike(panel), *_standing_odometer(panel)]
    made = [*faults, *_stale(panel, as_of, settings)]
    if fit is not None:
        made = [
            *_overlap(panel, fit, new_base),
            *_authority(panel, fit),
            *_unlearned(panel, fit, settings),
            *made,
        ]
    return made


def last_change(panel: Panel, fit: UnitFit) -> int | None:
    """Number of the first snapshot after the last change found or logged, None if there was none."""
    found = [c.index for c in fit.changes if c.kind != "bend"]
    logged = [
        int(np.searchsorted(panel.taken_at, e.happened_at))
        for e in panel.events
        if e.kind in LOGGED_CHANGES and panel.taken_at[0] < e.happened_at
    ]
    known = [k for k in (*found, *logged) if k > 0]
    return max(known) if known else None


def shifts_wanted(panel: Panel, since: int, settings: Settings) -> Floats:
    """Shifts that each cell still wants since a snapshot, shape (C,); NaN where no counts are recorded.

    Half of the shifts counted at the first snapshot after the change are taken to have come after it.
    """
    counts = panel.learn_counts[since:].copy()
    if len(counts):
        counts[0] *= 0.5
    told = np.isfinite(counts).any(axis=0) if len(counts) else np.zeros(len(panel.cells), dtype=bool)
    learned = np.nansum(counts, axis=0) if len(counts) else np.zeros(len(panel.cells))
    shifts = np.array([c.mode != "" for c in panel.cells], dtype=bool)
    return np.where(told & shifts, np.maximum(np.ceil(settings.shifts_to_learn - learned), 0.0), np.nan)


def _unlearned(panel: Panel, fit: UnitFit, settings: Settings) -> list[Caution]:
    since = last_change(panel, fit)
    if since is None:
        return []
    day = _day(panel, max(since - 1, 0))
    made = []
    wanted = shifts_wanted(panel, since, settings)
    for mode in panel.profile.modes:
        per_shift: dict[str, int] = {}
        for cell, want in zip(panel.cells, wanted, strict=True):
            if cell.mode == mode and want > 0:
                per_shift[cell.channel] = max(per_shift.get(cell.channel, 0), int(want))
        if per_shift:
            listed = ", ".join(f"{shift} ({count} more)" for shift, count in per_shift.items())
            made.append(
                Caution(
                    "unlearned",
                    tuple(per_shift),
                    day,
                    f"Since the last change (after {wording.day(day)}) these shifts have not been learned "
                    f"again in {mode} mode; each still wants about so many repeats: {listed}.",
                )
            )
    return made


def _authority(panel: Panel, fit: UnitFit) -> list[Caution]:
    """Values at the end of the range within which the controller can learn, or due there soon."""
    at_end: list[int] = []
    soon: dict[int, float] = {}
    rate, rate_se = present_rate(panel, fit)
    driven = bool(np.ptp(panel.odometer_km) >= LEAST_RUN * KM)
    for i, cell in enumerate(panel.cells):
        signal = panel.profile.signal(cell.signal)
        told = np.flatnonzero(panel.usable[:, i])
        if (signal.lower is None and signal.upper is None) or not len(told):
            continue
        value = panel.values[told[-1], i]
        step = signal.resolution or 0.0
        low = -np.inf if signal.lower is None else signal.lower
        high = np.inf if signal.upper is None else signal.upper
        if value <= low + step / 2 or value >= high - step / 2:
            at_end.append(i)
        elif driven and abs(rate[i]) > 3.0 * rate_se[i] > 0:
            left = (high - value if rate[i] > 0 else value - low) / abs(rate[i]) * KM
            if left < AUTHORITY_KM:
                soon[i] = max(left, 0.0)
    made = []
    last = _day(panel, len(panel.days) - 1)
    if at_end:
        made.append(
            Caution(
                "authority",
                _channels(panel, at_end),
                last,
                "The controller has no more room to learn, so these shifts may turn harsh or flare without "
                f"anything else changing: {_named(panel, at_end)}.",
            )
        )
    if soon:
        left = round(min(soon.values()), -3)
        first = f"in about {wording.distance(left)}" if left else "any time now"
        made.append(
            Caution(
                "authority",
                _channels(panel, soon),
                last,
                "At their present rate these learned values reach the end of their range, the first of them "
                f"{first}: {_named(panel, soon)}.",
            )
        )
    return made


def _channels(panel: Panel, cells: Iterable[int]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(panel.cells[i].channel for i in cells))


def _named(panel: Panel, cells: Iterable[int]) -> str:
    """Name cells as a reader would: by what was learned and in which mode, the shifts together."""
    groups: dict[tuple[str, str], list[str]] = {}
    for i in cells:
        cell = panel.cells[i]
        groups.setdefault((cell.signal, cell.mode), []).append(cell.channel)
    return "; ".join(
        f"{signal.replace('_', ' ')} of {wording.listed(channels)}{f' in {mode} mode' if mode else ''}"
        for (signal, mode), channels in groups.items()
    )


def present_rate(panel: Panel, fit: UnitFit) -> tuple[Floats, Floats]:
    """Slope of each cell at the last snapshot per 10 000 km, and its standard error (C,)."""
    bends = [c for c in fit.changes if c.kind == "bend"]
    rate = fit.slope + sum((np.nan_to_num(c.effect) for c in bends), np.zeros(len(panel.cells)))
    var = fit.slope_se**2 + sum((c.effect_se**2 for c in bends), np.zeros(len(panel.cells)))
    return rate, np.sqrt(var)


def _overlap(panel: Panel, fit: UnitFit, new_base: int) -> list[Caution]:
    """Shifts whose apply and release trims both rose, and both more than those of the mode's other shifts."""
    place = {(c.signal, c.channel, c.mode): i for i, c in enumerate(panel.cells)}
    gained = fit.fitted[-1] - fit.fitted[0]
    if new_base:
        # What a cell still learns towards its new base is no overlap: only what changed afterwards counts.
        steps = [np.nan_to_num(c.effect) for c in fit.changes if c.kind == "step" and c.index > new_base]
        gained = np.sum([np.zeros_like(gained), *steps], axis=0)
    gained = gained / np.maximum(fit.noise_sd, 1e-9)
    made = []
    for mode in panel.profile.modes:
        pairs = {
            s.id: (place[("apply_trim", s.id, mode)], place[("release_trim", s.id, mode)])
            for s in panel.profile.shifts
            if ("apply_trim", s.id, mode) in place and ("release_trim", s.id, mode) in place
        }
        if len(pairs) < 4:
            continue
        moved = np.array([[gained[a], gained[r]] for a, r in pairs.values()])
        typical = np.median(moved, axis=0)
        least = np.maximum(OVERLAP_SDS, OVERLAP_SHARE * np.abs(typical))
        both = (moved > OVERLAP_SDS) & (moved - typical > least)
        shifts = tuple(s for s, row in zip(pairs, both, strict=True) if row.all())
        if shifts:
            made.append(
                Caution(
                    "overlap",
                    shifts,
                    _day(panel, 0),
                    f"In {mode} mode, apply and release pressure of {', '.join(shifts)} have both gone up "
                    "against the other shifts: both packs may hold at once (a tie-up), which loads shafts "
                    "and carriers.",
                )
            )
    return made


def _stale(panel: Panel, as_of: date, settings: Settings) -> list[Caution]:
    last = _day(panel, len(panel.days) - 1)
    days = (as_of - last).days
    if days <= settings.stale_days:
        return []
    text = f"The last snapshot is {days} days old: what is said here may no longer hold."
    return [Caution("stale", (), last, text)]


def _data(panel: Panel) -> list[Caution]:
    slips = panel.slips & ~misread(panel)
    rows, columns = np.nonzero(slips)
    if len(rows) < SLIPS_WORTH_A_WORD and not slips[-3:].any():
        return []
    channels = tuple(dict.fromkeys(panel.cells[c].channel for c in columns))
    shown = [
        f"{_named(panel, [int(c)])} on {wording.day(_day(panel, int(r)))} ({_value(panel, int(r), int(c))})"
        for r, c in list(zip(rows, columns, strict=True))[-5:]
    ]
    more = f" and {len(rows) - 5} more" if len(rows) > 5 else ""
    text = (
        "These readings contradict the ones around them, look like slips, and were left out until confirmed: "
        f"{'; '.join(shown)}{more}."
    )
    return [Caution("data", channels, _day(panel, int(rows.min())), text)]


def _misnoted(panel: Panel) -> list[Caution]:
    """Say which snapshots were noted in another unit of measure."""
    if not panel.misnoted:
        return []
    shown = [
        f"{wording.day(_day(panel, m.snapshot))} (in {m.noted}, not {m.meant})" for m in panel.misnoted[-5:]
    ]
    more = f" and {len(panel.misnoted) - 5} earlier ones" if len(panel.misnoted) > 5 else ""
    meant = {m.meant for m in panel.misnoted}
    channels = tuple(dict.fromkeys(c.channel for c in panel.cells if c.unit in meant))
    text = (
        f"These snapshots look as if noted in another unit of measure: {'; '.join(shown)}{more}. "
        "Their values in that unit were left out. Look at the source, put the unit right and import again."
    )
    return [Caution("data", channels, _day(panel, panel.misnoted[0].snapshot), text)]


def _standing_odometer(panel: Panel) -> list[Caution]:
    """Say that wear cannot be told by distance where there is hardly any."""
    driven, over = float(np.ptp(panel.odometer_km)), float(panel.days[-1] - panel.days[0])
    if driven >= LEAST_RUN * KM or over < STANDING_DAYS:
        return []
    text = (
        f"The odometer moved {wording.distance(driven)} in {over:.0f} days. Wear is told by the distance "
        "driven, so how fast the clutches wear cannot be told here: check the odometer readings."
    )
    return [Caution("data", (), _day(panel, 0), text)]


def _alike(panel: Panel) -> list[Caution]:
    """Say which cells read alike throughout: they count as one, or a column of the file is another's."""
    first = first_alike(panel)
    groups = [np.flatnonzero(first == k) for k in np.unique(first)]
    alike = [[int(i) for i in group] for group in groups if len(group) > 1]
    if not alike:
        return []
    channels = tuple(dict.fromkeys(panel.cells[i].channel for group in alike for i in group))
    shown = [f"{_named(panel, group[:1])} ({len(group) - 1} more)" for group in alike[:5]]
    more = f" and {len(alike) - 5} other values" if len(alike) > 5 else ""
    text = (
        "These values read the same as others at every snapshot, and count as one with them: "
        f"{'; '.join(shown)}{more}. If the controller does not learn them together, a column of the file may "
        "stand for the wrong shift or mode."
    )
    return [Caution("data", channels, _day(panel, 0), text)]


def _value(panel: Panel, row: int, column: int) -> str:
    """Give a value as it was read, in the reader's unit."""
    cell = panel.cells[column]
    step = panel.profile.signal(cell.signal).resolution
    told = wording.as_read(float(panel.values[row, column]), step, cell.unit)
    return f"{told}\u00a0{wording.unit_sign(cell.unit)}"


def _day(panel: Panel, row: int) -> date:
    day: date = panel.taken_at[row].astype("datetime64[D]").astype(object)
    return day
