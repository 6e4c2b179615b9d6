"""The look back as a page: its sentences, charts and tables, on hand-made rows. Numbers are hand-solved."""

from __future__ import annotations

import json
from datetime import date

import pytest
from backtest_factory import (
    NEVER,
    ORIGINS,
    a_check,
    a_range,
    alarm,
    backtest,
    reached,
    rich,
    told,
)
from reporting_factory import AS_OF, analysis, fleet

from driftwatch.assessment.backtest.results import Delay, Flap, Lead
from driftwatch.assessment.backtest.said import HORIZONS
from driftwatch.reporting import hindsight, verdicts
from driftwatch.reporting.backtest import build_backtest, track_record, write_backtest
from driftwatch.reporting.render import page
from driftwatch.reporting.review import build_review
from driftwatch.settings import Settings
from tests.words import plain


def checks(inside: int, outside: int, months: int = 6):
    """So many packs, one look each, read inside and outside of their range."""
    return [a_check(26.0 if k < inside else 29.0, months, f"P{k}") for k in range(inside + outside)]


# --- sentences ----------------------------------------------------------------------------------------------


def test_what_was_looked_at():
    assert verdicts.period(backtest()) == (
        "Looked back from 4 month ends, 30 Sep 2025 to 31 Dec 2025, on 24 units. What would have been said "
        "then is held against what was read up to 31 Mar 2026."
    )
    few = verdicts.period(backtest(every=3, fleet=400))
    assert "from 4 month ends 3 months apart, " in few
    assert "on 24 of 400 units." in few
    one = verdicts.period(backtest(origins=ORIGINS[:1], end=ORIGINS[0], units=("U-01",), fleet=1))
    assert "from 1 month end, 30 Sep 2025, on 1 unit." in one


@pytest.mark.parametrize(
    ("inside", "outside", "says"),
    [
        # Of 100 packs 80 are in keeping with 80 %; 70 (up to 77 %) are too few; 88 and 95 are too many.
        (
            80,
            20,
            "80 % lay in the range that had been forecast for them; 80 % was promised. That is in keeping",
        ),
        (70, 30, "70 % lay in the range that had been forecast for them; 80 % was promised. That is too few"),
        (88, 12, "The ranges are a little wider than they need be."),
        (95, 5, "The ranges are wider than they need be."),
    ],
)
def test_later_readings_in_words(inside, outside, says):
    assert says in plain(verdicts.readings_line(backtest(checks=checks(inside, outside))))


def test_few_packs_are_said_to_be_few():
    line = plain(verdicts.readings_line(backtest(checks=checks(4, 1))))
    # Second implementation, statsmodels: Jeffreys' 90 % interval of 4 in 5 is 0.437 to 0.964.
    assert line.startswith("Of 5 fill volumes read 6 months later, 80 % lay")
    assert "(From 5 packs only: in truth it may be anything from 44 % to 96 %.)" in line
    assert "only" not in verdicts.readings_line(backtest(checks=checks(24, 6)))


def test_horizons_that_disagree():
    both = checks(95, 5, 3) + checks(60, 40, 12)
    line = plain(verdicts.readings_line(backtest(checks=both)))
    assert line.startswith("Of 200 fill volumes read 3 and 12 months later, 78 % lay")
    assert line.endswith("That is too few for one horizon and too many for another.")
    assert "No reading came long enough" in verdicts.readings_line(backtest())


def test_the_straight_line_in_words():
    # Scores: 2 wide against 4 wide, and 10 for each cm3 outside: at 29 cm3 22 against 14.
    better = verdicts.line_line(backtest(checks=checks(10, 0)))
    assert "do 50\u202f% better than those of a straight line" in better
    assert "2.00 against 4.00 cm³" in plain(better)
    assert "do 57\u202f% worse than" in verdicts.line_line(backtest(checks=checks(0, 10)))
    same = [a_check(26.0, line_low=25.0, line_high=27.0)]
    assert "about as well as" in verdicts.line_line(backtest(checks=same))
    assert verdicts.line_line(backtest()) == ""


