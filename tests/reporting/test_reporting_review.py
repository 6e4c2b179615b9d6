"""The fleet review: its first lines, list, comparison, calendar and side files, on hand-made analyses."""

from __future__ import annotations

import csv
import io
import json
from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest
from reporting_factory import AS_OF, NASTY, analysis, caution, event, finding, fleet, outlook

from driftwatch.assessment.sentences import certainty
from driftwatch.errors import UsageError
from driftwatch.reporting.due import chance_by, expected_packs, service_calendar
from driftwatch.reporting.outlooks import due_words, left_words, used_words
from driftwatch.reporting.review import build_review, write_review
from driftwatch.reporting.sentences import sure
from driftwatch.reporting.work import work_items
from driftwatch.service.states import Standing
from driftwatch.settings import Settings
from tests.words import plain

SETTINGS = Settings()


def review(analyses, previous=None, month="2026-03"):
    return build_review(analyses, previous, month, SETTINGS)


def test_first_line_names_who_needs_someone():
    lead = review(fleet()).lead
    assert len(lead) == 3
    assert lead[0].startswith("4 of 24 units need someone this month: now U-02 and =1+1")
    assert lead[0].endswith("inspect U-06 and U-05.")
    assert lead[1] == "To be booked: U-03. 1 unit to keep in view."
    assert "read out U-09 and U-10" in lead[2]


def test_quiet_fleet_says_so():
    context = review([analysis(f"U-{k}") for k in range(3)])
    assert context.lead[0] == "None of 3 units needs someone this month."
    assert context.work == ()
    assert context.reach is None
    assert dict(context.counts)["none"] == 3


def test_work_is_in_order_of_urgency_then_date():
    work = review(fleet()).work
    assert [(i.urgency, i.unit) for i in work] == [
        ("now", "U-02"),
        ("now", NASTY),
        ("inspect", "U-06"),
        ("inspect", "U-05"),
        ("inspect", "U-05"),
        ("plan", "U-03"),
        ("watch", "U-04"),
        ("read", "U-09"),
        ("read", "U-10"),
    ]
    assert all(i.reason and i.by_when and i.sure and i.check for i in work)


def test_logged_or_old_unexplained_changes_ask_for_nobody():
    def items(**more):
        return work_items(analysis(findings=(finding("unexplained", 0.8, **more),)).assessment)

    assert [i.kind for i in items(by=date(2026, 2, 1))] == ["unexplained"]
    assert items(by=date(2026, 2, 1), event="E7") == ()
    assert items(by=date(2025, 6, 1)) == ()
    assert work_items(analysis(findings=(finding("unexplained", 0.4, by=date(2026, 2, 1)),)).assessment) == ()


def test_comparison_says_new_worse_better_cleared():
    now = [
        analysis("A", clutches=(outlook("pack3", "due", 0.9, 1000.0),)),
        analysis("B", clutches=(outlook("pack3", "plan", 0.8, 9000.0),)),
        analysis("C", clutches=(outlook("pack3", "watch", 0.6, 30000.0),)),
        analysis("D"),
    ]
    before = [
        analysis("A").assessment,
        analysis("B", clutches=(outlook("pack3", "watch", 0.6, 20000.0),)).assessment,
        analysis("C", clutches=(outlook("pack3", "plan", 0.6, 14000.0),)).assessment,
        analysis("D", cautions=(caution("data"),)).assessment,
        analysis("GONE", cautions=(caution("stale"),)).assessment,
    ]
    context = review(now, before)
    moves = [(c.move, c.unit) for c in context.changes]
    assert moves == [("new", "A"), ("worse", "B"), ("better", "C"), ("cleared", "D"), ("cleared", "GONE")]
    assert "not in this month's data" in context.changes[-1].sentence
    assert [i.is_new for i in context.work] == [True, False, False]
    assert "1 new, 1 worse, 1 better, 2 cleared" in context.lead[2]
    assert "no assessment of the month before" in review(now).compared


def test_same_assessment_twice_changes_nothing():
    said = [a.assessment for a in fleet()]
    context = review(fleet(), said)
    assert context.changes == ()
    assert not any(i.is_new for i in context.work)
    assert "Nothing changed since the month before." in context.lead[2]


