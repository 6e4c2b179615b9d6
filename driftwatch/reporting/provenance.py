"""Where a unit's data came from: files and fingerprints, corrections, settings, who asked and when."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

from driftwatch.reporting.parts import Table
from driftwatch.reporting.texts import count, shorten
from driftwatch.settings import Settings
from driftwatch.wording import day, name

#: What an entry of the history is called.
_WHAT = {
    "event corrected": "log entry corrected",
    "event retracted": "log entry taken back",
    "event logged": "log entry made",
    "in quarantine": "row refused",
}


@dataclass(frozen=True)
class Provenance:
    """What the appendix of a report rests on.

    Attributes
    ----------
    made_for : str
        Who had the report made; may be empty.
    made_at : datetime
        When, UTC without offset, as the store keeps times.
    sources : sequence of mapping
        The files behind the unit's data, as `Store.sources` gives them.
    history : sequence of mapping
        How the data came to be, as `Store.history` gives it.

    """

    made_for: str
    made_at: datetime
    sources: Sequence[Mapping[str, Any]]
    history: Sequence[Mapping[str, Any]]


def asked(known: Provenance | None, settings: Settings) -> tuple[tuple[str, str], ...]:
    """Say who had the report made, and when."""
    if known is None:
        return ()
    return (
        ("Asked for by", name(known.made_for) or "not told"),
        ("Made on", _moment(known.made_at, settings.zone)),
    )


def sources_table(known: Provenance | None, settings: Settings) -> Table:
    """List the files behind the data, each with the fingerprint of its bytes."""
    rows = []
    for s in known.sources if known else ():
        held = (
            [f"{count(s['readings'], 'reading')} in {count(s['snapshots'], 'snapshot')}"]
            if s["readings"]
            else []
        )
        held += [count(s["entries"], "log entry", "log entries")] if s["entries"] else []
        sheet = f", sheet {name(s['sheet'])}" if s["sheet"] else ""
        mapping = f"; read through mapping {s['mapping_sha256'][:16]}" if s["mapping_sha256"] else ""
        rows.append(
            (
                f"{name(s['file'])}{sheet}",
                (", ".join(held) or "the unit itself") + mapping,
                s["sha256"] or "made by hand",
                f"{_moment(s['imported_at_utc'], settings.zone)}, {name(s['imported_by']) or 'not told'}",
            )
        )
    return Table(
        "Files behind the data; the fingerprint (SHA-256) of a file is that of its bytes",
        ("File", "What it gave", "Fingerprint", "Taken in, by"),
        tuple(rows),
    )


def corrections_table(known: Provenance | None, settings: Settings) -> Table:
    """List what was corrected, logged or refused since, oldest first."""
    rows = []
    for h in known.history if known else ():
        what = str(h["what"])
        if what not in _WHAT and h["field"] is None and h["line"] is None and h["file"] is not None:
            continue  # a file that was taken in: it stands among the sources
        was, now = (_value(h[k]) for k in ("old_value", "new_value"))
        told = _value(h["about"]) + (f", {h['field']}" if h["field"] else "")
        if was or now:
            told += f": {was or 'nothing'} → {now or 'nothing'}"
        rows.append(
            (
                f"{_moment(h['at_utc'], settings.zone)}, {name(h['who']) or 'not told'}",
                _WHAT.get(what, name(what)),
                shorten(told, 200),
                name(h["file"]) if h["file"] else "by hand",
            )
        )
    return Table(
        "What was corrected, logged or refused, oldest first",
        ("When, by", "What", "About", "File"),
        tuple(rows),
    )


def settings_table(settings: Settings) -> Table:
    """List every setting in force, and what it stands at unless changed."""
    rows = tuple(
        (
            f.name,
            _plain(getattr(settings, f.name)),
            _plain(f.default),
            f.metadata["unit"],
            str(f.metadata["reason"]).replace("`", ""),
        )
        for f in fields(settings)
    )
    return Table("Settings in force", ("Setting", "Value", "Usual", "Unit", "What it does"), rows)


def _plain(value: Any) -> str:
    return f"{value:g}" if isinstance(value, float) else str(value)


def _value(value: Any) -> str:
    return "" if value is None or value != value else name(value)


def _moment(utc: Any, zone: str) -> str:
    """Give a moment that the store keeps in UTC, in the store's zone."""
    moment = utc if isinstance(utc, datetime) else datetime.fromisoformat(str(utc))
    local = moment.replace(tzinfo=UTC).astimezone(ZoneInfo(zone))
    return f"{day(local)}, {local:%H:%M}"