def test_the_straight_line_is_told_of_at_every_horizon():
    """Hand-solved scores: 2 wide against 4, 50 % better; at 29 cm3 22 against 14, 57 % worse; 2 against 2."""
    rows = [
        a_check(26.0, 3, line_low=25.0, line_high=27.0),
        a_check(26.0, 6),
        a_check(29.0, 12),
    ]
    assert plain(hindsight.other_horizons(backtest(checks=rows))) == (
        "At the other horizons the ranges do: 3 months ahead about as well; 12 months ahead 57 % worse than "
        "that line's."
    )
    assert "3 months ahead 50 % better" in plain(
        hindsight.other_horizons(backtest(checks=[a_check(26.0, 3)]))
    )
    assert hindsight.other_horizons(backtest()) == ""
    text = " ".join(build_backtest(backtest(checks=rows), [analysis()]).forecasts)
    assert [m for m in HORIZONS if f"{m} months ahead" not in text] == []


def test_ranges_in_words():
    rows = [a_range(unit=f"P{k}") for k in range(3)] + [a_range("sooner", "P3", near=True)]
    line = plain(verdicts.ranges_line(backtest(ranges=[*rows, a_range("open", "P4")])))
    assert line.startswith(
        "Of 4 settled ranges of remaining distance, 75 % held; 80 % was promised. That is in"
    )
    assert line.endswith(
        "Of those that did not, the limit came sooner in 1 and later in none; 1 missed by less than one "
        "reading's noise. 1 is still open."
    )
    assert "did not" not in verdicts.ranges_line(backtest(ranges=[a_range()]))
    none = plain(verdicts.ranges_line(backtest(ranges=[a_range("open")])))
    assert none.startswith("No range of remaining distance is settled")


def test_chances_in_words():
    rows = [a_range(chance=0.25, came=k == 0) for k in range(10)] + [a_range(chance=0.9, came=None)]
    assert plain(verdicts.chances_line(backtest(ranges=rows))) == (
        "The chances said for the next 10 000 km add up to 2.5 limits over 10 looks; 1 came."
    )
    assert verdicts.chances_line(backtest()) == ""


def test_warnings_in_words():
    assert "No pack reached its limit" in verdicts.warning_line(backtest())
    one = plain(verdicts.warning_line(backtest(reached=[reached()])))
    assert one == (
        "One pack reached its limit. Warning before: plan 20 000 km, 102 days; due 8 200 km, 41 days."
    )
    late = Lead(None, None, None, False, 18)
    three = [
        reached(),
        reached(plan=Lead(ORIGINS[0], 26_000.0, 133, True, None)),
        reached(plan=late, due=NEVER),
    ]
    line = plain(verdicts.warning_line(backtest(reached=three)))
    # The median of 20 400, 26 000 and none (0) km; of 102, 133 and 0 days.
    assert line == (
        "Of 3 packs that reached their limit, 2 had been at plan before, without a break, and 2 at due. Half "
        "of the 3 had been at plan for 20 000 km or 102 days, or for longer."
    )
    coarse = plain(verdicts.warning_line(backtest(reached=three, every=3)))
    assert (
        coarse
        == f"{line} The warnings may have been up to 3 months longer: no month end between was looked at."
    )
    none = plain(verdicts.warning_line(backtest(reached=[reached(plan=late, due=NEVER)] * 2)))
    assert none.endswith("none had been at plan before, without a break, and none at due.")


@pytest.mark.parametrize(
    ("lead", "says"),
    [
        (Lead(ORIGINS[0], 26_000.0, 133, True, None), "at least 26 000 km, 133 days"),
        (Lead(ORIGINS[0], 400.0, 1, False, None), "400 km, 1 day"),
        (Lead(None, None, None, False, 18), "not before; 18 days after"),
        (Lead(None, None, None, False, 0), "not before; on the day"),
        (NEVER, "not said"),
    ],
)
def test_leads_in_words(lead, says):
    assert plain(hindsight.lead_words(lead)) == says


