"""The pages themselves: self-contained, escaped, small, complete; their data documented."""

from __future__ import annotations

import hashlib
import json
import re
from dataclasses import fields, is_dataclass, replace
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import plotly.graph_objects as go
import pytest
from backtest_factory import rich
from reporting_factory import (
    LOAD_STEP,
    NASTY,
    POWER_STEP,
    analysis,
    caution,
    event,
    finding,
    fleet,
    outlook,
)

from driftwatch.reporting import parts, render, sentences, timelines
from driftwatch.reporting.backtest import build_backtest
from driftwatch.reporting.context import backtest, explain, followup, review
from driftwatch.reporting.explain import build_explain
from driftwatch.reporting.followup import build_followup
from driftwatch.reporting.forecast import forecast
from driftwatch.reporting.parts import Chart
from driftwatch.reporting.review import build_review
from driftwatch.reporting.texts import chart_text, plain_cell
from driftwatch.settings import Settings
from driftwatch.wording import Wording, name, number, percent, written
from tests.bench.reports import long_history
from tests.words import plain

TEMPLATES = ["review.html", "followup.html", "explain.html", "backtest.html"]
DOCS = Path(__file__).parents[2] / "docs" / "report-context.md"
SETTINGS = Settings()


def nasty_unit(**more):
    log = event("power", 60.0, NASTY, NASTY)
    values = {
        "unit": NASTY,
        "state": "settling",
        "site": NASTY,
        "events": (log,),
        "step": POWER_STEP,
        "findings": (finding(event="E7", sentence=NASTY),),
        "cautions": (caution("unlearned", sentence=NASTY),),
        "clutches": (outlook("pack3", "plan", 0.8, 9000.0, reason=NASTY, limit_source=NASTY),),
    }
    made = analysis(**{**values, **more})
    profile = replace(made.panel.profile, title=NASTY, name=NASTY)
    return replace(made, panel=replace(made.panel, profile=profile))


def contexts():
    unit = nasty_unit()
    return {
        "review.html": build_review([unit, *fleet()], None, "2026-03", SETTINGS),
        "followup.html": build_followup(unit, None, "E7", SETTINGS),
        "explain.html": build_explain(unit, "E7", SETTINGS),
        "backtest.html": build_backtest(rich(), [unit, *fleet()]),
    }


@pytest.fixture(scope="module")
def pages():
    return {template: render.page(template, c) for template, c in contexts().items()}


class Page(HTMLParser):
    """Collects elements, scripts and visible text the way a browser would cut them."""

    def __init__(self, text):
        super().__init__(convert_charrefs=True)
        self.tags, self.scripts, self.text, self.links, self._inside = [], [], [], [], None
        self.feed(text)
        self.close()

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        if tag in ("script", "style"):
            self._inside = tag
            if tag == "script":
                self.scripts.append([dict(attrs), ""])
        self.links += [
            (tag, v) for k, v in attrs if k in ("src", "href", "action", "data", "srcset", "poster")
        ]

    def handle_endtag(self, tag):
        if tag == self._inside:
            self._inside = None

    def handle_data(self, data):
        if self._inside == "script":
            self.scripts[-1][1] += data
        elif self._inside is None:
            self.text.append(data)


@pytest.mark.parametrize("template", TEMPLATES)
def test_page_loads_nothing_and_runs_only_its_own_scripts(pages, template):
    page = Page(pages[template])
    assert page.links == []
    assert "url(" not in pages[template].split("</style>")[0]
    assert not any(k.startswith("on") for _, attrs in page.tags for k in attrs)
    policy = next(a["content"] for t, a in page.tags if t == "meta" and a.get("http-equiv"))
    assert policy.startswith("default-src 'none'")
    run = [text for attrs, text in page.scripts if attrs.get("type") != "application/json"]
    assert run == [
        render.plotly_source(),
        (Path(render.__file__).parent / "static/charts.js").read_text("utf-8"),
    ]
    for script in run:
        digest = hashlib.sha256(script.encode("utf-8")).digest()
        assert f"'sha256-{__import__('base64').b64encode(digest).decode()}'" in policy


