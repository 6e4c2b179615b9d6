"""The page in headless Chromium: three readers' whole paths, keyboard, phones, accessibility, no script."""

from __future__ import annotations

import os
import re
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page, sync_playwright

import driftwatch
from driftwatch.profile.load import parse_profile, template
from tests.web.served import Served, served, until

pytestmark = pytest.mark.browser

NASTY = "<img src=x onerror=alert(1)> \"'&\u202e\u05e9\u05dc\U0001f69a"
DRAWN = (
    "document.querySelectorAll('.plot').length === document.querySelectorAll('.plot[data-drawn=yes]').length"
)
#: Cells of tables with whole sentences in them that are squeezed to less than 24 mm.
SQUEEZED = """[...document.querySelectorAll('td')].filter(
  (td) => td.checkVisibility() && !td.querySelector('select')
    && td.innerText.length > 60 && td.clientWidth < 90
).map((td) => td.innerText.slice(0, 60))"""
#: Lets go of a file, given by its name and text, over the place for files.
DROP = """([name, text]) => {
  const held = new DataTransfer();
  held.items.add(new File([text], name));
  const drop = new DragEvent('drop', {dataTransfer: held, cancelable: true});
  document.querySelector('.drop').dispatchEvent(drop);
}"""
#: Between the margins of an A4 sheet, in pixels.
A4 = {"width": 695, "height": 1000}
#: Every page there is to read, on the small fleet.
PAGES = (
    "/", "/?show=units", "/unit?name=unit-02", "/unit/readings?name=unit-02",
    "/unit/history?name=unit-02", "/log", "/log/entry?id=E0001", "/reports?unit=unit-01", "/reports/{report}",
    "/take-in", "/take-in/{look}", "/take-in/{look}/columns?file=workshop.csv", "/take-in/quarantine",
    "/take-in/quarantine?code=unknown_unit", "/take-in/quarantine/row?id=1", "/take-in/sheet?name=unit-02",
    "/take-in/unit", "/unit/details?name=unit-02", "/profiles", "/profiles/view?name=generic-6",
    "/profiles/edit?name=mine", "/jobs", "/name", "/nowhere",
)  # fmt: skip
WIDE = (
    b"Truck,Read,Odo km,1-2 apply normal kPa,Pack 3 volume cm3\n"
    b"unit-01,2026-03-01,130000,18,25.4\nunit-02,2026-03-02,190000,12,36.5\n"
)
STRAY = (
    b"unit,taken_at,odometer_km,mode,channel,signal,value\nunit-2,2025-03-01,1000,,pack1,clutch_volume,35.5\n"
)


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """The system's Chromium (or the one DRIFTWATCH_CHROMIUM names); playwright's own where there is none."""
    found = os.environ.get("DRIFTWATCH_CHROMIUM") or shutil.which("chromium") or shutil.which("google-chrome")
    with sync_playwright() as play:
        launched = play.chromium.launch(executable_path=found, args=["--no-sandbox"])
        yield launched
        launched.close()


