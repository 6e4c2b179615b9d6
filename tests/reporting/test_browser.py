"""The reports in headless Chromium: every chart drawn, no error, no request, no sideways scroll."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from datetime import date
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from backtest_factory import rich
from playwright.sync_api import Browser, sync_playwright
from reporting_factory import (
    LOAD_STEP,
    NASTY,
    POWER_STEP,
    analysis,
    event,
    finding,
    fleet,
    outlook,
)

from driftwatch.reporting.backtest import write_backtest
from driftwatch.reporting.explain import write_explain
from driftwatch.reporting.followup import write_followup
from driftwatch.reporting.review import write_review
from driftwatch.settings import Settings

pytestmark = pytest.mark.browser

REPORTS = ("review", "followup", "explain", "backtest")


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """The system's Chromium (or the one DRIFTWATCH_CHROMIUM names); playwright's own where there is none."""
    found = os.environ.get("DRIFTWATCH_CHROMIUM") or shutil.which("chromium") or shutil.which("google-chrome")
    with sync_playwright() as play:
        launched = play.chromium.launch(executable_path=found, args=["--no-sandbox"])
        yield launched
        launched.close()


@pytest.fixture(scope="module")
def reports(tmp_path_factory) -> dict[str, Path]:
    folder = tmp_path_factory.mktemp("reports")
    log = (event("load", 2800.0, "kg", NASTY), event("fluid", None, "", id_="E3", on=date(2025, 6, 3)))
    unit = analysis(
        NASTY, "settling", findings=(finding("load", 0.8, event="E7"),), step={**POWER_STEP, **LOAD_STEP},
        events=log,
        clutches=(outlook("pack3", "plan", 0.8, 9000.0, volume=33.0),), no_tow_after=True,
    )  # fmt: skip
    return {
        "review": write_review(fleet(120), None, "2026-03", Settings(), folder)[0],
        "followup": write_followup(unit, None, "E7", Settings(), folder)[0],
        "explain": write_explain(unit, "E7", Settings(), folder)[0],
        "backtest": write_backtest(rich(), fleet(), folder)[0],
    }


@pytest.fixture
def opened(browser, reports):
    """A function that opens a report at a width; gives the page, what went wrong, what was asked for."""
    pages = []

    def open_(report, width=1100, **more):
        page = browser.new_page(viewport={"width": width, "height": 900}, **more)
        pages.append(page)
        wrong, asked = [], []
        page.on("console", lambda m: wrong.append(m.text) if m.type in ("error", "warning") else None)
        page.on("pageerror", lambda e: wrong.append(str(e)))
        page.on("dialog", lambda d: (wrong.append(f"dialog {d.message}"), d.dismiss()))
        page.on("request", lambda r: asked.append(r.url))
        page.goto(reports[report].as_uri())
        page.wait_for_function(
            "document.querySelectorAll('.plot').length ==="
            " document.querySelectorAll('.plot[data-drawn=yes]').length"
        )
        return page, wrong, asked

    yield open_
    for page in pages:
        page.close()


@pytest.mark.parametrize("report", REPORTS)
def test_every_chart_is_drawn_without_errors_or_requests(opened, reports, report):
    page, wrong, asked = opened(report)
    plots = page.locator(".plot")
    assert plots.count() >= 1
    for k in range(plots.count()):
        box = plots.nth(k).locator("svg.main-svg").first.bounding_box()
        assert box["width"] > 300
        assert box["height"] > 100
        assert plots.nth(k).locator(".scatterlayer path, .barlayer path").count() > 0
    assert wrong == []
    assert asked == [reports[report].as_uri()]


@pytest.mark.parametrize("report", REPORTS)
@pytest.mark.parametrize("width", [320, pytest.param(390, marks=pytest.mark.prove), 768])
def test_no_sideways_scroll(opened, report, width):
    page, wrong, _ = opened(report, width)
    for summary in page.locator("summary").all():
        summary.click()
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert wrong == []


@pytest.mark.parametrize("report", REPORTS)
def test_without_script_the_numbers_are_still_there(browser, reports, report):
    page = browser.new_page(java_script_enabled=False)
    page.goto(reports[report].as_uri())
    assert page.locator("noscript p").inner_text().startswith("The charts need a script")
    page.locator("figure details summary").first.click()
    assert page.locator("figure details tbody tr").first.is_visible()
    page.close()


@pytest.mark.parametrize("report", REPORTS)
def test_screen_readers_and_contrast(opened, report):
    """Second implementation: axe-core's rules, with everything folded away opened."""
    page, _, _ = opened(report)
    page.evaluate("document.querySelectorAll('details').forEach(part => { part.open = true; })")
    found = Axe().run(page).response["violations"]
    assert [(v["id"], [n["html"][:160] for n in v["nodes"][:3]]) for v in found] == []


