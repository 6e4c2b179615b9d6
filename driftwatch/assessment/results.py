"""The assessment: what is said of each unit, as frozen objects that know how to show themselves.

The JSON form (`Assessment.to_dict`) is documented in `docs/assessment.md`.
"""

from __future__ import annotations

import html
from dataclasses import dataclass
from datetime import date
from typing import Any

import pandas as pd

from driftwatch.changes.results import UnitFit
from driftwatch.panel.panel import Panel
from driftwatch.service.results import ClutchOutlook

FORMAT = "driftwatch-assessment"
VERSION = 1

STATES = ("steady", "settling", "changed", "worn", "attention", "too_few")
CAUSES = ("wear", "power", "load", "fluid", "relearn", "rebuild", "pressure", "unexplained")
SERVICE_STATES = ("clear", "watch", "plan", "due")
CAUTION_KINDS = ("authority", "overlap", "unlearned", "stale", "data")

#: Columns of each table of an assessment, as where there is nothing to list.
COLUMNS = {
    "units": (
        "unit", "profile", "snapshots", "first", "last", "odometer_km", "km_per_day", "state", "sentence",
    ),
    "findings": (
        "unit", "cause", "probability", "after", "by", "clutch", "modes", "shifts", "event", "size", "rivals",
        "sentence",
    ),
    "clutches": (
        "unit", "clutch", "volume_cm3", "growth_cm3_per_10000km", "growth_interval", "limit_cm3",
        "limit_source", "used", "remaining_km.p10", "remaining_km.p50", "remaining_km.p90", "due_on.p10",
        "due_on.p50", "due_on.p90", "chance_within.km", "chance_within.probability", "service", "reason",
    ),
    "cautions": ("unit", "kind", "channels", "since", "sentence"),
}  # fmt: skip


@dataclass(frozen=True)
class Effect:
    """The size of a change in one signal: mean over the cells it touches, with its 90 % interval."""

    signal: str
    unit: str
    estimate: float
    low: float
    high: float

    def to_dict(self) -> dict[str, Any]:
        """Give the effect as plain values."""
        return {
            "signal": self.signal,
            "unit": self.unit,
            "estimate": self.estimate,
            "interval": [self.low, self.high],
            "level": 0.9,
        }


@dataclass(frozen=True)
class Rival:
    """Another cause that is still open, with its probability."""

    cause: str
    probability: float


@dataclass(frozen=True)
class Finding:
    """One cause that acted, when, where, how sure, and what else it could be."""

    cause: str
    probability: float
    after: date | None
    by: date | None
    clutch: str | None
    modes: tuple[str, ...]
    shifts: tuple[str, ...]
    event: str | None
    size: tuple[Effect, ...]
    rivals: tuple[Rival, ...]
    sentence: str

    def to_dict(self) -> dict[str, Any]:
        """Give the finding as plain values; dates as ISO text."""
        return {
            "cause": self.cause,
            "probability": self.probability,
            "after": _iso(self.after),
            "by": _iso(self.by),
            "clutch": self.clutch,
            "modes": list(self.modes),
            "shifts": list(self.shifts),
            "event": self.event,
            "size": [effect.to_dict() for effect in self.size],
            "rivals": [{"cause": r.cause, "probability": r.probability} for r in self.rivals],
            "sentence": self.sentence,
        }


@dataclass(frozen=True)
class Caution:
    """Something the reader must know before acting: authority, overlap, unlearned, stale or data."""

    kind: str
    channels: tuple[str, ...]
    since: date | None
    sentence: str

    def to_dict(self) -> dict[str, Any]:
        """Give the caution as plain values."""
        return {
            "kind": self.kind,
            "channels": list(self.channels),
            "since": _iso(self.since),
            "sentence": self.sentence,
        }