class Reader:
    """Somebody at a browser: what went wrong, and what was asked for elsewhere, is noted."""

    def __init__(self, browser: Browser, page: Served, **more: object) -> None:
        self.context = browser.new_context(base_url=page.address, accept_downloads=True, **more)
        self.page: Page = self.context.new_page()
        self.address = page.address
        self.wrong: list[str] = []
        self.page.on(
            "console", lambda m: self.wrong.append(m.text) if m.type in ("error", "warning") else None
        )
        self.page.on("pageerror", lambda e: self.wrong.append(str(e)))
        self.page.on("dialog", lambda d: (self.wrong.append(f"dialog {d.message}"), d.dismiss()))
        self.page.on("request", self._asked)

    def _asked(self, request) -> None:
        if not request.url.startswith((self.address, "data:", "blob:")):
            self.wrong.append(f"asked for {request.url}")

    def go(self, path: str, status: int = 200) -> Page:
        """Open a page, and wait for its charts."""
        answer = self.page.goto(path)
        assert answer.status == status, path
        until(lambda: self.page.evaluate(DRAWN))
        return self.page

    def click(self, name: str) -> None:
        """Press the button or link of that name."""
        found = self.page.get_by_role("button", name=name).or_(self.page.get_by_role("link", name=name))
        found.first.click()

    def send(self, *files: Path) -> None:
        """Take files in, from the page Take in to the outcome."""
        self.go("/take-in").set_input_files("#files", files)
        self.click("Look at them")
        self.page.get_by_role("heading", name="Before it is taken in").wait_for()
        self.page.get_by_role("button", name=re.compile("Take (them|it) in")).click()
        self.page.get_by_text("It is done.", exact=True).wait_for()

    def printed(self, folder: Path) -> int:
        """Print the report that is shown; give the number of its sheets."""
        link = self.page.get_by_role("link", name="Open on its own").get_attribute("href")
        report = self.context.new_page()
        report.goto(link)
        until(lambda: report.evaluate(DRAWN))
        report.emulate_media(media="print")
        report.set_viewport_size(A4)
        assert report.evaluate(SQUEEZED) == []
        sheets = report.pdf(path=folder / "report.pdf", format="A4").count(b"/Type /Page\n")
        report.close()
        return sheets

    def close(self) -> None:
        """Shut the browser; nothing may have gone wrong."""
        self.context.close()
        assert self.wrong == []


@pytest.fixture
def reader(browser):
    """A function that opens a browser on a served page."""
    opened = []

    def open_(page: Served, **more: object) -> Reader:
        opened.append(Reader(browser, page, **more))
        return opened[-1]

    yield open_
    for one in opened:
        one.close()


@pytest.fixture(scope="module")
def fleet(whole_store, tmp_path_factory) -> Iterator[tuple[Served, dict[str, str]]]:
    """A page with something on each of its pages, which nobody writes on; the numbers of its work."""
    path = tmp_path_factory.mktemp("page") / "fleet.duckdb"
    shutil.copyfile(whole_store, path)
    stray = path.with_name("stray.csv")
    stray.write_bytes(STRAY)
    with driftwatch.open(path) as store:
        store.add_profile(parse_profile(template("mine", "generic-6")))
        store.import_file(stray)
    with served(path) as page, page.client() as client:
        told = {"csrf": re.search(r'name="csrf" value="([^"]+)"', client.get("/name").text)[1]}
        order = {**told, "kind": "explain", "unit": "unit-01", "event": "E0001"}
        sent = {
            "report": client.post("/reports", data=order),
            "look": client.post("/take-in", data=told, files=[("files", ("workshop.csv", WIDE, "text/csv"))]),
        }
        numbers = {what: str(answer.url).rsplit("/", 1)[1] for what, answer in sent.items()}
        for number in numbers.values():
            until(lambda n=number: client.get(f"/jobs/{n}/progress.json").json()["over"])
        until(lambda: client.get("/status.json").json()["fresh"])
        yield page, numbers


def test_every_page_is_accessible_prints_and_fits_a_phone(fleet, reader):
    served_page, numbers = fleet
    desk = reader(served_page)
    for path in PAGES:
        desk.page.set_viewport_size({"width": 1100, "height": 900})
        page = desk.go(path.format(**numbers), 404 if path == "/nowhere" else 200)
        found = Axe().run(page).response["violations"]
        assert [(v["id"], [n["html"][:160] for n in v["nodes"][:3]]) for v in found] == [], path
        page.emulate_media(media="print")
        page.set_viewport_size(A4)
        assert page.evaluate(SQUEEZED) == [], path
        page.emulate_media(media="screen")
        page.set_viewport_size({"width": 720, "height": 700})
        assert page.evaluate(SQUEEZED) == [], path
        assert page.evaluate("document.documentElement.scrollWidth") <= 720, path
        page.set_viewport_size({"width": 360, "height": 700})
        assert page.evaluate("document.documentElement.scrollWidth") <= 360, path
        if path == "/nowhere":
            desk.wrong.clear()  # the browser notes a 404 by itself
        assert desk.wrong == [], path