@pytest.mark.parametrize("template", TEMPLATES)
def test_names_stay_text(pages, template):
    page = Page(pages[template])
    assert "alert('x')" in "".join(page.text)
    assert {t for t, _ in page.tags} <= {
        "html", "head", "meta", "title", "style", "body", "main", "header", "h1", "h2", "h3", "p", "strong",
        "noscript", "section", "ul", "ol", "li", "span", "b", "bdi", "br", "input", "table", "caption",
        "thead", "tbody", "tr", "th", "td", "details", "summary", "figure", "figcaption", "div", "script",
        "dl", "dt", "dd", "footer", "code",
    }  # fmt: skip
    for attrs, text in page.scripts:
        if attrs.get("type") == "application/json":
            assert not set("<>&\u2028\u2029") & set(text)
            json.loads(text)


def test_chart_labels_are_escaped_for_plotly():
    chart = contexts()["review.html"].reach
    labels = chart.figure["layout"]["yaxis"]["ticktext"]
    assert any("&lt;script&gt;" in label for label in labels)
    assert not any("<" in label for label in labels)


@pytest.mark.parametrize("template", TEMPLATES)
def test_page_is_small_and_says_what_it_must(pages, template):
    html = pages[template]
    assert len(html.encode("utf-8")) < 2_500_000
    text = " ".join("".join(Page(html).text).split())
    for line in (*sentences.CAUTIONS, "driftwatch 0.1.0", "Example limits.", "As of"):
        assert line in text
    assert f"Source: {name(NASTY)}. Example values." in text
    assert html.count("Plotly.newPlot") >= 1


@pytest.mark.parametrize("template", TEMPLATES)
def test_every_chart_has_a_sentence_and_its_numbers(pages, template):
    page = Page(pages[template])
    text = "".join(page.text)
    charts = charts_of(contexts()[template])
    assert charts
    assert [a["id"] for t, a in page.tags if t == "div" and a.get("class") == "plot"] == [
        c.id for c in charts
    ]
    assert len({c.id for c in charts}) == len(charts)
    for chart in charts:
        assert chart.says in text
        assert chart.table.rows
        assert all(len(row) == len(chart.table.columns) for row in chart.table.rows)


def charts_of(made):
    many = [getattr(made, f.name) for f in fields(made)]
    flat = [c for value in many for c in (value if isinstance(value, tuple) else (value,))]
    return [c for c in flat if isinstance(c, Chart)]


def test_figures_follow_plotlys_schema():
    """Second implementation: Plotly's own Python classes refuse any key that does not exist."""
    charts = [c for made in contexts().values() for c in charts_of(made)]
    assert len(charts) >= 9
    for chart in charts:
        go.Figure(chart.figure)
        json.dumps(chart.figure, allow_nan=False)
    with pytest.raises(ValueError, match="Invalid property"):
        go.Figure({"data": [{"type": "scatter", "colour": "red"}], "layout": {}})


def test_large_fleet_stays_small_and_whole():
    page = render.page("review.html", build_review(fleet(500), None, "2026-03", SETTINGS))
    assert len(page.encode("utf-8")) < 2_500_000
    assert page.count('data-label="State"') == 500


def test_a_long_history_stays_small_and_its_tables_say_what_they_leave_out():
    context = build_followup(long_history(600), None, "E7", SETTINGS)
    assert len(render.page("followup.html", context).encode("utf-8")) < 2_500_000
    volumes = context.charts[0]
    assert len(volumes.table.rows) == timelines.MOST_ROWS
    assert "the latest 120 of 600 snapshots" in volumes.table.caption
    assert len(context.snapshots.rows) == 600


def test_unit_without_fit_or_volumes_still_has_a_page():
    bare = analysis("U", "too_few", with_fit=False, clutches=(), signals=("apply_trim",), events=(event(),))
    for template, made in (
        ("followup.html", build_followup(bare, None, "E7", SETTINGS)),
        ("explain.html", build_explain(bare, "E7", SETTINGS)),
    ):
        assert "No clutch limit was used" in render.page(template, made)


