"""A reading typed in by hand: the sheet of a unit's profile, and the rows that it becomes."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from driftwatch.assessment.results import UnitAnalysis
from driftwatch.intake.columns import SNAPSHOTS
from driftwatch.intake.rules import physical_bounds
from driftwatch.profile.model import Profile
from driftwatch.reporting import sentences
from driftwatch.reporting.maps import STRONG
from driftwatch.reporting.texts import number, unit_sign

#: Columns of the rows that a sheet becomes.
COLUMNS = tuple(
    name for name in SNAPSHOTS.all_columns if not name.endswith("_entered") and name != "value_unit"
)
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
                last, scatter = known.get((signal.name, channel, mode), (None, None))
                near = None if last is None or scatter is None else STRONG * scatter * 2**0.5
                row.append(
                    Field(
                        _key(signal.name, channel, mode), signal.name, channel, mode,
                        "" if last is None else number(last), signal.lower, signal.upper, low, high,
                        None if last is None or near is None else last - near,
                        None if last is None or near is None else last + near,
                    )
                )  # fmt: skip
            rows.append(tuple(row))
        made.append(
            Section(
                signal.name, sentences.signal(signal.name), unit_sign(signal.unit), tuple(modes),
                tuple(channels), tuple(rows),
            )
        )  # fmt: skip
    return tuple(made)


def flags(sheet: Sequence[Section], told: Mapping[str, str]) -> dict[str, str]:
    """Say of each field what is odd about the number in it; the script says the same as one types."""
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
        elif _outside(value, field.usual_low, field.usual_high):
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


def as_csv(filled: Sequence[Mapping[str, str]]) -> bytes:
    """Give rows as a file of snapshots; the k-th row stands on line k + 2."""
    out = io.StringIO()
    writer = csv.DictWriter(out, COLUMNS, restval="", extrasaction="ignore", lineterminator="\n")
    writer.writeheader()
    writer.writerows(filled)
    return out.getvalue().encode("utf-8", "replace")


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


def _known(analysis: UnitAnalysis | None) -> dict[tuple[str, str, str], tuple[float, float | None]]:
    """Give the last value of each cell, and the scatter of one reading where it was fitted."""
    if analysis is None:
        return {}
    panel, fit, known = analysis.panel, analysis.fit, {}
    for i, cell in enumerate(panel.cells):
        read = np.flatnonzero(np.isfinite(panel.values[:, i]))
        if len(read):
            scatter = float(fit.noise_sd[i]) if fit is not None and fit.noise_sd[i] > 0 else None
            known[cell.signal, cell.channel, cell.mode] = (float(panel.values[read[-1], i]), scatter)
    return known