def test_the_managers_path_from_an_empty_store_to_the_printed_month(reader, files, tmp_path):
    with served(tmp_path / "new.duckdb") as page:
        manager = reader(page)
        manager.go("/")
        manager.click("Take files in")
        manager.send(*(files / f"{name}.csv" for name in ("snapshots", "events", "units")))
        manager.click("To the fleet")
        manager.page.get_by_text("To be booked: unit-02.").wait_for()
        manager.page.get_by_label("Urgency").select_option("plan")
        manager.page.get_by_role("link", name="unit-02").click()
        manager.page.get_by_role("heading", name="What it needs").wait_for()
        manager.click("Make a report")
        manager.page.get_by_label("Month").fill("2025-10")
        manager.page.get_by_role("button", name="Make it").first.click()
        frame = manager.page.frame_locator("iframe.report")
        frame.get_by_role("heading", name="Fleet review, October 2025").wait_for()
        assert manager.page.get_by_role("button", name="Print").is_visible()
        assert manager.printed(tmp_path) >= 1
        with manager.page.expect_download() as taken:
            manager.click("Take along: CSV")
        assert "unit-02" in Path(taken.value.path()).read_text("utf-8-sig")
        manager.close()


def test_the_shops_path_from_an_empty_store_to_the_printed_follow_up(reader, files, tmp_path):
    with served(tmp_path / "new.duckdb") as page:
        shop = reader(page)
        shop.send(*(files / f"{name}.csv" for name in ("units", "snapshots")))
        shop.go("/log").get_by_label("Unit", exact=True).first.fill("unit-02")
        shop.page.get_by_label("What was done").select_option("fluid")
        shop.page.get_by_label("Day").fill("2025-09-01")
        shop.page.get_by_label("Note (optional)").fill("fluid and filter")
        shop.click("Log it")
        shop.page.get_by_text("Logged as entry E0001.").wait_for()

        until(lambda: shop.page.request.get("/status.json").json()["fresh"])
        shop.go("/take-in/sheet?name=unit-02")
        shop.page.get_by_label("Day").fill("2025-12-01")
        shop.page.get_by_label("Odometer", exact=False).first.fill("172000")
        volume = shop.page.get_by_label("Clutch fill volume, pack3")
        flag = shop.page.locator("td", has=volume).locator(".flag")
        for text, said in (
            ("x", "is not a number"),
            ("300", "outside the range"),
            ("20", "is far from the last"),
        ):
            volume.fill(text)
            assert said in flag.inner_text()
            assert shop.page.get_by_label("What is flagged").is_visible()
        # What is too much at the last reading's odometer may have grown by this one's.
        high, rate = (float(volume.get_attribute(f"data-{name}")) for name in ("usual-high", "grow-high"))
        volume.fill(str(high + 3000 * rate))
        assert flag.inner_text() == ""
        shop.page.get_by_label("Odometer", exact=False).first.fill("166100")
        assert "is far from the last" in flag.inner_text()
        shop.page.get_by_label("Odometer", exact=False).first.fill("172000")
        assert flag.inner_text() == ""
        volume.fill("35,4")
        assert flag.inner_text() == ""
        shop.click("Take the reading in")
        shop.page.get_by_text("The reading is taken in: 1 value (1 new").wait_for()

        shop.click("Make a report")
        shop.page.locator("form", has=shop.page.locator("#followup-event")).get_by_role("button").click()
        frame = shop.page.frame_locator("iframe.report")
        frame.get_by_role("heading", name="Follow-up of unit-02").wait_for()
        assert shop.printed(tmp_path) >= 1
        shop.close()


