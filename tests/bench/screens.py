"""Makes the pictures of the demo's reports that README.md shows, in the folder reports.

    python -m tests.bench.screens [DEMO]

Without the folder of a demo, one is made afresh and thrown away again. The browser is the system's
Chromium, or the one that DRIFTWATCH_CHROMIUM names.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from playwright.sync_api import sync_playwright

PICTURES = Path(__file__).parents[2] / "reports"
#: Height of the part that is shown of each report, pixels.
SHOWN = {"review": 1500, "followup": 1500, "explain": 1100}
WIDTH = 1100
DRAWN = (
    "document.querySelectorAll('.plot').length === document.querySelectorAll('.plot[data-drawn=yes]').length"
)


def take(folder: Path) -> None:
    """Take a picture of the top of each report in `folder`."""
    found = os.environ.get("DRIFTWATCH_CHROMIUM") or shutil.which("chromium") or shutil.which("google-chrome")
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=found, args=["--no-sandbox"])
        for kind, height in SHOWN.items():
            picture = PICTURES / f"{kind}.png"
            report = next(folder.glob(f"{kind}-*.html"))
            page = browser.new_page(viewport={"width": WIDTH, "height": height})
            page.goto(report.resolve().as_uri())
            page.wait_for_function(DRAWN)
            page.screenshot(path=picture)
            print(f"reports/{picture.name}: {picture.stat().st_size / 1000:.0f} kB, from {report.name}")
        browser.close()


def main() -> None:
    """Take the pictures of the demo named, or of one made for it."""
    if len(sys.argv) > 1:
        take(Path(sys.argv[1]) / "reports")
        return
    with tempfile.TemporaryDirectory() as made:
        command = [sys.executable, "-m", "driftwatch", "demo", f"{made}/demo"]
        subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
        take(Path(made) / "demo" / "reports")


if __name__ == "__main__":
    main()
