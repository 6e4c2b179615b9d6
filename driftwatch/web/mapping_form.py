"""A mapping as a form: one row a column of the file, and back."""

from __future__ import annotations

from collections.abc import Mapping as Told
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from driftwatch.errors import InputRefused
from driftwatch.intake.mapping import SNAPSHOT_COLUMNS, CellColumn, Mapping
from driftwatch.profile.model import PACK_SIGNALS, Profile
from driftwatch.reporting import sentences

#: What a column can say of the whole snapshot, in words.
WORDS = {
    "unit": "the unit's name",
    "taken_at": "when it was read",
    "odometer": "the odometer",
    "fluid_temp": "the fluid's temperature",
    "mode": "the mode of the whole row",
    "source": "what it was read with",
}
VALUE, COUNT = "value:", "count:"


@dataclass(frozen=True)
class ColumnRow:
    """One column of the file in the form.

    Attributes
    ----------
    name : str
    samples : tuple of str
        Its first values.
    what : str
        "" (left out), one of `WORDS`, or `value:SIGNAL` or `count:SIGNAL`.
    channel, mode, unit : str
        Of a cell; the mode is "" where the row's own column says it, or there is none.
    unsure : str
        What the draft was not sure of.

    """

    name: str
    samples: tuple[str, ...]
    what: str = ""
    channel: str = ""
    mode: str = ""
    unit: str = ""
    unsure: str = ""


def rows_of(columns: list[dict[str, Any]], mapping: Told[str, Any]) -> list[ColumnRow]:
    """Lay a mapping (as plain data) out over the columns of the file."""
    snapshot = {column: what for what, column in mapping["columns"].items()}
    cells = {c["column"]: c for c in mapping["cells"]}
    counts = {c["learn_count"]: c for c in mapping["cells"] if c["learn_count"]}
    rows = []
    for column in columns:
        name, samples = column["name"], tuple(column["samples"])
        cell, kind = (cells[name], VALUE) if name in cells else (counts.get(name), COUNT)
        if name in snapshot:
            rows.append(ColumnRow(name, samples, snapshot[name]))
        elif cell is not None:
            unit, unsure = (cell["unit"], cell["unsure"]) if kind == VALUE else ("", "")
            what = f"{kind}{cell['signal']}"
            rows.append(ColumnRow(name, samples, what, cell["channel"], cell["mode"] or "", unit, unsure))
        else:
            rows.append(ColumnRow(name, samples))
    return rows


def made_of(columns: Sequence[str], checks: Sequence[Told[str, Any]]) -> list[Told[str, Any] | None]:
    """Give what a mapping makes of each column, in order; None for what it leaves out."""
    folded = {" ".join(str(c["column"]).split()).casefold(): c for c in checks if c["is"]}
    return [folded.get(" ".join(name.split()).casefold()) for name in columns]


def choices(profile: Profile) -> list[tuple[str, str]]:
    """Give what a column can be: value and words."""
    values = [(f"{VALUE}{s.name}", sentences.signal(s.name)) for s in profile.signals]
    counts = [(f"{COUNT}{s.name}", f"shifts learned: {sentences.signal(s.name)}") for s in profile.signals]
    return [*WORDS.items(), *values, *counts]


def mapping_from(columns: list[str], fields: Told[str, str], profile: Profile) -> Mapping:
    """Put a mapping together from a form.

    Parameters
    ----------
    columns : list of str
        Of the file, in order; the k-th has the fields `what-k`, `channel-k`, `mode-k` and `unit-k`.
    fields : mapping
        The form. Besides those of the columns: `odometer_unit`, `fluid_temp_unit`, `time_format`, `one_unit`
        and `sheet`.
    profile : Profile
        Says which signals belong to a pack, and so have no mode.

    Raises
    ------
    InputRefused
        If two columns are the same thing, or a mapping could not be.

    """
    snapshot: dict[str, str] = {}
    cells: list[CellColumn] = []
    counts: dict[tuple[str, str, str | None], str] = {}
    of_packs = {s.name for s in profile.signals if s.per_pack}
    for k, name in enumerate(columns):
        what = fields.get(f"what-{k}", "")
        if what in SNAPSHOT_COLUMNS:
            if what in snapshot:
                raise InputRefused(f"two columns are {WORDS[what]}: {snapshot[what]!r} and {name!r}")
            snapshot[what] = name
            continue
        kind, _, signal = what.partition(":")
        if not signal:
            continue
        channel = fields.get(f"channel-{k}", "").strip()
        if not channel:
            raise InputRefused(
                f"column {name!r}: no shift or pack is chosen", do="choose one, or leave it out"
            )
        mode = None if signal in PACK_SIGNALS else fields.get(f"mode-{k}", "") or None
        if mode is None and signal in of_packs - PACK_SIGNALS:
            mode = ""
        if f"{kind}:" == COUNT:
            counts[channel, signal, mode] = name
        else:
            cells.append(CellColumn(name, channel, signal, mode, fields.get(f"unit-{k}", "").strip()))
    counted = tuple(
        CellColumn(c.column, c.channel, c.signal, c.mode, c.unit, counts.get((c.channel, c.signal, c.mode)))
        for c in cells
    )
    made = Mapping(
        columns=snapshot,
        cells=counted,
        odometer_unit=fields.get("odometer_unit", "km"),
        fluid_temp_unit=fields.get("fluid_temp_unit", "degC"),
        unit=fields.get("one_unit", "").strip(),
        time_format=fields.get("time_format", "").strip(),
        sheet=fields.get("sheet", "").strip(),
    )
    return Mapping.from_toml(made.to_toml(), "the columns")