@dataclass(frozen=True)
class UnitAssessment:
    """All that is said of one unit."""

    unit: str
    profile: str
    snapshots: int
    first: date | None
    last: date | None
    odometer_km: float | None
    km_per_day: float | None
    state: str
    sentence: str
    findings: tuple[Finding, ...]
    clutches: tuple[ClutchOutlook, ...]
    cautions: tuple[Caution, ...]

    def to_dict(self) -> dict[str, Any]:
        """Give the unit's assessment as plain values, in the documented form."""
        return {
            "unit": self.unit,
            "profile": self.profile,
            "snapshots": self.snapshots,
            "first": _iso(self.first),
            "last": _iso(self.last),
            "odometer_km": self.odometer_km,
            "km_per_day": self.km_per_day,
            "state": self.state,
            "sentence": self.sentence,
            "findings": [f.to_dict() for f in self.findings],
            "clutches": [clutch_to_dict(c) for c in self.clutches],
            "cautions": [c.to_dict() for c in self.cautions],
        }


@dataclass(frozen=True)
class Assessment:
    """The assessment of a whole store, or of the units asked for, on one day."""

    as_of: date
    made_by: str
    units: tuple[UnitAssessment, ...]

    def to_dict(self) -> dict[str, Any]:
        """Give the assessment in its documented JSON form."""
        return {
            "format": FORMAT,
            "version": VERSION,
            "as_of": self.as_of.isoformat(),
            "made_by": self.made_by,
            "units": [u.to_dict() for u in self.units],
        }

    def to_frame(self, what: str = "units") -> pd.DataFrame:
        """Give `units`, `findings`, `clutches` or `cautions` as a table: one row each, always all columns."""
        if what not in COLUMNS:
            raise ValueError(f"{what!r} is none of {', '.join(COLUMNS)}")
        rows: list[dict[str, Any]] = []
        for unit in self.units:
            said = unit.to_dict()
            if what == "units":
                rows.append({k: v for k, v in said.items() if not isinstance(v, list)})
            else:
                rows.extend({"unit": unit.unit, **_flat(item)} for item in said[what])
        return pd.DataFrame(rows, columns=list(COLUMNS[what]))

    def _repr_html_(self) -> str:
        rows = "".join(
            f"<tr><td>{html.escape(u.unit)}</td><td>{u.state}</td><td>{html.escape(u.sentence)}</td></tr>"
            for u in self.units
        )
        head = "<tr><th>Unit</th><th>State</th><th>In short</th></tr>"
        return f"<table><caption>As of {self.as_of}</caption>{head}{rows}</table>"


@dataclass(frozen=True)
class UnitAnalysis:
    """One unit's whole walk: its readings, the fit, and what is said; reports draw from it."""

    panel: Panel
    fit: UnitFit | None
    assessment: UnitAssessment


def clutch_to_dict(outlook: ClutchOutlook) -> dict[str, Any]:
    """Give a clutch outlook in the documented form."""
    km, probability = outlook.chance_within
    return {
        "clutch": outlook.clutch,
        "volume_cm3": outlook.volume_cm3,
        "growth_cm3_per_10000km": outlook.growth_cm3_per_10000km,
        "growth_interval": list(outlook.growth_interval),
        "limit_cm3": outlook.limit_cm3,
        "limit_source": outlook.limit_source,
        "used": outlook.used,
        "remaining_km": dict(outlook.remaining_km),
        "due_on": {k: _iso(v) for k, v in outlook.due_on.items()},
        "chance_within": {"km": km, "probability": probability},
        "service": outlook.service,
        "reason": outlook.reason,
    }


def _iso(day: date | None) -> str | None:
    return None if day is None else day.isoformat()


def _flat(item: dict[str, Any]) -> dict[str, Any]:
    """Spread nested mappings into dotted columns; lists become comma-separated text."""
    flat: dict[str, Any] = {}
    for key, value in item.items():
        if isinstance(value, dict):
            flat.update({f"{key}.{inner}": v for inner, v in value.items()})
        elif isinstance(value, list):
            flat[key] = "; ".join(str(v) if not isinstance(v, dict) else _words(v) for v in value)
        else:
            flat[key] = value
    return flat


def _words(item: dict[str, Any]) -> str:
    return " ".join(str(v) for v in item.values())