def test_false_alerts_in_words():
    rows = [
        alarm(),
        alarm(),
        alarm("false", came_km=18_000.0),
        alarm("false", near=True),
        alarm("false"),
        alarm("open"),
        alarm("renewed"),
    ]
    # Three false ones in six unit-years.
    assert plain(verdicts.false_line(backtest(alarms=rows), "plan")) == (
        "7 plan alerts were raised. 2 were followed by the limit within 15 000 km, 3 were not followed by it "
        "(in 1 the limit came later and 1 came near, within one reading's noise). 1 cannot be judged yet. 1 "
        "cannot be judged, since a rebuild came first. That is one false alert in about 2 unit-years."
    )
    assert verdicts.false_line(backtest(alarms=rows), "due") == "No due alert was raised."
    one = [alarm(), alarm("false", came_km=18_000.0)]
    assert "1 was not followed by it (the limit came later)." in verdicts.false_line(
        backtest(alarms=one), "plan"
    )
    one = [alarm("false", near=True)]
    assert "1 was not followed by it (it came near," in verdicts.false_line(backtest(alarms=one), "plan")
    assert "1 was not followed by it." in verdicts.false_line(backtest(alarms=[alarm("false")]), "plan")
    late = [alarm(level="due"), alarm(level="due", came_km=-300.0), alarm(level="due", came_km=None)]
    assert plain(verdicts.false_line(backtest(alarms=late), "due")) == (
        "3 due alerts were raised. 1 was followed by the limit within 5 000 km, 2 came when it had been "
        "reached."
    )
    one = plain(verdicts.false_line(backtest(alarms=[alarm("right", "due")]), "due"))
    assert one == "1 due alert was raised. 1 was followed by the limit within 5 000 km."


def test_flaps_in_words():
    flap = Flap("U-08", "pack3", ORIGINS[1], "clear", "watch", "clear")
    assert verdicts.flaps_line(backtest()).startswith("No service state went up")
    assert verdicts.flaps_line(backtest(flaps=[flap] * 2)).endswith("at the next twice.")


def test_findings_in_words():
    rows = [told(), told(fate="kept"), told(fate="changed"), told(fate="gone"), told("wear", "renewed")]
    assert plain(verdicts.findings_line(backtest(told=rows))) == (
        "Of 4 findings said with a chance of one half or more, 50 % still stand; 1 is put down to another "
        "cause today, 1 is no longer said."
    )
    assert "No finding" in verdicts.findings_line(backtest())
    delays = [Delay("U", "power", date(2025, 10, 8), ORIGINS[1], d, n) for d, n in ((5, 1), (23, 1), (60, 2))]
    assert verdicts.delay_line(backtest(delays=delays)) == (
        "3 changes that stand today were first seen in this time. Half of them were said within 23 days of "
        "the first snapshot that could show them, from no more than 1 snapshot since the change."
    )
    assert verdicts.delay_line(backtest()) == ""


# --- charts and tables --------------------------------------------------------------------------------------


def test_coverage_is_drawn_as_counted():
    chart = hindsight.coverage(backtest(checks=checks(7, 3, 3) + checks(9, 1, 12), ranges=[a_range()]))
    (points,) = chart.figure["data"]
    assert points["y"] == [70.0, 90.0, 100.0]
    assert [row[0] for row in chart.table.rows] == [
        "Volume, 3 months on", "Volume, 12 months on", "Distance to the limit"
    ]  # fmt: skip
    assert [row[1:3] for row in chart.table.rows] == [("10", "10"), ("10", "10"), ("1", "1")]
    assert hindsight.coverage(backtest()) is None


def test_distances_are_drawn_against_each_other():
    chart = hindsight.distances(rich())
    inside = next(t for t in chart.figure["data"] if t.get("name") == "inside the range")
    assert set(zip(inside["x"], inside["y"], strict=True)) == {(30_000, 33_000)}
    late = next(t for t in chart.figure["data"] if t.get("name") == "later than the late end")
    # One came after 50 000 km; the other has not come after 60 000.
    assert list(zip(late["y"], late["marker"]["symbol"], strict=True)) == [
        (50_000, "square"),
        (60_000, "square-open"),
    ]
    assert "Open marks" in chart.says
    assert len(chart.table.rows) == 7
    assert hindsight.distances(backtest(ranges=[a_range("open")])) is None


def test_many_points_are_thinned_evenly_and_said_so():
    chart = hindsight.growth(backtest(checks=checks(1500, 500)))
    drawn = [t for t in chart.figure["data"] if t["mode"] == "markers"]
    assert sum(len(t["x"]) for t in drawn) == hindsight.MOST_POINTS
    # Every third or fourth: the share outside stays a quarter.
    assert len(drawn[1]["x"]) == pytest.approx(0.25 * hindsight.MOST_POINTS, abs=1)
    assert "600 of 2\u202f000 are drawn" in chart.says
    assert len(chart.table.rows) == hindsight.MOST_ROWS


def test_growth_counts_from_the_volume_fitted_then():
    chart = hindsight.growth(backtest(checks=[a_check(26.3)]))
    (points,) = [t for t in chart.figure["data"] if t["mode"] == "markers"]
    assert (points["x"], points["y"]) == ([0.5], [0.8])
    assert chart.table.rows[0][2:] == ("+0.50", "−0.50 to +1.50", "+0.80")