def test_trailer_page_is_in_plain_words():
    made = build_explain(
        analysis(
            findings=(finding("load", 0.9, event="E7"),),
            step=LOAD_STEP,
            events=(event("load", 2800.0, "kg", "new trailer"),),
        ),
        "E7",
        SETTINGS,
    )
    text = " ".join("".join(Page(render.page("explain.html", made)).text).split())
    assert "On 20 Nov 2025 there was a change of load (2 800 kg; “new trailer”)." in plain(text)
    for term, _ in made.about.terms:
        assert term in text


# --- the data beside the page ------------------------------------------------------------------


def documented():
    """Class name -> keys, from the tables of the documentation."""
    keys, current = {}, None
    for line in DOCS.read_text("utf-8").splitlines():
        if line.startswith("## "):
            current = keys.setdefault(line[3:].strip(), [])
        elif (found := re.match(r"\| `(\w+)` \|", line)) and current is not None:
            current.append(found[1])
    return keys


def test_every_key_is_documented_and_nothing_else():
    modules = (review, followup, explain, backtest, parts)
    known = [part for module in modules for part in vars(module).values()]
    shown = {part for part in known if isinstance(part, type) and is_dataclass(part)}
    assert documented() == {part.__name__: [f.name for f in fields(part)] for part in shown}


def test_every_meaning_is_written_out():
    rows = [line for line in DOCS.read_text("utf-8").splitlines() if line.startswith("| `")]
    assert all(re.fullmatch(r"\| `\w+` \| [^|]+ \| [^|]{8,} \|", row) for row in rows)


@pytest.mark.parametrize("template", TEMPLATES)
def test_json_holds_the_documented_keys(template):
    made = contexts()[template]
    said = json.loads(render.context_json(made))
    assert list(said) == documented()[type(made).__name__]
    assert said["about"]["as_of"] == made.about.as_of.isoformat()


# --- small texts -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("plain", "plain"),
        ("two\nlines\x00", "two lines "),
        ("שלום", "\u2068שלום\u2069"),
        ("a\u202egnp.exe", "\u2068agnp.exe\u2069"),
        ("\u2069out", "\u2068out\u2069"),
        ("lone \ud800", "lone  "),
    ],
)
def test_name(text, shown):
    assert name(text) == shown


@pytest.mark.parametrize(
    ("text", "kept"),
    [
        ("read out HL-11.", ["HL-11"]),
        ("1-2 and 4-5, on 2026-03-14", ["1-2", "4-5", "2026-03-14"]),
        ("the off-going trim", []),
        ("a<b-1>&lt;x-1", []),
        ("DT-07's", ["DT-07"]),
    ],
)
def test_short_names_with_a_hyphen_stay_on_one_line(text, kept):
    made = render.unbroken(text)
    assert re.findall(r'<span class="unbroken">(.*?)</span>', made) == kept
    assert "".join(Page(str(made)).text) == text


def test_a_slip_is_drawn_at_the_edge_and_does_not_flatten_the_rest():
    made = analysis("U")
    pack = next(i for i, c in enumerate(made.panel.cells) if c.channel == "pack3")
    values, slips = made.panel.values.copy(), made.panel.slips.copy()
    values[7, pack], slips[7, pack] = 900.0, True
    panel = replace(made.panel, values=values, slips=slips, usable=made.panel.usable & ~slips)
    chart = timelines.volumes(replace(made, panel=panel))
    lane = [t for t in chart.figure["data"] if t.get("yaxis") == "y3"]
    cross = next(t for t in lane if t.get("marker", {}).get("symbol") == "x")
    _, high = chart.figure["layout"]["yaxis3"]["range"]
    assert high < 40.0
    assert cross["y"] == [float(f"{high:.5g}")]  # charts hold five figures
    assert cross["customdata"] == [900.0]
    assert timelines.OUTSIDE in chart.says
    assert "range" not in chart.figure["layout"]["yaxis2"]
    assert "900" in chart.table.rows[7][4]
    assert timelines.OUTSIDE not in timelines.volumes(made).says


