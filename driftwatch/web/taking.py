"""What jobs do with files that were sent: look at them on a copy of the store, and take them in."""

from __future__ import annotations

import shutil
from collections import Counter
from collections.abc import Mapping as Told
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

from driftwatch.api import Store, open_store, open_trial
from driftwatch.demo import take_demo
from driftwatch.errors import DriftwatchError, InputRefused
from driftwatch.inputs import MAPPING_ENDING, ImportOutcome, read_inputs, refused
from driftwatch.intake.draft import draft_mapping
from driftwatch.intake.mapping import Mapping, fits
from driftwatch.intake.mapping_check import check_mapping
from driftwatch.intake.readers import read_tables
from driftwatch.intake.tables import RawTable
from driftwatch.plain import frame_rows
from driftwatch.profile.model import Profile
from driftwatch.simulate.scenario import write_demo
from driftwatch.store.files import put_in_place
from driftwatch.store.report import ImportReport

if TYPE_CHECKING:
    from driftwatch.web.work import Teller

#: Seconds that a job waits for the store.
WAIT = 600.0
#: Rows of each kind that are told of one file, and values that are shown of a column.
NAMED, SAMPLES = 100, 3
#: Unknown units that are offered to be added at once.
OFFERED = 1000


def look(db: Path, args: dict[str, Any], tell: Teller) -> dict[str, Any]:
    """Say what would become of files that were sent: a dry run, on a copy of the store."""
    source = Path(args["source"])
    inputs = read_inputs(
        [str(source / name) for name in args["files"]],
        args["kind"] or None,
        decimal=args["decimal"] or None,
        progress=tell.progress,
    )
    with open_trial(db, WAIT) as store:
        readable = any(not isinstance(batches, DriftwatchError) for _, batches in inputs)
        outcomes = store.take(inputs, progress=tell.progress) if readable else refused(inputs)
        profiles = _by_use(store)
    told = [_outcome(outcome) for outcome in outcomes]
    for row in told:
        if row["refused"] or (source / row["file"]).with_suffix(MAPPING_ENDING).exists():
            row["wide"] = wide(source / row["file"], profiles, args.get("profile") or None)
    return {"files": told}


def take(db: Path, args: dict[str, Any], tell: Teller) -> dict[str, Any]:
    """Take files that were sent into the store, each as a whole or not at all."""
    source = Path(args["source"])
    inputs = read_inputs(
        [str(source / name) for name in args["files"]],
        args["kind"] or None,
        decimal=args["decimal"] or None,
        progress=tell.progress,
    )
    with open_store(db, create=True, wait=WAIT, by=tell.by) as store:
        outcomes = store.take(inputs, progress=tell.progress)
    shutil.rmtree(source, ignore_errors=True)
    return {"files": [_outcome(outcome) for outcome in outcomes]}


def columns(db: Path, args: dict[str, Any], tell: Teller) -> dict[str, Any]:
    """Draft a mapping for a wide file, or try one on it: what it makes of each column."""
    path = Path(args["source"]) / args["file"]
    with open_trial(db, WAIT) as store:
        profiles = _by_use(store)
    profile = profiles[args["profile"]]
    tables = read_tables(path)
    tell.progress("reading columns", 1, 1)
    if args["mapping"]:
        mapping = Mapping.from_toml(args["mapping"], "the mapping")
    else:
        mapping = draft_mapping(tables[0], profile)
    return {
        "mapping": asdict(mapping),
        "checks": [c.to_dict() for c in check_mapping(tables, mapping, profile)],
    }


def demo(db: Path, _args: dict[str, Any], tell: Teller) -> dict[str, Any]:
    """Make the store of the invented fleet; it gets its place when it is whole."""
    made = tell.scratch / "demo.duckdb"
    files = write_demo(tell.scratch / "files")
    with open_store(made, create=True, by=tell.by) as store:
        take_demo(store, files, tell.progress)
    put_in_place(made, db)
    return {"as_of": files.as_of.isoformat(), "unit": files.owner_unit}


