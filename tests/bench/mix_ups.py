"""How often the import points out a unit whose data are another one's, and how often for no reason.

    python -m tests.bench.mix_ups

Simulated fleets of each world, with all kinds of changes in them. First each is imported as it is: nothing
should be pointed out. Then the last snapshot of each of 20 units is exchanged for that of another unit, one
at a time.
"""

from __future__ import annotations

import tempfile
from pathlib import Path

import pandas as pd

from driftwatch.intake.batch import read_batches
from driftwatch.store.database import Database
from tests.bench.fleets import WORLDS

UNITS, SWAPPED, SEEDS = 40, 20, (1, 2)


def take(db: Database, folder: Path, frame: pd.DataFrame, dry_run: bool = False) -> int:
    """Import a frame, and count what looks like another unit."""
    frame.to_csv(folder / "rows.csv", index=False)
    report = db.import_batches(read_batches(folder / "rows.csv"), dry_run=dry_run)
    return sum(doubt.code == "looks_like_another" for doubt in report.doubts)


def measure(world: str, seed: int, folder: Path) -> str:
    """Measure one fleet."""
    fleet = WORLDS[world]("generic-6", UNITS, seed, "hard").fleet
    rows = fleet.snapshots.assign(unit=fleet.snapshots["unit"].astype(str))
    with Database.create(folder / f"{world}-{seed}-whole.duckdb") as db:
        take(db, folder, fleet.units)
        take(db, folder, fleet.events)
        wrongly = take(db, folder, rows)
        snapshots = len(db.records().snapshots)
    last = rows["taken_at"] == rows.groupby("unit")["taken_at"].transform("max")
    newest, found = rows[last], 0
    units = sorted(newest["unit"].unique())
    with Database.create(folder / f"{world}-{seed}.duckdb") as db:
        take(db, folder, fleet.units)
        take(db, folder, rows[~last])
        for unit, other in zip(units[:SWAPPED], units[SWAPPED:], strict=False):
            own = newest[newest["unit"] == unit].iloc[0]
            values = newest[newest["unit"] == other].drop(columns=["unit", "taken_at", "odometer_km"])
            fake = values.assign(unit=unit, taken_at=own["taken_at"], odometer_km=own["odometer_km"])
            found += take(db, folder, fake, dry_run=True) > 0
    told = f"{wrongly} of {snapshots} sound snapshots pointed out, {found} of {SWAPPED} that were mixed up"
    return f"{world:6s} seed {seed}: {told}"


def main() -> None:
    """Print the figures."""
    with tempfile.TemporaryDirectory() as name:
        for world in WORLDS:
            for seed in SEEDS:
                print(measure(world, seed, Path(name)), flush=True)


if __name__ == "__main__":
    main()