@pytest.mark.parametrize("report", REPORTS)
def test_all_that_can_be_opened_opens_from_the_keyboard_and_shows_where_it_is(opened, report):
    page, wrong, _ = opened(report)
    summaries = page.locator("summary").count()
    reached = 0
    for _ in range(3 * summaries + 6):
        page.keyboard.press("Tab")
        where = page.evaluate("document.activeElement.tagName")
        if where == "BODY":
            break
        assert page.evaluate("getComputedStyle(document.activeElement).outlineStyle") != "none"
        if where == "SUMMARY":
            before = page.evaluate("document.activeElement.parentElement.open")
            page.keyboard.press("Enter")
            assert page.evaluate("document.activeElement.parentElement.open") is not before
            page.keyboard.press("Enter")
            reached += 1
    # What is folded into something closed cannot be reached, and need not be.
    shut = page.evaluate("[...document.querySelectorAll('summary')].filter(s => !s.checkVisibility()).length")
    assert reached == summaries - shut
    assert wrong == []


def test_a_list_is_narrowed_from_the_keyboard(opened):
    page, _, _ = opened("review")
    box = page.locator("input[data-filter=work]")
    if not box.count():
        page.locator("summary", has_text="120 units").click()
        box = page.locator("input[data-filter=fleet]")
    box.focus()
    page.keyboard.type("U-04")
    assert page.locator(f"#{box.get_attribute('data-filter')} tbody tr:visible").count() == 1


@pytest.mark.parametrize("report", REPORTS)
@pytest.mark.parametrize("paper", ["A4", pytest.param("Letter", marks=pytest.mark.prove)])
def test_nothing_is_cut_off_on_paper(opened, report, paper):
    page, _, _ = opened(report)
    width = {"A4": 695, "Letter": 718}[paper]  # between margins of 13 mm, in pixels
    page.set_viewport_size({"width": width, "height": 1000})
    page.emulate_media(media="print")
    page.evaluate("window.dispatchEvent(new Event('beforeprint'))")
    page.wait_for_timeout(300)
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    cut = page.evaluate(
        "[...document.querySelectorAll('.scroll')].filter(s => s.checkVisibility()"
        " && s.scrollWidth > s.clientWidth + 1).map(s => s.innerText.slice(0, 80))"
    )
    assert cut == []
    empty = page.evaluate(
        "[...document.querySelectorAll('section')].filter(s => s.checkVisibility()"
        " && s.innerText.trim().split('\\n').length < 2).map(s => s.innerText)"
    )
    assert empty == []


def test_a_name_never_becomes_markup(opened):
    page, _, _ = opened("followup")
    assert "<script>alert('x')</script>" in page.locator("h1").inner_text()
    assert page.title().startswith("Follow-up of")
    assert page.locator("h1 script").count() == 0


def test_list_can_be_narrowed(opened):
    page, _, _ = opened("review")
    page.locator("summary", has_text="120 units").click()
    page.locator("input[data-filter=fleet]").fill("U-117")
    assert page.locator("#fleet tbody tr:visible").count() == 1
    assert page.locator("#fleet-shown").inner_text() == "1 of 120 rows"
    page.locator("input[data-filter=fleet]").fill("")
    assert page.locator("#fleet tbody tr:visible").count() == 120


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_owners_page_prints_on_one_sheet(opened, tmp_path, paper):
    page, _, _ = opened("explain")
    pdf = page.pdf(path=tmp_path / "page.pdf", format=paper, prefer_css_page_size=False)
    assert pdf.count(b"/Type /Page\n") == 1


@pytest.mark.parametrize("report", REPORTS)
def test_charts_fit_the_printed_page(opened, report):
    page, _, _ = opened(report)
    page.emulate_media(media="print")
    page.evaluate("window.dispatchEvent(new Event('beforeprint'))")
    page.wait_for_function(
        "[...document.querySelectorAll('.plot svg.main-svg')]"
        ".every(s => s.getBoundingClientRect().width <= 661)"
    )
    page.emulate_media(media="screen")
    page.evaluate("window.dispatchEvent(new Event('afterprint'))")
    page.wait_for_function(
        "[...document.querySelectorAll('.plot')]"
        ".every(p => p.querySelector('svg').getBoundingClientRect().width > 700)"
    )


def test_readings_used_are_printed_though_folded_on_the_screen(opened):
    page, _, _ = opened("followup")
    folded = page.locator("details.more")
    assert folded.count() >= 2
    assert not page.locator("details.more[open]").count()
    page.evaluate("window.dispatchEvent(new Event('beforeprint'))")
    assert page.locator("details.more[open]").count() == folded.count()
    page.evaluate("window.dispatchEvent(new Event('afterprint'))")
    assert not page.locator("details.more[open]").count()


def test_shares_are_as_solid_as_the_one_asked_about(opened):
    # A bar with nothing but its pattern looks faint beside a filled one of the same weight.
    page, _, _ = opened("explain")
    patterns = page.locator(".plot pattern")
    assert patterns.count() >= 1
    assert page.locator(".plot pattern rect[fill]").count() == patterns.count()