def test_leads_are_drawn_longest_first():
    chart = hindsight.leads(rich().reached)
    plan, due = chart.figure["data"][:2]
    assert plan["x"] == [26_000, 20_400, 0]
    assert due["x"] == [8_200, 8_200, 0]
    assert "perhaps for longer" in chart.says
    assert any("not said before" in str(t.get("text")) for t in chart.figure["data"])
    assert chart.table.rows[0][0] == "U-02", "the table goes by day"
    assert plain(chart.table.rows[2][3]) == "113 000 km (110 000 to ?)"


def test_the_tables():
    made = build_backtest(rich(), fleet())
    assert [plain(row[-1]) for row in made.alerts.rows] == [
        "limit after 12 000 km", "false: limit only after 18 000 km",
        "false: no limit within 15 000 km, but near", "not told yet", "renewed first",
    ]  # fmt: skip
    assert made.alerts.rows[3][4] == "31 Dec 2025"
    fates = {row[0]: row[1:6] for row in made.fates.rows}
    assert fates["engine power"] == ("1", "1", "0", "0", "0")
    assert fates["renewed clutches"] == ("1", "0", "1", "0", "0")
    assert fates["clutch wear"] == ("1", "0", "0", "0", "1")
    assert made.fates.rows[1][-1] == "23 days"
    assert len(made.moved) == 2
    assert plain(made.moved[1]) == (
        "U-09: supply pressure since 20 Aug 2025. Said on 30 Sep 2025, at first with 90 %; no longer said."
    )
    assert (
        "renewed clutches between 20 Aug 2025 and 18 Sep 2025. Said at 3 month ends from 30 Sep 2025 on"
        in made.moved[0]
    )
    assert "put down to fluid now" in made.moved[0]


def test_all_figures_are_listed():
    rows = {row[0]: row[1:] for row in build_backtest(rich(), fleet()).figures.rows}
    assert len(rows) == len(rich().figures)
    assert plain(rows["Month ends looked back from"][0]) == "4"
    assert not any("`" in what for what in rows)
    assert plain(rows["Plan alerts not followed by the limit in their distance"][0]) == "0.33 a unit-year"
    held = rows["Share of the settled ranges that held the distance at which the limit was reached"]
    # Four of seven, of four packs.
    assert plain(held[0]) == "57 %"
    assert (plain(held[1]), held[3], held[4]) == ("80 %", "7", "4")


# --- files --------------------------------------------------------------------------------------------------


def test_what_is_written(tmp_path):
    paths = write_backtest(rich(), fleet(), tmp_path / "new")
    assert [p.name for p in paths] == [
        "backtest-2025-09-30-2025-12-31.html", "backtest-2025-09-30-2025-12-31.json"
    ]  # fmt: skip
    html = paths[0].read_text("utf-8")
    assert "What this cannot show" in html
    assert len(html.encode()) < 2_500_000
    assert json.loads(paths[1].read_text("utf-8"))["about"]["as_of"] == AS_OF.isoformat()


def test_nothing_to_show_is_still_a_page():
    html = page("backtest.html", build_backtest(backtest(), [analysis(clutches=())]))
    assert "There are no fill volumes that could be held against a forecast." in html
    assert "Every alert" not in html
    assert "Findings that no longer stand" not in html


# --- the review's track record ------------------------------------------------------------------------------


def review(record):
    return page("review.html", build_review(fleet(), None, "2026-03", Settings(), record=record))


def test_the_review_cites_the_look_back():
    record = track_record(rich(), fleet(), AS_OF)
    assert record.looked_back == verdicts.period(rich())
    html = review(record)
    assert "<h2>Track record</h2>" in html
    for line in record.lines:
        assert line.replace("'", "&#39;") in html
    assert len(record.lines) == 5


def test_the_review_says_how_little_there_is():
    # Readings from 10 January 2025 to 31 March 2026 are 445 days.
    record = track_record(None, fleet(), AS_OF)
    assert record.looked_back.startswith("The store holds 14 months of readings. To look back, it needs")
    assert record.lines == ()
    assert "14 months of readings" in review(record)
    assert "no readings" in track_record(None, [], AS_OF).looked_back


def test_the_review_without_a_look_back():
    assert "Track record" not in review(None)
