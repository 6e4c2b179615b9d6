"""Makes the pictures of the demo's reports and of the page that the docs show, in the folder reports.

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

from playwright.sync_api import Browser, Page, sync_playwright

import driftwatch
from driftwatch.profile.load import parse_profile, template
from tests.web.served import served, token, until

PICTURES = Path(__file__).parents[2] / "reports"
#: Height of the part that is shown of each report, pixels.
SHOWN = {"review": 1500, "followup": 1500, "explain": 1100}
WIDTH = 1100
#: Day on which the demo's story ends.
DAY = "2026-10-31"
#: Name of a picture of the page -> address, width and height in pixels.
PAGES = {
    "fleet": ("/?as_of={day}", WIDTH, 1000),
    "unit": ("/unit?name=HL-02&as_of={day}", WIDTH, 1500),
    "readings": ("/unit/readings?name=HL-03&as_of={day}", WIDTH, 1000),
    "history": ("/unit/history?name=HL-03", WIDTH, 500),
    "details": ("/unit/details?name=HL-03", WIDTH, 800),
    "take-in": ("/take-in", WIDTH, 800),
    "looked": ("/take-in/{stray}", WIDTH, 700),
    "new-unit": ("/take-in/unit", WIDTH, 500),
    "columns": ("/take-in/{look}/columns?file=workshop.csv", WIDTH, 1200),
    "sheet": ("/take-in/sheet?name=HL-03", WIDTH, 1000),
    "quarantine": ("/take-in/quarantine?unit=HL-04", WIDTH, 800),
    "row": ("/take-in/quarantine/row?id=6", WIDTH, 700),
    "log": ("/log", WIDTH, 900),
    "entry": ("/log/entry?id=E0014", WIDTH, 800),
    "reports": ("/reports?unit=RV-01", WIDTH, 1000),
    "report": ("/reports/{report}", WIDTH, 1000),
    "profiles": ("/profiles", WIDTH, 700),
    "profile-view": ("/profiles/view?name=generic-6", WIDTH, 800),
    "work": ("/jobs", WIDTH, 500),
    "name": ("/name", WIDTH, 400),
    "profile": ("/profiles/edit?name=my-transmission", WIDTH, 1000),
    "phone-fleet": ("/?as_of={day}", 390, 844),
    "phone-sheet": ("/take-in/sheet?name=HL-03", 390, 844),
}
#: A workshop's own sheet, invented.
SHEET = (
    b"Truck,Read,Odo km,1-2 apply normal kPa,2-3 apply tow kPa,Pack 3 volume cm3,remarks\n"
    b"HL-02,2026-10-28,355600,41,57,36.1,invented\nHL-03,2026-10-29,257900,51,4,26.0,\n"
)
#: Readings with units that the store does not know, and one that cannot be right.
STRAY = (
    b"unit,taken_at,odometer_km,mode,channel,signal,value\n"
    b"HL-12,2026-10-28,1200,,pack1,clutch_volume,35.4\nHL-12,2026-10-28,1200,,pack2,clutch_volume,31.6\n"
    b"HL-2,2026-10-28,355600,,pack1,clutch_volume,37.8\nHL-03,2026-10-29,257900,,pack1,clutch_volume,3o\n"
)
#: Pages of a store that is not there yet: name -> address and what `serve` is told besides.
FIRST = {"start": ("/", ()), "sign-in": ("/log", ("--password-file", "{password}"))}
DRAWN = (
    "document.querySelectorAll('.plot').length === document.querySelectorAll('.plot[data-drawn=yes]').length"
)


def take(demo: Path) -> None:
    """Take a picture of the top of each report of a demo, and of each page over its store."""
    found = os.environ.get("DRIFTWATCH_CHROMIUM") or shutil.which("chromium") or shutil.which("google-chrome")
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=found, args=["--no-sandbox"])
        for kind, height in SHOWN.items():
            report = next((demo / "reports").glob(f"{kind}-*.html"))
            page = browser.new_page(viewport={"width": WIDTH, "height": height})
            page.goto(report.resolve().as_uri())
            page.wait_for_function(DRAWN)
            _keep(page, kind)
        with tempfile.TemporaryDirectory() as folder:
            _first(browser, Path(folder))
            _pages(browser, Path(shutil.copyfile(demo / "driftwatch.duckdb", Path(folder) / "fleet.duckdb")))
        browser.close()


def _pages(browser: Browser, store: Path) -> None:
    """Take a picture of each page, and of two on a phone, as of the day that the demo's story ends on."""
    with driftwatch.open(store) as opened:
        opened.add_profile(parse_profile(template("my-transmission", "generic-6")))
    with served(store) as site, site.client() as client:
        told = {"csrf": token(client)}
        sheet = client.post("/take-in", data=told, files=[("files", ("workshop.csv", SHEET, "text/csv"))])
        look = str(sheet.url).rsplit("/", 1)[1]
        stray = client.post("/take-in", data=told, files=[("files", ("bench.csv", STRAY, "text/csv"))])
        stray_look = str(stray.url).rsplit("/", 1)[1]
        made = client.post("/reports", data={**told, "kind": "explain", "unit": "RV-01", "as_of": DAY})
        report = str(made.url).rsplit("/", 1)[1]
        for number in (look, stray_look, report):
            until(lambda n=number: client.get(f"/jobs/{n}/progress.json").json()["over"], 120)
        for query in ("", f"?as_of={DAY}"):
            until(lambda q=query: client.get(f"/status.json{q}").json()["fresh"], 120)
        for name, (path, width, height) in PAGES.items():
            page = browser.new_page(viewport={"width": width, "height": height})
            page.goto(site.address + path.format(look=look, stray=stray_look, report=report, day=DAY))
            until(lambda p=page: p.evaluate(DRAWN))
            page.wait_for_timeout(800)  # the columns are tried, the report in its frame is drawn
            _keep(page, f"page-{name}")


def _first(browser: Browser, folder: Path) -> None:
    """Take a picture of what is shown before there is a store, and before one has signed in."""
    password = folder / "password.txt"
    password.write_text("not a real password\n")
    for name, (path, options) in FIRST.items():
        told = [option.format(password=password) for option in options]
        with served(folder / f"{name}.duckdb", *told) as site:
            page = browser.new_page(viewport={"width": WIDTH, "height": 600})
            page.goto(site.address + path)
            _keep(page, f"page-{name}")


def _keep(page: Page, name: str) -> None:
    picture = PICTURES / f"{name}.png"
    page.screenshot(path=picture)
    page.close()
    print(f"reports/{picture.name}: {picture.stat().st_size / 1000:.0f} kB")


def main() -> None:
    """Take the pictures of the demo named, or of one made for it."""
    if len(sys.argv) > 1:
        take(Path(sys.argv[1]))
        return
    with tempfile.TemporaryDirectory() as made:
        command = [sys.executable, "-m", "driftwatch", "--by", "Ada Example", "demo", f"{made}/demo"]
        subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
        take(Path(made) / "demo")


if __name__ == "__main__":
    main()