def test_chance_by_goes_through_its_quantiles():
    """Hand-solved: the given days carry 10, 50 and 90 %; halfway (in logarithm) to the last is Phi(0.6408).

    Standard normal table: z = 0.64 gives 0.7389, z = 0.65 gives 0.7422; z = -2.56 gives 0.0052.
    """
    start = date(2026, 3, 31)
    due = {q: start + timedelta(days=n) for q, n in (("p10", 50), ("p50", 100), ("p90", 400))}
    assert [round(chance_by(due, d, start), 6) for d in due.values()] == [0.1, 0.5, 0.9]
    assert chance_by(due, start + timedelta(days=200), start) == pytest.approx(0.7392, abs=2e-4)
    assert chance_by(due, start + timedelta(days=25), start) == pytest.approx(0.0052, abs=1e-4)
    assert chance_by(due, start, start) == 0.0
    open_ = {"p10": due["p10"], "p50": None, "p90": None}
    assert [chance_by(open_, start + timedelta(days=n), start) for n in (49, 50, 900)] == [0.0, 0.1, 0.1]
    assert chance_by({**due, "p90": None}, start + timedelta(days=900), start) == 0.5
    assert chance_by(dict.fromkeys(due), start + timedelta(days=900), start) == 0.0


def test_chance_by_where_the_limit_may_be_reached_already():
    """Hand-solved: 10 % ten days ago, 50 % in ten days: 20 days are 1.2816 sd of a normal law, Phi(-0.64)."""
    start = date(2026, 3, 31)
    due = {q: start + timedelta(days=n) for q, n in (("p10", -10), ("p50", 10), ("p90", 40))}
    assert chance_by(due, start, start) == pytest.approx(0.2608, abs=2e-4)
    assert chance_by(due, due["p10"], start) == pytest.approx(0.1)
    assert chance_by(due, due["p90"], start) == pytest.approx(0.9)


def test_calendar_adds_packs_up_and_leaves_out_what_is_far_or_done():
    """Hand-solved: a pack due within June counts as one pack in June; one due in years as none."""
    near = replace(
        outlook(used=0.9),
        due_on={"p10": date(2026, 6, 10), "p50": date(2026, 6, 15), "p90": date(2026, 6, 20)},
    )
    far = replace(
        outlook(used=0.1),
        due_on={"p10": date(2031, 1, 1), "p50": date(2032, 1, 1), "p90": date(2033, 1, 1)},
    )
    chart = service_calendar([("", c) for c in (near, near, far, outlook(used=1.01))], AS_OF)
    by_month = {row[0]: float(row[1]) for row in chart.table.rows}
    assert next(iter(by_month)) == "April 2026"
    assert list(by_month)[-1] == "March 2027"
    assert by_month["June 2026"] == pytest.approx(2.0, abs=0.02)
    assert sum(by_month.values()) == pytest.approx(2.0, abs=0.02)
    assert "1 already at the limit is not counted" in chart.says


def due(unit_days, start=AS_OF):
    """A pack with its 10, 50 and 90 % days so many days ahead."""
    days = dict(zip(("p10", "p50", "p90"), unit_days, strict=True))
    return replace(outlook(used=0.8), due_on={q: start + timedelta(days=int(n)) for q, n in days.items()})


def test_calendar_is_split_by_site_with_a_band_for_the_number():
    """Hand-solved: two packs certain to fall due in June at one site, one even chance at another.

    In June 2 or 3 come, each with a chance of one half, so the 10 and 90 % quantiles are 2 and 3.
    """
    june = due((72, 76, 80))
    half = replace(june, due_on={"p10": date(2026, 6, 10), "p50": date(2026, 6, 15), "p90": None})
    ahead = expected_packs([("East", june), ("East", june), (" ", half), ("West", outlook(used=1.2))], AS_OF)
    assert ahead.sites == ("East", "no site")
    assert ahead.months[2] == (2026, 6)
    assert ahead.by_site[:, 2] == pytest.approx([2.0, 0.5], abs=0.02)
    assert (ahead.low[2], ahead.high[2]) == (2, 3)
    assert ahead.year == (pytest.approx(2.5, abs=0.01), 2, 3)
    assert ahead.reached == 1
    chart = service_calendar([("East", june), ("East", june), ("", half)], AS_OF)
    assert chart.table.columns == ("Month", "East", "no site", "All", "Number")
    assert "Most of them at East (2.0)." in chart.says


