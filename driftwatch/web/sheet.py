"""A reading typed in by hand: the sheet of a unit's profile, and the rows that it becomes."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from driftwatch.assessment.results import UnitAnalysis
from driftwatch.intake.rules import physical_bounds
from driftwatch.profile.model import Profile
from driftwatch.reporting import sentences
from driftwatch.reporting.maps import STRONG
from driftwatch.wording import as_read, own_sign

_DECIMAL_COMMA = re.compile(r"[-+\u2212]?\d+,\d+")


@dataclass(frozen=True)
class Field:
    """One cell of the sheet.

    Attributes
    ----------
    key : str
        Name of its field in the form.
    signal, channel, mode : str
    last : str
        What was read last, ready to show; "" if nothing.
    least, most : float or None
        Range within which the controller can learn, as the profile says; what lies outside is flagged.
    low, high : float or None
        Bounds of the possible; what lies outside is refused.
    usual_low, usual_high : float or None
        How far from the last value a reading may lie before it is flagged; None where that is not known.
    last_km : float or None
        Odometer at the last value.
    grow_low, grow_high : float
        What is added to these two bounds for each km since: a pack's volume grows as it wears.

    """

    key: str
    signal: str
    channel: str
    mode: str
    last: str
    least: float | None
    most: float | None
    low: float | None
    high: float | None
    usual_low: float | None
    usual_high: float | None
    last_km: float | None = None
    grow_low: float = 0.0
    grow_high: float = 0.0

    def is_far(self, value: float, odometer_km: float | None) -> bool:
        """Say whether a value is further from the last one than scatter, and growth since, would have it."""
        if self.usual_low is None or self.usual_high is None:
            return False
        ran = max((odometer_km or 0.0) - (self.last_km or 0.0), 0.0) if self.last_km is not None else 0.0
        return _outside(value, self.usual_low + self.grow_low * ran, self.usual_high + self.grow_high * ran)


@dataclass(frozen=True)
class _Last:
    """The last value of a cell that no other reading contradicts, and what is usual beside it."""

    value: float
    odometer_km: float
    scatter: float | None
    grow_low: float
    grow_high: float


@dataclass(frozen=True)
class Section:
    """All cells of one signal: rows are channels, columns modes."""

    signal: str
    title: str
    unit: str
    modes: tuple[str, ...]
    channels: tuple[str, ...]
    fields: tuple[tuple[Field, ...], ...]


def sections(profile: Profile, analysis: UnitAnalysis | None) -> tuple[Section, ...]:
    """Lay the sheet of a profile out, with the last values of the unit beside each field."""
    known = _known(analysis)
    made = []
    for signal in profile.signals:
        channels = [c.id for c in profile.clutches] if signal.per_pack else [s.id for s in profile.shifts]
        modes = [""] if signal.per_pack else list(profile.modes)
        low, high = physical_bounds(signal.name, signal.unit)
        rows = []
        for channel in channels:
            row = []
            for mode in modes:
                blank = Field(
                    _key(signal.name, channel, mode), signal.name, channel, mode,
                    "", signal.lower, signal.upper, low, high, None, None,
                )  # fmt: skip
                last = known.get((signal.name, channel, mode))
                row.append(blank if last is None else _beside(blank, last, signal.resolution))
            rows.append(tuple(row))
        made.append(
            Section(
                signal.name, sentences.signal(signal.name), own_sign(signal.unit), tuple(modes),
                tuple(channels), tuple(rows),
            )
        )  # fmt: skip
    return tuple(made)


def _beside(blank: Field, last: _Last, step: float | None) -> Field:
    """Give a field with the last value of its cell beside it."""
    near = None if last.scatter is None else STRONG * last.scatter * 2**0.5
    return replace(
        blank,
        last=as_read(last.value, step),
        last_km=last.odometer_km,
        usual_low=None if near is None else last.value - near,
        usual_high=None if near is None else last.value + near,
        grow_low=last.grow_low,
        grow_high=last.grow_high,
    )


def flags(
    sheet: Sequence[Section], told: Mapping[str, str], odometer_km: float | None = None
) -> dict[str, str]:
    """Say of each field what is odd about the number in it; the script says the same as one types.

    Parameters
    ----------
    sheet : sequence of Section
        As `sections` lays it out.
    told : mapping
        A field's key -> its text.
    odometer_km : float, optional
        Of this reading.

    """
    found = {}
    for field in _fields(sheet):
        text = told.get(field.key, "")
        if not text:
            continue
        try:
            value = float(plain_number(text))
        except ValueError:
            found[field.key] = "is not a number"
            continue
        if _outside(value, field.low, field.high):
            found[field.key] = "is not possible"
        elif _outside(value, field.least, field.most):
            found[field.key] = "is outside the range that can be learned"
        elif field.is_far(value, odometer_km):
            found[field.key] = f"is far from the last one ({field.last})"
    return found


def rows(sheet: Sequence[Section], told: Mapping[str, str], head: Mapping[str, str]) -> list[dict[str, str]]:
    """Give the rows of a filled sheet in the long form; a blank field is no reading.

    Parameters
    ----------
    sheet : sequence of Section
        As `sections` lays it out.
    told : mapping
        The form: a field's key -> its text; `learns SHIFT MODE` -> shifts learned from.
    head : mapping
        What all rows share: `unit`, `taken_at`, `odometer_km` or `odometer_mi`, and so on.

    """
    made = []
    for field in _fields(sheet):
        text = told.get(field.key, "")
        if text:
            learns = told.get(learns_key(field.channel, field.mode), "") if field.mode else ""
            made.append(
                {
                    **head,
                    "mode": field.mode,
                    "channel": field.channel,
                    "signal": field.signal,
                    "value": plain_number(text),
                    "learn_count": learns,
                    "key": field.key,
                }
            )
    return made


def plain_number(text: str) -> str:
    """Give a number with a decimal point, where it was typed with a comma; anything else as it is."""
    cleaned = text.strip().replace("\u2212", "-")
    return cleaned.replace(",", ".") if _DECIMAL_COMMA.fullmatch(cleaned) else cleaned


def learns_key(channel: str, mode: str) -> str:
    """Give the name of the field for the shifts that a shift and mode have learned from."""
    return f"learns {channel} {mode}"


def _key(signal: str, channel: str, mode: str) -> str:
    return f"value {signal} {channel} {mode}".strip()


def _fields(sheet: Sequence[Section]) -> list[Field]:
    return [field for section in sheet for row in section.fields for field in row]


def _outside(value: float, low: float | None, high: float | None) -> bool:
    return (low is not None and value < low) or (high is not None and value > high)


def _known(analysis: UnitAnalysis | None) -> dict[tuple[str, str, str], _Last]:
    """Give the last value of each cell; slips of the pen are passed over."""
    if analysis is None:
        return {}
    panel, fit, known = analysis.panel, analysis.fit, {}
    still = (0.0, 0.0)
    growth = {c.clutch: c.growth_interval for c in analysis.assessment.clutches}
    for i, cell in enumerate(panel.cells):
        read = np.flatnonzero(np.isfinite(panel.values[:, i]) & ~panel.slips[:, i])
        if len(read):
            at = read[-1]
            grows = cell.signal == "clutch_volume"
            slow, fast = growth.get(cell.channel, still) if grows else still
            known[cell.signal, cell.channel, cell.mode] = _Last(
                value=float(panel.values[at, i]),
                odometer_km=float(panel.odometer_km[at]),
                scatter=float(fit.noise_sd[i]) if fit is not None and fit.noise_sd[i] > 0 else None,
                grow_low=min(slow, 0.0) / 10_000,
                grow_high=max(fast, 0.0) / 10_000,
            )
    return known