@pytest.mark.prove
def test_the_owners_path_from_an_empty_store_to_the_printed_answer(reader, tmp_path):
    with served(tmp_path / "new.duckdb") as page:
        owner = reader(page, viewport={"width": 390, "height": 800})
        owner.go("/")
        owner.click("Make the demo")
        owner.page.get_by_role("link", name="To the demo's fleet").click(timeout=60_000)
        owner.page.get_by_label("Find a unit").fill("rv-01")
        owner.page.keyboard.press("Enter")
        owner.page.get_by_role("heading", name="RV-01").wait_for()
        owner.click("Make a report")
        choice = owner.page.locator("#explain-event")
        choice.select_option(
            label=next(t for t in choice.locator("option").all_text_contents() if "load" in t)
        )
        owner.page.locator("form", has=choice).get_by_role("button").click()
        frame = owner.page.frame_locator("iframe.report")
        frame.get_by_text("Does that explain the way it has shifted since?").wait_for(timeout=60_000)
        assert owner.printed(tmp_path) == 1
        owner.close()


@pytest.fixture(scope="module")
def own(whole_store, tmp_path_factory) -> Iterator[Served]:
    """The page of a store that several tests write to, with a unit of a hostile name."""
    folder = tmp_path_factory.mktemp("own")
    path = folder / "fleet.duckdb"
    shutil.copyfile(whole_store, path)
    units, rows = folder / "units.csv", folder / "rows.csv"
    quoted = NASTY.replace('"', '""')
    units.write_text(f'unit,profile,site\n"{quoted}",generic-6,"{quoted}"\n', "utf-8")
    head = "unit,taken_at,odometer_km,mode,channel,signal,value\n"
    days = [f'"{quoted}",2025-0{k}-01,{1000 * k},,pack1,clutch_volume,{35 + k / 10}' for k in range(1, 9)]
    rows.write_text(head + "\n".join(days) + "\n", "utf-8")
    with driftwatch.open(path) as store:
        store.import_files([units, rows])
        store.add_event(NASTY, "other", "2025-03-02", note=NASTY)
    with served(path) as page:
        yield page


def logged(page: Page) -> str:
    """Give the number of the entry that was made just now."""
    said = page.get_by_text("Logged as entry").inner_text()
    return re.search(r"E\d+", said)[0]


def test_with_the_keyboard_alone(own, reader):
    one = reader(own)
    page = one.go("/log")

    def focused() -> str:
        return page.evaluate("document.activeElement.id || document.activeElement.textContent.trim()")

    def tab_to(wanted: str) -> None:
        for _ in range(30):
            page.keyboard.press("Tab")
            if focused() == wanted:
                return
        raise AssertionError(f"{wanted} cannot be reached")

    page.keyboard.press("Tab")
    assert focused() == "To the content"
    assert page.locator(".skip").bounding_box()["x"] >= 0
    page.keyboard.press("Enter")
    tab_to("unit")
    page.keyboard.type("unit-03")
    tab_to("kind")
    page.keyboard.type("a flu")
    page.keyboard.press("Tab")
    page.keyboard.type("03012025")
    tab_to("note")
    page.keyboard.type("by keyboard")
    page.keyboard.press("Enter")
    number = logged(page)
    tab_to(f"Correct or retract {number}")
    page.keyboard.press("Enter")
    page.get_by_role("heading", name=f"Entry {number}").wait_for()
    tab_to("reason")
    page.keyboard.type("a test")
    page.keyboard.press("Enter")
    page.get_by_text(f"Entry {number} is retracted.").wait_for()


def test_without_a_script(own, reader, tmp_path):
    plain = reader(own, java_script_enabled=False)
    stray = tmp_path / "stray.csv"
    stray.write_bytes(STRAY)
    page = plain.page
    page.goto("/take-in")
    page.set_input_files("#files", stray)
    plain.click("Look at them")
    page.get_by_text("there is no unit “unit-2” in the store").wait_for()
    plain.click("Take it in")
    page.get_by_text("It is done.", exact=True).wait_for()
    plain.click("Put 1 row right")
    plain.click("Put it right")
    page.locator("input[value='unit-2']").fill("unit-02")
    page.locator("input[value='1000']").fill("100500")
    page.locator("input[value='2025-03-01']").fill("2024-01-20")
    plain.click("Judge it as it stands here")
    page.get_by_text("1 row taken.").wait_for()
    page.goto("/unit?name=unit-02")
    page.get_by_text("The charts need a script").first.or_(
        page.get_by_text("being assessed")
    ).first.wait_for()


