"""How long the import of a long file takes, beside what DuckDB alone needs to read it into a table.

    python -m tests.bench.import_speed [ROWS]

Both are done cold, in processes of their own, on the same machine in the same run. Asserts nothing: times
belong to a machine. The readings are invented.
"""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np

from driftwatch.profile.load import builtin

ROWS, SNAPSHOTS = 5_000_000, 60

ALONE = """
import json, resource, sys, time
import duckdb
begun = time.perf_counter()
con = duckdb.connect(sys.argv[2])
con.execute("SET enable_progress_bar = false")
con.execute("CREATE TABLE t AS SELECT * FROM read_csv(?)", [sys.argv[1]])
con.close()
print(json.dumps({"seconds": time.perf_counter() - begun,
    "peak_mib": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024}))
"""
IMPORT = """
import json, resource, sys, time
begun = time.perf_counter()
import driftwatch
with driftwatch.open(sys.argv[2]) as store:
    report = store.import_file(sys.argv[1])
print(json.dumps({"seconds": time.perf_counter() - begun, "rows": report.rows, "new": report.new,
    "same": report.same, "quarantined": report.quarantined,
    "peak_mib": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024}))
"""


def write_rows(path: Path, rows: int) -> int:
    """Write a long snapshots file, and give how many units are in it."""
    profile, random = builtin("generic-6"), np.random.default_rng(1)
    cells = [("", clutch.id, "clutch_volume") for clutch in profile.clutches]
    cells += [
        (mode, shift.id, signal.name)
        for signal in profile.signals
        if not signal.per_pack
        for mode in profile.modes
        for shift in profile.shifts
    ]
    usual = {
        "clutch_volume": (35.0, 1.0),
        "apply_trim": (10.0, 5.0),
        "release_trim": (5.0, 5.0),
        "shift_time": (0.5, 0.01),
        "torque_cut": (20.0, 1.0),
    }
    level, spread = np.array([usual[signal] for _, _, signal in cells]).T
    units, left = -(-rows // (len(cells) * SNAPSHOTS)), rows
    with path.open("w", encoding="utf-8") as out:
        out.write("unit,taken_at,odometer_km,mode,channel,signal,value,fluid_temp_c,learn_count\n")
        for unit in range(units):
            for month in range(SNAPSHOTS):
                at = datetime(2021, 1, 4, 8) + timedelta(days=30 * month, minutes=int(random.integers(600)))
                km = 40_000 + 3_000 * month + int(random.integers(500))
                head = f"U{unit:05d},{at.isoformat(timespec='minutes')},{km}"
                values = level + spread * random.normal(size=len(cells))
                learnt = random.integers(0, 60, len(cells))
                temp = int(random.integers(60, 95))
                out.writelines(
                    f"{head},{mode},{channel},{signal},{value:.5g},{temp},{count}\n"
                    for (mode, channel, signal), value, count in zip(
                        cells[:left], values, learnt, strict=False
                    )
                )
                left -= min(left, len(cells))
    return units


def measured(script: str, *args: Path) -> dict[str, float]:
    """Run a script in a process of its own, and give what it prints."""
    done = subprocess.run(
        [sys.executable, "-c", script, *map(str, args)], capture_output=True, text=True, check=True
    )
    return json.loads(done.stdout)


def main() -> None:
    """Print the figures."""
    rows = int(sys.argv[1]) if len(sys.argv) > 1 else ROWS
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        units = write_rows(folder / "rows.csv", rows)
        size = (folder / "rows.csv").stat().st_size
        print(f"{rows} long rows, {units} units, {size / 1e6:.0f} MB of CSV")
        text = "unit,profile\n" + "".join(f"U{unit:05d},generic-6\n" for unit in range(units))
        (folder / "units.csv").write_text(text)
        alone = measured(ALONE, folder / "rows.csv", folder / "alone.duckdb")
        print(f"DuckDB alone:  {alone['seconds']:6.1f} s, {alone['peak_mib']:6.0f} MiB at most")
        subprocess.run(
            [sys.executable, "-m", "driftwatch", "--db", folder / "s.duckdb", "import", folder / "units.csv"],
            check=True, capture_output=True,
        )  # fmt: skip
        for what in ("import, cold", "the same again"):
            told = measured(IMPORT, folder / "rows.csv", folder / "s.duckdb")
            print(
                f"{what + ':':15s}{told['seconds']:6.1f} s, {told['peak_mib']:6.0f} MiB at most, "
                f"{told['seconds'] / alone['seconds']:.1f} times as long; "
                f"{told['new']} new, {told['same']} same, {told['quarantined']} in quarantine"
            )
        print(f"the store: {(folder / 's.duckdb').stat().st_size / 1e6:.0f} MB")


if __name__ == "__main__":
    main()