def test_a_report_in_us_units_holds_no_metric_number():
    with written(Wording(units="us", dates="month-first")):
        made = contexts()
        told = {template: render.page(template, c) for template, c in made.items()}
    for template, html in told.items():
        text = " ".join("".join(Page(html).text).split())
        if template == "followup.html":  # settings stand in their own units
            text = text[: text.index("Settings in force")] + text[text.index("The limits used, and") :]
        text = text.replace(NASTY, "").replace("6 Nov and 6 Dec 2025", "")  # as the hand-made units say it
        metric = re.findall(r".{30}\d[\u00a0\u202f ](?:km|cm³|kPa|°C|N·m)\b", text)
        assert metric == [], template
        assert not re.search(r"\d{1,2} (Jan|Mar|Nov|Dec) 20", text), template
    assert "mi" in told["review.html"]
    axis = made["review.html"].reach.figure["layout"]["xaxis"]["title"]["text"]
    assert axis == "distance from the last reading to the limit, mi"


def test_a_fan_far_beyond_the_limit_does_not_flatten_the_readings():
    """Hand-solved: readings and limit span 24 to 36 cm3, or less; a fan up to 95 is cut a little above 36."""
    unit = analysis("U")
    calm = outlook("pack3", fan_p90=np.linspace(26.7, 95.0, 13))
    low, high = forecast(unit, calm).figure["layout"]["yaxis"]["range"]
    assert 22.0 < low < 24.0 < 36.0 < high < 38.5
    near = outlook("pack3", fan_p90=np.linspace(26.7, 35.0, 13))
    assert 36.0 < forecast(unit, near).figure["layout"]["yaxis"]["range"][1] < 37.5


def test_chart_text_escapes_markup():
    assert chart_text("<b>&") == "&lt;b&gt;&amp;"


@pytest.mark.parametrize(
    ("value", "cell"),
    [("=1+1", "'=1+1"), (" =1", "' =1"), ("-x", "'-x"), ("@x", "'@x"), ("\t=1", "'\t=1"), ("x=1", "x=1"),
     (-1.5, "-1.5"),      (None, ""), (float("nan"), ""), (3, "3"), ("＝1", "'＝1")],
)  # fmt: skip
def test_plain_cell(value, cell):
    assert plain_cell(value) == cell


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (0.0, "0"),
        (-0.0001, "0"),
        (123.4, "123"),
        (-12.34, "−12.3"),
        (1.5, "1.50"),
        (0.012, "0.012"),
        (12345.0, "12\u202f345"),
    ],
)
def test_number(value, text):
    assert number(value) == text


@pytest.mark.parametrize(
    ("value", "text"), [(0.0, "0"), (0.004, "under 1"), (0.5, "50"), (0.997, "over 99"), (1.0, "100")]
)
def test_percent_never_claims_certainty_it_has_not(value, text):
    assert percent(value) == f"{text}\u202f%"


def test_file_names_are_safe_and_differ():
    one, two = render.file_stem("explain", "../a/b"), render.file_stem("explain", "..\\a\\b")
    assert one != two
    assert re.fullmatch(r"[A-Za-z0-9._-]+", one)
    assert render.file_stem("explain", "U-07", "2026-01-01") == "explain-U-07-2026-01-01"
    assert len(render.file_stem("x", "y" * 500)) < 120


def test_vendored_script_is_the_version_it_says():
    assert f"plotly.js (basic - minified) v{render.PLOTLY_VERSION}" in render.plotly_source()[:200]
    notice = (Path(render.__file__).parent / "static/README.md").read_text("utf-8")
    assert render.PLOTLY_VERSION in notice
    assert "MIT" in (Path(render.__file__).parent / "static/plotly-basic.LICENSE.txt").read_text("utf-8")