def test_a_technicians_own_sheet_from_its_columns_to_its_last_row(own, reader, tmp_path):
    shop = reader(own)
    sheet = tmp_path / "bench.csv"
    sheet.write_bytes(WIDE.replace(b"unit-02", b"unit-2").replace(b"unit-01", b"unit-44"))
    page = shop.go("/take-in")
    page.evaluate(DROP, ["bench.csv", sheet.read_text()])
    shop.click("Look at them")
    shop.click("Say what the columns of bench.csv are")
    row = page.locator("tr", has_text="1-2 apply normal kPa")
    made = row.locator("[data-made]")
    assert "12.0 to 18.0 kPa" in made.inner_text()
    row.get_by_label("Unit of measure").fill("MPa")
    page.keyboard.press("Tab")
    made.get_by_text("is the unit right?").wait_for()
    page.locator("#checks").get_by_text("1 column to look at.").wait_for()
    row.get_by_label("Unit of measure").fill("kPa")
    page.keyboard.press("Tab")
    page.locator("#checks").get_by_text("It can be used.").wait_for()
    assert "is the unit right?" not in made.inner_text()
    shop.click("Keep it, and look again")
    page.get_by_role("heading", name="2 units that are not in the store").wait_for()
    page.get_by_label("unit-44 2 rows").check()
    shop.click("Add those ticked, and look again")
    page.get_by_role("heading", name="1 unit that is not in the store").wait_for()
    shop.click("Take it in")
    page.get_by_text("It is done.", exact=True).wait_for()
    shop.click("Put 2 rows right")
    shop.click("Put them right")
    page.get_by_label("Unit", exact=True).fill("unit-02")
    shop.click("Judge them as they stand here")
    page.get_by_text("2 rows taken.").wait_for()
    page.get_by_text("The quarantine is empty.").wait_for()


def test_two_browsers_at_once(own, reader):
    one, two = reader(own), reader(own)
    for who, name in ((one, "Ada"), (two, "Grace")):
        who.go("/name").get_by_label("Name").fill(name)
        who.click("Keep it")
        who.go("/log").get_by_label("Unit", exact=True).first.fill("unit-03")
        who.page.get_by_label("What was done").select_option("repair")
        who.page.get_by_label("Day").fill("2025-03-01")
        who.page.get_by_label("Note (optional)").fill(f"seen by {name}")
    for who in (one, two):
        who.click("Log it")
        number = logged(who.page)
    for who in (one, two):
        page = who.go("/log?unit=unit-03")
        assert "seen by Ada" in page.content()
        assert "seen by Grace" in page.content()
    for who in (one, two):
        who.go(f"/log/entry?id={number}").get_by_label("Why").fill("twice")
    one.click("Retract it")
    one.page.get_by_text(f"Entry {number} is retracted.").wait_for()
    two.click("Retract it")
    two.page.get_by_text(f"there is no entry '{number}' in the log").wait_for()
    two.wrong.clear()  # the browser notes the 404 by itself


def test_a_hostile_name_stays_a_name_on_every_page(own, reader):
    one = reader(own)
    until(lambda: one.page.request.get("/status.json").json()["fresh"])
    one.go("/?show=units").get_by_role("link", name="<img src=x").first.click()
    one.page.get_by_role("heading", name="Timeline").wait_for()
    until(lambda: one.page.evaluate(DRAWN))
    assert "<img src=x onerror=alert(1)>" in one.page.locator("h1").inner_text()
    for word in ("Readings", "How the data came to be"):
        one.page.get_by_role("link", name=word).click()
        assert one.page.locator("h1 img").count() == 0
    for path in ("/", "/log", "/take-in"):
        one.go(path)
        assert one.page.locator("main img").count() == 0
