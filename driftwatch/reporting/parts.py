"""The pieces that every report's context is made of: tables, charts, the footer, and their JSON form."""

from __future__ import annotations

from dataclasses import dataclass, fields, is_dataclass
from datetime import date
from typing import Any


@dataclass(frozen=True)
class Table:
    """The numbers behind a chart, or a list to read.

    Attributes
    ----------
    caption : str
        What the table holds, units included.
    columns : tuple of str
        Headings.
    rows : tuple of tuple of str
        Already formatted; as many cells as there are columns.

    """

    caption: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


@dataclass(frozen=True)
class Chart:
    """One picture with the sentence that says what to see in it.

    Attributes
    ----------
    id : str
        Unique on the page.
    title : str
        Heading of the chart.
    says : str
        What to see, in one or two sentences.
    height : int
        Height on the page, in pixels.
    figure : dict
        Plotly figure: `data` and `layout`, plain values only.
    table : Table
        The same numbers.

    """

    id: str
    title: str
    says: str
    height: int
    figure: dict[str, Any]
    table: Table


@dataclass(frozen=True)
class LimitUsed:
    """One service limit that the report relied on.

    Attributes
    ----------
    profile, profile_title, clutch : str
        Name and title of the transmission profile; id of the pack.
    limit_cm3 : float
        Fill volume at which service is due, in cm3.
    source : str
        Where the limit comes from, as the profile says; never empty.
    illustrative : bool
        True if it is only an example value, not one of the transmission's own literature.

    """

    profile: str
    profile_title: str
    clutch: str
    limit_cm3: float
    source: str
    illustrative: bool


@dataclass(frozen=True)
class About:
    """The footer of every report.

    Attributes
    ----------
    as_of : date
        Last day known to the report.
    made_by : str
        Program and version.
    fingerprint : str
        SHA-256 of the readings, log and profiles that the page rests on: equal only for equal data.
    limits : tuple of LimitUsed
        Limits that the page rests on.
    warning : str
        The loud line where any limit is only illustrative; empty otherwise.
    cautions : tuple of str
        What a reader must bear in mind before acting.
    terms : tuple of (str, str)
        Words of the trade used on the page, each with its meaning.

    """

    as_of: date
    made_by: str
    fingerprint: str
    limits: tuple[LimitUsed, ...]
    warning: str
    cautions: tuple[str, ...]
    terms: tuple[tuple[str, str], ...]


def to_plain(value: Any) -> Any:
    """Give any part of a context as JSON values: mappings, lists, text, numbers; dates as ISO text."""
    if is_dataclass(value) and not isinstance(value, type):
        return {f.name: to_plain(getattr(value, f.name)) for f in fields(value)}
    if isinstance(value, dict):
        return {str(k): to_plain(v) for k, v in value.items()}
    if isinstance(value, (list, tuple)):
        return [to_plain(v) for v in value]
    if isinstance(value, date):
        return value.isoformat()
    return value