def test_the_band_of_a_month_is_that_of_a_sum_of_unlike_chances():
    """Second implementation: the law of the number built up pack by pack, by convolution."""
    rng = np.random.default_rng(5)
    packs = [due(sorted(rng.choice(600, 3, replace=False) + 5)) for _ in range(150)]
    ahead = expected_packs([("", c) for c in packs], AS_OF)
    ends = [date(y + m // 12, m % 12 + 1, 1) - timedelta(days=1) for y, m in ahead.months]
    by_end = np.array([[0.0, *(chance_by(c.due_on, end, AS_OF) for end in ends)] for c in packs])
    for k in range(12):
        law = np.ones(1)
        for p in by_end[:, k + 1] - by_end[:, k]:
            law = np.convolve(law, [1.0 - p, p])
        up_to = law.cumsum()
        assert (ahead.low[k], ahead.high[k]) == (np.argmax(up_to >= 0.1), np.argmax(up_to >= 0.9))


def test_many_sites_are_put_together_and_nothing_is_lost():
    packs = [(f"Site {k:02d}", due((20, 40 + k, 90))) for k in range(20)]
    ahead = expected_packs(packs, AS_OF)
    assert len(ahead.sites) == 6
    assert ahead.sites[-1] == "other sites"
    assert ahead.by_site.sum() == pytest.approx(ahead.year[0])


def test_what_the_list_is_worth_is_said():
    """Hand-solved: chances of 0.62, 0.62, 0.05 and 0.05 for four clutches, 0.82 for one finding."""
    lines = [plain(line) for line in review(fleet()).odds]
    assert lines == [
        "Of the 4 clutches listed, about 1.3 should reach the limit within 10 000 km of the last reading, by "
        "the chances given.",
        "The chance that the finding listed is wrong is 18 %.",
    ]
    assert review([analysis("U")]).odds == ()


@pytest.mark.parametrize(
    ("chances", "said"),
    [
        ((0.98,), "The chance that the finding listed is wrong is 2 %."),
        (
            (0.97, 0.92),
            "The chance that one or more of the 2 findings listed are wrong is at most 11 %.",
        ),
        ((0.6, 0.6, 0.5, 0.7), "Of the 4 findings listed, about 2 should turn out to be wrong."),
    ],
)
def test_how_many_findings_may_be_wrong(chances, said):
    """Hand-solved: 0.02; 0.03 + 0.08, which the chance of one or more cannot exceed; 1.6 expected of four."""
    units = [analysis(f"P{k}", findings=(finding("pressure", p),)) for k, p in enumerate(chances)]
    assert [plain(line) for line in review(units).odds] == [said]


def test_what_it_cannot_know_is_told_from_what_is_missing():
    none = analysis("NV", clutches=(), signals=("apply_trim",), learn=float("nan"))
    none = replace(none, panel=replace(none.panel, fluid_temp_c=np.full(15, np.nan)))
    told = " ".join(review([none, analysis("OLD", cautions=(caution("stale", ()),))]).unknown)
    assert "When a clutch of 1 unit is due: no fill volumes were read (NV)." in told
    assert "How 1 unit is today: the readings are too few or too old (OLD)." in told
    bare = " ".join(review([none]).unknown)
    assert "How warm the fluid was" in bare
    assert "How often the shifts were learned from" in bare
    calm = review([analysis("U")])
    assert "How warm" not in " ".join(calm.unknown)
    assert "Log entries" not in " ".join(calm.would_change)
    odd = review([analysis("U-X", findings=(finding("fluid", 0.7),))])
    assert "1 unit changed without one (U-X)" in " ".join(odd.would_change)


def test_reach_chart_has_all_packs_in_its_table_and_the_nearest_drawn():
    units = [
        analysis(f"N{k:03d}", clutches=(outlook("pack3", "watch", 0.7, 1000.0 * (k + 1)),)) for k in range(40)
    ]
    chart = review(units).reach
    assert len(chart.table.rows) == 40
    assert chart.table.rows[0][0] == "N000"
    assert len(chart.figure["layout"]["yaxis"]["ticktext"]) == 25
    assert "25 nearest of 40" in chart.says


def test_notes_tell_what_explains_each_and_readings_list_the_rest():
    context = review(fleet())
    assert [(n.unit, n.state) for n in context.notes] == [("U-07", "changed"), ("U-08", "settling")]
    assert "power change" in context.notes[0].explained_by[0]
    assert [n.unit for n in context.readings] == ["U-09", "U-10"]
    assert "3 snapshots in all" in context.readings[1].sentence


def test_files_are_written_and_hold_the_same_items(tmp_path):
    paths = write_review(fleet(), None, "2026-03", SETTINGS, tmp_path / "new")
    assert [p.name for p in paths] == [
        f"review-2026-03{e}" for e in (".html", ".csv", "-units.csv", ".ics", ".json")
    ]
    rows = list(csv.DictReader(io.StringIO(paths[1].read_text("utf-8-sig"))))
    said = json.loads(paths[4].read_text("utf-8"))
    units = list(csv.DictReader(io.StringIO(paths[2].read_text("utf-8-sig"))))
    assert [(r["unit"].lstrip("'"), r["state"]) for r in units] == [
        (u["unit"], u["state"]) for u in said["fleet"]
    ]
    assert len(rows) == len(said["work"]) == 9
    assert [r["unit"].lstrip("'") for r in rows] == [w["unit"] for w in said["work"]]


def test_spreadsheet_takes_no_text_for_a_formula(tmp_path):
    csv_path = write_review(fleet(), None, "2026-03", SETTINGS, tmp_path)[1]
    rows = list(csv.reader(io.StringIO(csv_path.read_text("utf-8-sig"))))
    cells = [c for row in rows[1:] for c in row]
    assert "'" + NASTY in cells
    assert not [c for c in cells if c[:1] in tuple("=+-@\t\r")]


@pytest.mark.parametrize("month", ["2026", "2026-13", "March", "", "2026-03-01"])
def test_a_month_that_is_none_is_refused_in_one_line(month):
    with pytest.raises(UsageError, match="is not a month"):
        review(fleet(), month=month)


def test_limits_that_are_examples_are_said_loudly_and_own_limits_are_not():
    assert "example values" in review(fleet()).about.warning
    base = analysis("U")
    own = replace(base, panel=replace(base.panel, profile=replace(base.panel.profile, illustrative=False)))
    assert review([own]).about.warning == ""
    assert {used.clutch for used in review([own]).about.limits} == {f"pack{k}" for k in range(1, 6)}


def test_no_volumes_means_no_forecast_and_says_so(tmp_path):
    bare = analysis("U", clutches=(), signals=("apply_trim",))
    page = write_review([bare], None, "2026-03", SETTINGS, tmp_path)[0].read_text("utf-8")
    assert "Nothing can be said of when a clutch is due: no fill volumes were read." in page
    assert "No clutch limit was used" in page
    assert "Example limits" not in page


def test_too_few_readings_are_not_said_to_be_no_volumes(tmp_path):
    few = analysis("FEW", "too_few", snapshots=4, clutches=(), with_fit=False)
    page = write_review([few], None, "2026-03", SETTINGS, tmp_path)[0].read_text("utf-8")
    assert "Nothing can be said of when a clutch is due: there are too few readings so far." in page
    assert "no volumes" not in page
    assert "There is no forecast here yet that rests on them." in page
    known = few.panel.profile
    free = replace(
        known,
        clutches=tuple(replace(c, service_limit_cm3=None, limit_clearance_mm=None) for c in known.clutches),
    )
    unlimited = analysis("FREE", clutches=(), profile=free)
    bare = analysis("BARE", clutches=(), signals=("apply_trim",))
    fleet_ = review([few, unlimited, bare, analysis("OK")])
    assert [u.untold for u in fleet_.fleet] == ["too few readings", "no limits", "no volumes", ""]
    assert fleet_.untold == ""
    assert review([few, bare]).untold == (
        "Nothing can be said of when a clutch is due: there are too few readings so far (FEW) and no fill "
        "volumes were read (BARE)."
    )


def test_event_is_not_needed_to_review():
    assert review([analysis("U", events=(event(),))]).work == ()


READ_ON = date(2026, 4, 1)


def pack(days=(None, None, None), km=(1000.0, 2000.0, 3000.0), **more):
    """A pack with its 10, 50 and 90 % days and distances."""
    quantiles = ("p10", "p50", "p90")
    return outlook(
        **{
            "due_on": dict(zip(quantiles, days, strict=True)),
            "remaining_km": dict(zip(quantiles, km, strict=True)),
            **more,
        }
    )


@pytest.mark.parametrize(
    ("days", "words"),
    [
        (
            (date(2026, 5, 1), None, None),
            "not before 1 May 2026 (one chance in ten by then); even chance more than 10 years away, if ever",
        ),
        (
            (date(2026, 5, 1), date(2041, 5, 1), None),
            "not before 1 May 2026 (one chance in ten by then); even chance more than 10 years away, if ever",
        ),
        (
            (date(2029, 6, 3), None, None),
            "not before 2029 (one chance in ten by then); even chance more than 10 years away, if ever",
        ),
        (
            (date(2026, 5, 1), date(2026, 6, 1), date(2026, 7, 9)),
            "1 May 2026 to 9 Jul 2026, even chance 1 Jun 2026",
        ),
        (
            (date(2026, 5, 1), date(2026, 9, 1), date(2027, 7, 9)),
            "May 2026 to July 2027, even chance September 2026",
        ),
        ((date(2026, 5, 1), date(2029, 9, 1), date(2035, 7, 9)), "2026 to 2035, even chance 2029"),
        (
            (date(2026, 5, 1), date(2029, 9, 1), date(2047, 7, 9)),
            "2026 at the earliest likely, even chance 2029, latest more than 10 years away",
        ),
        (
            (date(2026, 5, 1), date(2026, 6, 1), None),
            "1 May 2026 at the earliest likely, even chance 1 Jun 2026, latest more than 10 years away",
        ),
        (
            (date(2026, 6, 1), date(2026, 6, 1), date(2026, 7, 9)),
            "probably reached by now, latest 9 Jul 2026",
        ),
        ((date(2026, 6, 1),) * 3, "very likely reached by now"),
        ((date(2043, 1, 30), None, None), "not within 10 years (less than one chance in ten)"),
        ((date(2043, 1, 30), date(2060, 1, 1), None), "not within 10 years (less than one chance in ten)"),
        ((None, None, None), "no day can be told by its use so far"),
    ],
)
def test_due_days_are_said_as_finely_as_they_are_known(days, words):
    assert due_words(pack(days), READ_ON) == words


def test_no_day_is_expected_where_no_distance_is():
    assert due_words(pack(km=(None, None, None)), READ_ON) == "not to be expected as things stand"


@pytest.mark.parametrize(
    ("km", "words"),
    [
        ((4000.0, 7100.0, 17000.0), ("about 7 100 km", "1 in 10: under 4 000 km")),
        ((240000.0, 9e5, None), ("over 500 000 km", "1 in 10: under 240 000 km")),
        ((860000.0, None, None), ("over 500 000 km", "")),
        ((None, None, None), ("over 500 000 km", "")),
    ],
)
def test_distances_beyond_all_knowledge_are_not_said(km, words):
    assert tuple(map(plain, left_words(pack(km=km)))) == words
    assert left_words(pack(km=km, used=1.02)) == ("none", "")


def test_a_used_share_is_never_below_none():
    assert [plain(used_words(v)) for v in (-0.012, 0.0, 0.004, 0.0051, 0.12)] == [
        "none",
        "none",
        "none",
        "under 1 %",
        "12 %",
    ]


def test_a_remaining_distance_says_which_reading_it_counts_from():
    """On a later day the days are told anew, the distance is not: it says from when it is."""
    made = analysis("U", clutches=(outlook("pack3", "due", 0.9, 7100.0),))
    (item,) = work_items(made.assessment)
    assert made.assessment.last == date(2026, 3, 6)
    assert plain(item.by_when).endswith("; about 7 100 km after the reading of 6 Mar 2026")
    assert plain(item.sure) == "62 %: limit within 10 000 km of the last reading"
    assert "7 100 km after its last reading" in plain(review([made]).reach.says)


def test_the_chance_beside_an_urgency_is_the_one_it_stands_on():
    """A clutch to be planned for by 69 % within 15 000 km is not shown with 5 % within 10 000 km alone."""
    plan = outlook("pack3", "plan", 0.9, 12_000.0, standing=Standing("plan", 15_000.0, 0.69))
    (item,) = work_items(analysis("U", clutches=(plan,)).assessment)
    assert plain(item.sure) == "69 %: limit within 15 000 km; 5 % within 10 000 km"
    assert item.chance == 0.05
    same = outlook("pack3", "plan", 0.9, 12_000.0, standing=Standing("plan", 10_000.0, 0.05))
    (item,) = work_items(analysis("U", clutches=(same,)).assessment)
    assert plain(item.sure) == "5 %: limit within 10 000 km of the last reading"


def test_the_legend_says_that_a_state_is_held():
    meaning = {urgency: plain(words) for urgency, words in review(fleet()).meaning}
    held = "or was so, and the chance has not yet fallen below 35 %"
    assert meaning["now"].endswith(f"to reach it within 5 000 km, {held}")
    assert meaning["plan"].endswith(f"to reach its limit within 15 000 km, {held}")


def test_the_calendar_says_how_much_of_it_is_listed():
    """Hand-solved: two listed packs surely due in June, and two others with a chance of one half each."""
    june = replace(due((72, 76, 80)), standing=outlook(service="plan").standing)
    half = replace(
        due((72, 76, 80)), due_on={"p10": date(2026, 6, 10), "p50": date(2026, 6, 15), "p90": None}
    )
    ahead = expected_packs([("", june), ("", june), ("", half), ("", half)], AS_OF)
    assert ahead.listed == (pytest.approx(2.0, abs=0.01), 2)
    says = service_calendar([("", june), ("", june), ("", half), ("", half)], AS_OF).says
    assert "The 2 packs at watch, plan or due make up 2.0 of that; the rest is made up of smaller" in says
    alone = service_calendar([("", half)], AS_OF).says
    assert "No pack is at watch, plan or due: that is made up of smaller chances" in alone
    assert "made up of" not in service_calendar([("", june)], AS_OF).says


def test_the_list_of_units_has_whole_kilometres(tmp_path):
    made = analysis("U")
    odd = replace(made, assessment=replace(made.assessment, odometer_km=176349.9843072))
    paths = write_review([odd], None, "2026-03", SETTINGS, tmp_path)
    (row,) = csv.DictReader(io.StringIO(paths[2].read_text("utf-8-sig")))
    assert row["odometer_km"] == "176350"
    assert json.loads(paths[4].read_text("utf-8"))["fleet"][0]["odometer_km"] == 176349.9843072


@pytest.mark.parametrize("probability", [0.1, 0.39, 0.4, 0.64, 0.65, 0.84, 0.85, 0.92, 0.96, 0.97, 0.999])
def test_how_sure_says_the_same_as_the_sentence_beside_it(probability):
    """A finding's sentence and its "how sure" stand in one row of the review; the words must agree."""
    same = {
        "almost": "Almost",
        "very": "Very",
        "probable": "Probably",
        "perhaps": "Perhaps",
        "less": "Possibly,",
    }
    assert same[sure(probability).split()[0]] == certainty(probability).split()[0]


def test_what_shows_as_the_same_per_cent_is_said_in_the_same_words():
    shown: dict[str, set[str]] = {}
    for probability in np.linspace(0.0, 1.0, 4001):
        words, figure = sure(float(probability)).split(" (")
        shown.setdefault(figure, set()).add(words)
    assert len(shown) > 95
    assert {figure: words for figure, words in shown.items() if len(words) > 1} == {}
