"""Which columns each kind of file has, and what kind a file is by its columns."""

from __future__ import annotations

from dataclasses import dataclass

from driftwatch.errors import InputRefused
from driftwatch.intake.tables import RawTable, nearest

#: How alike a column's name has to be to the one that is missing before it is said to be meant.
MUCH_ALIKE = 0.65


@dataclass(frozen=True)
class FileKind:
    """One kind of input file.

    Attributes
    ----------
    required : tuple of tuple of str
        Columns that must be there; of the names in one group, at least one.
    optional : tuple of str
        Columns that are used where they are there.
    telling : str
        The column by which the kind is recognised.
    numeric : tuple of str
        The columns that hold numbers.

    """

    name: str
    required: tuple[tuple[str, ...], ...]
    optional: tuple[str, ...]
    telling: str
    numeric: tuple[str, ...] = ()

    @property
    def a_file(self) -> str:
        """What a file of that kind is called, with its article."""
        return f"{'an' if self is EVENTS else 'a'} {self.name} file"

    @property
    def all_columns(self) -> tuple[str, ...]:
        """Every column that the kind knows, required ones first."""
        return tuple(name for group in self.required for name in group) + self.optional


UNITS = FileKind("units", (("unit",), ("profile",)), ("in_service_on", "site", "note"), "profile")
SNAPSHOTS = FileKind(
    "snapshots",
    (
        ("unit",),
        ("taken_at",),
        ("odometer_km", "odometer_mi"),
        ("mode",),
        ("channel",),
        ("signal",),
        ("value",),
    ),
    (
        *("fluid_temp_c", "fluid_temp_f", "value_unit", "learn_count", "source"),
        *("value_entered", "unit_entered", "odometer_entered", "odometer_unit_entered"),
        *("fluid_temp_entered", "fluid_temp_unit_entered"),
    ),
    "taken_at",
    (
        *("odometer_km", "odometer_mi", "fluid_temp_c", "fluid_temp_f", "value", "learn_count"),
        *("value_entered", "odometer_entered", "fluid_temp_entered"),
    ),
)
EVENTS = FileKind(
    "events",
    (("unit",), ("happened_at",), ("kind",)),
    ("amount", "amount_unit", "note", "amount_entered", "amount_unit_entered", "event_id"),
    "happened_at",
    ("amount", "amount_entered"),
)
#: In the order in which they need one another.
KINDS = {kind.name: kind for kind in (UNITS, SNAPSHOTS, EVENTS)}

#: What the program itself exports besides those kinds, and columns that only such a file has. They are made
#: from what was taken in, or tell how it came to be; they are never taken in again.
OWN_EXPORTS = {
    "fitted": ("signal", "usable", "fitted", "fitted_se", "noise_sd"),
    "review": ("unit", "profile", "state", "service", "in_short"),
    "quarantine": ("quarantine_id", "code", "reason", "raw"),
    "audit": ("changed_at_utc", "what", "field", "old_value", "new_value"),
    "files": ("file_id", "sha256", "new_rows", "quarantined_rows"),
    "odometers": ("changed_at_local", "was_km", "reads_km", "add_km"),
    "settings": ("name", "value", "changed_at_utc", "changed_by"),
    "profiles": ("name", "toml", "added_at_utc", "added_by"),
}

EVENT_KINDS = ("power", "load", "fluid", "relearn", "rebuild", "repair", "other")


def recognise(table: RawTable) -> FileKind:
    """Say what kind of file this is: the kind whose telling column it has, else the one it has most of.

    Raises
    ------
    InputRefused
        If the columns fit none.

    """
    present = {column.casefold() for column in table.columns}
    told = [kind for kind in (SNAPSHOTS, EVENTS, UNITS) if kind.telling in present]
    if len(told) == 1:
        return told[0]
    share = {
        kind: sum(any(name in present for name in group) for group in kind.required) / len(kind.required)
        for kind in (told or KINDS.values())
    }
    best = max(share, key=lambda kind: share[kind])
    # `unit` alone is in every kind; a kind is only taken as meant if more than that is there.
    if share[best] * len(best.required) < 2:
        raise InputRefused(
            "the columns are those of no known kind of file",
            table.name,
            "give --as units, snapshots or events, or draft a mapping with `driftwatch mapping draft`",
        )
    return best


def refuse_own_export(table: RawTable) -> None:
    """Refuse a file that the program exported, and that is not one to be taken in again."""
    for name, columns in OWN_EXPORTS.items():
        if all(table.find(column) is not None for column in columns):
            raise InputRefused(
                f"this is the export {name!r} of this program, which is not taken in again",
                table.name,
                "leave it out: units, snapshots and events hold all that can be",
            )


def locate(table: RawTable, kind: FileKind) -> dict[str, str]:
    """Find the columns of a kind in a table.

    Returns
    -------
    dict
        Common name -> name in the file, for the columns that are there.

    Raises
    ------
    InputRefused
        If a required column is missing; it is named, with the most similar one that is there.

    """
    found = {name: column for name in kind.all_columns if (column := table.find(name)) is not None}
    for group in kind.required:
        if any(name in found for name in group):
            continue
        unused = [column for column in table.columns if column not in found.values()]
        similar = next(
            (near for name in group if (near := nearest(name, unused, MUCH_ALIKE)) is not None), None
        )
        hint = (
            f"rename {similar!r}, which is the nearest" if similar else f"there are {_listed(table.columns)}"
        )
        if kind is SNAPSHOTS:
            hint += ", or give a mapping if the file has one column for each cell"
        what = f"{kind.a_file} needs the column {' or '.join(group)}"
        raise InputRefused(what, table.name, hint)
    return found


def _listed(names: tuple[str, ...]) -> str:
    shown = ", ".join(names[:8])
    return f"{shown} and {len(names) - 8} more" if len(names) > 8 else shown