def wide(path: Path, profiles: Told[str, Profile], wanted: str | None) -> dict[str, Any] | None:
    """Give the columns of a file that may be wide, with the mapping that fits best; None if none does."""
    try:
        tables = read_tables(path)
    except DriftwatchError:
        return None
    beside = path.with_suffix(MAPPING_ENDING)
    found: tuple[str, Mapping] | None = None
    refusal = ""
    if beside.exists():
        try:
            found = (wanted or next(iter(profiles)), Mapping.read(beside))
        except InputRefused as error:
            refusal = str(error)
    if found is None:
        found = _best_draft(tables[0], profiles, wanted)
    if found is None:
        return None
    profile, mapping = found
    table = next((t for t in tables if fits(t, mapping)), tables[0])
    return {
        "profile": profile,
        "sheet": table.sheet,
        "columns": [{"name": name, "samples": _samples(table, name)} for name in table.columns],
        "mapping": asdict(mapping),
        "checks": [c.to_dict() for c in check_mapping(tables, mapping, profiles[profile])],
        "refusal": refusal,
    }


def _best_draft(
    table: RawTable, profiles: Told[str, Profile], wanted: str | None
) -> tuple[str, Mapping] | None:
    """Draft for each profile, those in use first, and give the draft that understands most columns."""
    best: tuple[str, Mapping] | None = None
    for name, profile in profiles.items():
        if wanted not in (None, name):
            continue
        try:
            mapping = draft_mapping(table, profile)
        except InputRefused:
            continue
        if best is None or len(mapping.cells) > len(best[1].cells):
            best = (name, mapping)
    return best


def _samples(table: RawTable, name: str) -> list[str]:
    filled = (text.strip() for text in table.texts(name).to_pylist() if text.strip())
    return [text[:40] for text, _ in zip(filled, range(SAMPLES), strict=False)]


def _by_use(store: Store) -> dict[str, Profile]:
    """Give all profiles, those of most units first."""
    used = Counter(store.unit_list()["profile"])
    known = store.profiles()
    return {name: known[name] for name in sorted(known, key=lambda n: (-used[n], n))}


def _outcome(outcome: ImportOutcome) -> dict[str, Any]:
    """Give what became of one file, plain and short enough to be shown."""
    name, report = Path(outcome.file).name, outcome.report
    if report is None:
        return {"file": name, "refused": str(outcome.error), "report": None, "wide": None}
    return {
        "file": name,
        "refused": "",
        "wide": None,
        "report": {
            "kind": report.kind,
            "rows": report.rows,
            "new": report.new,
            "same": report.same,
            "corrected": report.corrected,
            "quarantined": report.quarantined,
            "first": report.first.isoformat() if report.first else None,
            "last": report.last.isoformat() if report.last else None,
            "notes": list(report.notes),
            "doubts": [d.to_dict() for d in report.doubts[:NAMED]],
            "problems": frame_rows(report.problems.head(NAMED)[["line", "code", "reason"]]),
            "corrections": _corrections(frame_rows(report.corrections.head(NAMED))),
            "more_corrections": max(len(report.corrections) - NAMED, 0),
            "unknown_units": _unknown_units(report),
            "codes": dict(Counter(report.problems["code"]).most_common()),
        },
    }


def _unknown_units(report: ImportReport) -> dict[str, int]:
    """Give the names of units that the store does not know, with how many rows each has."""
    rows = report.problems
    named = rows.loc[rows["code"] == "unknown_unit", "unit"]
    return dict(Counter(str(name) for name in named if name).most_common(OFFERED))


def _corrections(rows: Sequence[Told[str, Any]]) -> list[dict[str, Any]]:
    parts = ("unit", "at", "event_id", "mode", "channel", "signal", "field")
    return [
        {
            "line": row["line"],
            "about": " ".join(str(row[k]) for k in parts if row[k]),
            "was": row["old_value"],
            "becomes": row["new_value"],
        }
        for row in rows
    ]
