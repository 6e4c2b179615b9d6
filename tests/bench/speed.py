"""How long an assessment takes, and how much memory, as the fleet grows.

    python -m tests.bench.speed [--units 250 500 1000] [--profile generic-6] [--seed 1] [--baseline-units 3]

The fleets are those of the other world, with 36 snapshots a unit of the modes normal and tow: with generic-6
that is 5 volumes and 10 shifts x 2 modes x 4 signals, 85 cells. Every size is assessed in a process of its
own, so that its peak memory is its own; the time is that of `analyse` alone, without reading files. "Days
later" is the time of the next assessment, when every tenth unit has been read out again and what had been
worked out is kept. The notebook's time a unit is measured beside it on a few of the same units. Nothing is
asserted.
"""

from __future__ import annotations

import argparse
import multiprocessing
import resource
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from tempfile import TemporaryDirectory

import pandas as pd

from driftwatch.assessment.assess import analyse
from driftwatch.assessment.kept import Kept
from driftwatch.settings import Settings
from driftwatch.store.records import Records
from tests.bench.fleets import as_records
from tests.bench.notebook import notebook
from tests.bench.otherworld import DIALS, OtherFleet, make_fleet

SNAPSHOTS = 36
MODES = ("", "normal", "tow")
NEWS_OF_EVERY = 10


@dataclass(frozen=True)
class Taken:
    """Seconds of one assessment by the clock and of the processor, memory in MB before it and at its peak."""

    seconds: float
    cpu_seconds: float
    later_seconds: float
    before_mb: float
    peak_mb: float


def fleet_of(profile: str, units: int, seed: int) -> OtherFleet:
    """Make a fleet with the same number of snapshots for every unit, and without the low range."""
    dial = replace(DIALS["usual"], snapshots=(SNAPSHOTS + 14, SNAPSHOTS + 14))
    fleet = make_fleet(profile, units, seed, dial)
    rows = fleet.snapshots[fleet.snapshots["mode"].isin(MODES)]
    number = rows.groupby("unit", observed=True)["taken_at"].rank(method="dense", ascending=False)
    return replace(fleet, snapshots=rows[number <= SNAPSHOTS])


def first_units(fleet: OtherFleet, count: int) -> Records:
    """Give the records of the first units."""
    names = set(fleet.units["unit"].iloc[:count])
    part = replace(
        fleet,
        units=fleet.units.iloc[:count],
        snapshots=fleet.snapshots[fleet.snapshots["unit"].isin(names)],
        events=fleet.events[fleet.events["unit"].isin(names)],
    )
    part.snapshots["unit"] = part.snapshots["unit"].cat.remove_unused_categories()
    return as_records(part, fleet.snapshots["taken_at"].max().date())


def measure(records: Records) -> Taken:
    """Assess records, in whatever process this runs in."""
    before = _peak_mb()
    began, cpu = time.perf_counter(), _cpu_seconds()
    analyse(records, Settings())
    seconds, cpu, peak = time.perf_counter() - began, _cpu_seconds() - cpu, _peak_mb()
    with TemporaryDirectory() as folder:
        kept = Kept(Path(folder) / "fits")
        analyse(_days_before(records), Settings(), kept=kept)
        began = time.perf_counter()
        analyse(records, Settings(), kept=kept)
        later = time.perf_counter() - began
    return Taken(seconds, cpu, later, before, peak)


def _days_before(records: Records) -> Records:
    """Give the records as they were before the last tenth of the units was read out for the last time."""
    last = records.snapshots.groupby("unit", observed=True)["taken_at"].max().sort_values()
    day = last.iloc[-max(len(last) // NEWS_OF_EVERY, 1)]

    def cut(frame: pd.DataFrame) -> pd.DataFrame:
        return frame[frame["taken_at"] < day]

    return replace(records, snapshots=cut(records.snapshots), readings=cut(records.readings))


def _cpu_seconds() -> float:
    """Seconds of the processor that this process and those that it has ended took."""
    own, ended = (resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    return own.ru_utime + own.ru_stime + ended.ru_utime + ended.ru_stime


def _peak_mb() -> float:
    """Highest resident memory of this process so far, MB.

    On Linux the usage that `resource` gives begins with that of the process that started this one, so the
    system's own account is read where there is one; both count in KiB.
    """
    status = Path("/proc/self/status")
    if status.exists():
        line = next(row for row in status.read_text().splitlines() if row.startswith("VmHWM"))
        return int(line.split()[1]) * 1024 / 1e6
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024 / 1e6


def in_its_own_process(records: Records) -> Taken:
    """Assess records in a fresh process."""
    with ProcessPoolExecutor(1, mp_context=multiprocessing.get_context("spawn")) as pool:
        return pool.submit(measure, records).result()


def main() -> None:
    """Print a line for each size of the fleet, and one for the notebook."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--units", type=int, nargs="+", default=[250, 500, 1000])
    parser.add_argument("--profile", default="generic-6")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--baseline-units", type=int, default=3)
    options = parser.parse_args()
    sizes = sorted(options.units)
    fleet = fleet_of(options.profile, max(*sizes, options.baseline_units), options.seed)
    counts = fleet.snapshots.groupby("unit", observed=True)["taken_at"].nunique()
    cells = fleet.snapshots[["mode", "channel", "signal"]].drop_duplicates()
    print(f"{options.profile}: {len(cells)} cells, {counts.min()} to {counts.max()} snapshots a unit")
    heads = ("units", "seconds", "CPU s", "s/unit", "x before", "days later", "peak MB", "start MB")
    print("".join(f"{head:>12}" for head in heads))
    last: Taken | None = None
    for size in sizes:
        taken = in_its_own_process(first_units(fleet, size))
        figures = (
            f"{size}",
            f"{taken.seconds:.1f}",
            f"{taken.cpu_seconds:.1f}",
            f"{taken.seconds / size:.4f}",
            f"{taken.cpu_seconds / last.cpu_seconds:.2f}" if last else "-",
            f"{taken.later_seconds:.1f}",
            f"{taken.peak_mb:.0f}",
            f"{taken.before_mb:.0f}",
        )
        print("".join(f"{figure:>12}" for figure in figures), flush=True)
        last = taken
    notebook(first_units(fleet, 1))
    records = first_units(fleet, options.baseline_units)
    began, cpu = time.perf_counter(), time.process_time()
    notebook(records)
    seconds, cpu = time.perf_counter() - began, time.process_time() - cpu
    count = options.baseline_units
    print(f"notebook: {seconds / count:.4f} s/unit, {cpu / count:.4f} CPU s/unit, on {count} units")
    if last:
        print(f"notebook / program, CPU seconds a unit: {(cpu / count) / (last.cpu_seconds / sizes[-1]):.1f}")
        print(f"notebook / program, seconds a unit: {(seconds / count) / (last.seconds / sizes[-1]):.1f}")


if __name__ == "__main__":
    main()
