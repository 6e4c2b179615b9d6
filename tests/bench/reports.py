"""Size of the reports, and how long a browser takes to show them, charts and all.

    python -m tests.bench.reports

The fleets are the hand-made ones of the tests; the long history is one unit's readings over and over. The
browser is the system's Chromium, or the one that DRIFTWATCH_CHROMIUM names.
"""

from __future__ import annotations

import os
import shutil
import sys
import tempfile
import time
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import numpy as np
from playwright.sync_api import sync_playwright

from driftwatch.assessment.results import UnitAnalysis
from driftwatch.reporting.explain import write_explain
from driftwatch.reporting.followup import write_followup
from driftwatch.reporting.review import write_review
from driftwatch.settings import Settings

sys.path.insert(0, str(Path(__file__).parents[1] / "reporting"))
from reporting_factory import LOAD_STEP, POWER_STEP, analysis, event, finding, fleet

#: How often each report is opened; the middle time counts.
TIMES = 5
#: The long history: snapshots.
LONG = 600
DRAWN = (
    "document.querySelectorAll('.plot').length === document.querySelectorAll('.plot[data-drawn=yes]').length"
)


def long_history(snapshots: int) -> UnitAnalysis:
    """Give a unit with a long history, by repeating a short one, a day after a day."""
    made = analysis("LONG", findings=(finding(event="E7"),), step=POWER_STEP, events=(event(),))
    panel, fit = made.panel, made.fit
    assert fit is not None
    rows = np.arange(snapshots) % len(panel.days)
    days = np.arange(snapshots)
    taken = np.array([panel.taken_at[0] + np.timedelta64(timedelta(days=int(d))) for d in days])
    odometer = 40000.0 + 200.0 * days
    long = replace(
        panel, taken_at=taken.astype("datetime64[us]"), days=days.astype(float), odometer_km=odometer,
        fluid_temp_c=panel.fluid_temp_c[rows], values=panel.values[rows], usable=panel.usable[rows],
        learn_counts=panel.learn_counts[rows], slips=panel.slips[rows],
    )  # fmt: skip
    return replace(made, panel=long, fit=replace(fit, fitted=fit.fitted[rows], fitted_se=fit.fitted_se[rows]))


def written(folder: Path) -> dict[str, Path]:
    """Write the reports that are measured."""
    load = analysis(
        "U", findings=(finding("load", 0.9, event="E7"),), step=LOAD_STEP, events=(event("load"),)
    )
    return {
        "review, 24 units": write_review(fleet(24), None, "2026-03", Settings(), folder / "a")[0],
        "review, 500 units": write_review(fleet(500), None, "2026-03", Settings(), folder / "b")[0],
        "follow-up, 15 snapshots": write_followup(load, None, "E7", Settings(), folder)[0],
        f"follow-up, {LONG} snapshots": write_followup(long_history(LONG), None, "E7", Settings(), folder)[0],
        "owner's answer": write_explain(load, "E7", Settings(), folder)[0],
    }


def main() -> None:
    """Print one line a report: size, and the middle time from opening it until every chart is drawn."""
    browser_path = os.environ.get("DRIFTWATCH_CHROMIUM") or shutil.which("chromium")
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as play:
        reports = written(Path(folder))
        browser = play.chromium.launch(executable_path=browser_path, args=["--no-sandbox"])
        for name, path in reports.items():
            took = []
            for _ in range(TIMES):
                page = browser.new_page(viewport={"width": 1100, "height": 900})
                began = time.perf_counter()
                page.goto(path.as_uri())
                page.wait_for_function(DRAWN)
                took.append(time.perf_counter() - began)
                page.close()
            size = path.stat().st_size / 1e6
            print(f"{name:26} {size:5.2f} MB  shown in {sorted(took)[TIMES // 2]:.2f} s")
        browser.close()


if __name__ == "__main__":
    main()
