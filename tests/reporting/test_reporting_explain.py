"""The owner's page: the answer and the shares on hand-made findings."""

from __future__ import annotations

import csv
import io
import json
from dataclasses import replace
from datetime import date

import numpy as np
import pytest
from reporting_factory import LOAD_STEP, analysis, caution, event, finding, outlook

from driftwatch.assessment.results import Effect, Rival
from driftwatch.reporting import render
from driftwatch.reporting.context.explain import Share
from driftwatch.reporting.explain import build_explain, write_explain
from driftwatch.reporting.figures import sharing
from driftwatch.reporting.owner import share_words
from driftwatch.settings import Settings
from tests.words import plain

SETTINGS = Settings()
TRAILER = event("load", 2800.0, "kg", "new trailer")


def apply(estimate, low=None, high=None):
    return (
        Effect(
            "apply_trim",
            "kPa",
            estimate,
            estimate if low is None else low,
            estimate if high is None else high,
        ),
    )


def load(probability=1.0, size=apply(18.0), rivals=()):  # noqa: B008 - frozen
    return finding("load", probability, size, event="E7", rivals=rivals)


def ask(findings, which="E7", **more):
    values = {"unit": "U", "state": "changed", "step": LOAD_STEP, "events": (TRAILER,)}
    return build_explain(analysis(findings=findings, **{**values, **more}), which, SETTINGS)


@pytest.mark.parametrize(
    ("size_of_fluid", "answer"),
    [(0.0, "yes"), (2.0, "yes"), (9.0, "mostly"), (30.0, "partly"), (100.0, "no")],
)
def test_answer_follows_the_share(size_of_fluid, answer):
    """Hand-solved: 18 kPa of load against 0, 2, 9, 30, 100 kPa of fluid is 100, 90, 67, 37.5 and 15 %."""
    others = (finding("fluid", 1.0, apply(size_of_fluid), rivals=()),) if size_of_fluid else ()
    context = ask((load(), *others))
    asked = next(s for s in context.shares if s.asked)
    assert asked.share == pytest.approx(18.0 / (18.0 + size_of_fluid))
    assert context.answer == answer
    assert context.answer_sentence.lower().startswith(answer)


def test_shares_give_the_rest_of_the_probability_to_rivals_and_unexplained():
    """Hand-solved: one finding held at 0.7 with a rival at 0.2 leaves 0.1 unexplained."""
    context = ask((load(0.7, rivals=(Rival("power", 0.2),)),))
    assert {s.cause: round(s.share, 9) for s in context.shares} == {
        "load": 0.7,
        "power": 0.2,
        "unexplained": 0.1,
    }
    assert sum(s.share for s in context.shares) == pytest.approx(1.0)
    assert all(0 <= s.low <= s.share <= s.high <= 1 for s in context.shares)


def test_share_range_sets_smallest_against_largest():
    """Hand-solved: load 18 (12 to 24), fluid 6 (3 to 9), both certain: 12 / (12 + 9) to 24 / (24 + 3)."""
    context = ask(
        (load(size=apply(18.0, 12.0, 24.0)), finding("fluid", 1.0, apply(6.0, 3.0, 9.0), rivals=())),
        clutches=(),
    )
    share = next(s for s in context.shares if s.cause == "load")
    assert (share.low, share.share, share.high) == pytest.approx((12 / 21, 0.75, 24 / 27))


def test_an_interval_through_zero_may_be_nothing():
    share = next(
        s
        for s in ask((load(size=apply(2.0, -4.0, 8.0)), finding("fluid", 1.0, apply(20.0)))).shares
        if s.asked
    )
    assert share.low == 0.0


def test_signals_are_weighed_by_their_noise():
    """Hand-solved: 6 kPa at a spread of 3 and 0.024 s at 0.012 are two noise units each."""
    size = (*apply(6.0), Effect("shift_time", "s", 0.024, 0.024, 0.024))
    context = ask((load(size=size), finding("fluid", 1.0, apply(12.0), rivals=())))
    assert next(s for s in context.shares if s.asked).share == pytest.approx(0.5)


def test_a_slow_drift_counts_with_the_distance_since():
    """Hand-solved: 24 000 km since the last snapshot before, at 5 kPa per 10 000 km: 12 kPa of 30, 40 %."""
    drift = finding("pressure", 1.0, apply(5.0), by=None, after=date(2025, 2, 1), rivals=())
    context = ask((load(), drift))
    assert next(s for s in context.shares if s.cause == "pressure").share == pytest.approx(0.4)


def test_changes_before_the_event_and_wear_are_not_shared_in():
    old = finding("power", 1.0, apply(50.0), after=date(2025, 3, 1), by=date(2025, 4, 1))
    wear = finding("wear", 0.9, (Effect("clutch_volume", "cm3", 4.0, 3.0, 5.0),), by=None)
    context = ask((load(), old, wear))
    assert [s.cause for s in context.shares] == ["load"]
    assert len(context.details) == 3


def test_nothing_moved_is_a_no_and_one_reading_is_too_early():
    context = ask(())
    assert context.answer == "no"
    assert context.picture is None
    assert context.answer_sentence == "No sudden change can be seen since 20 Nov 2025."
    assert context.besides == ()
    assert "made no step since" in context.because
    late = event("load", 2800.0, "kg", id_="E8", on=date(2026, 2, 20))
    assert ask((), "E8", events=(late,)).answer == "can't tell yet"


def test_cannot_tell_without_readings_or_with_a_share_known_too_badly():
    assert ask((load(),), date(2026, 4, 20)).answer == "can't tell yet"
    assert ask((load(),), with_fit=False, state="too_few").answer == "can't tell yet"
    wide = ask((load(size=apply(18.0, 1.0, 90.0)), finding("fluid", 1.0, apply(12.0, 1.0, 60.0), rivals=())))
    assert wide.answer == "can't tell yet"
    assert "too wide" in wide.because


def test_a_no_names_what_has_the_largest_part():
    context = ask((load(0.1, rivals=(Rival("power", 0.9),)),))
    assert context.answer == "no"
    assert "largest part goes to the power change (90" in context.because


def test_a_day_without_event_asks_for_any_known_cause():
    context = ask((finding("power", 0.9, apply(18.0), rivals=()),), date(2025, 11, 20), events=())
    assert "Is there an explanation" in context.question
    assert context.answer == "yes"
    assert context.answer_sentence == "Yes. The power change explains the change."


def test_learning_wear_and_coming_back():
    learning = ask((load(),), learn=2.0)
    assert "still learning in normal, tow and low" in learning.learning
    assert (
        learning.come_back == "After about 3 more of each shift not yet learned, at the latest by 3 Apr 2026."
    )
    done = ask((load(),))
    assert done.learning == "No, it has finished learning: every shift has had enough repeats since."
    assert done.come_back.startswith("At the next regular read-out, by 20 May 2026")
    worn = ask((load(),), clutches=(outlook("pack3", "due", 0.97, 900.0),))
    assert worn.wear.startswith("Yes. pack3 has used 97")
    assert worn.come_back.startswith("Now")
    assert "Have the clutch checked now" in worn.do[0]
    tied = ask((load(),), cautions=(caution("overlap"),))
    assert tied.do[0].startswith("Have it looked at before further hard use")
    assert ask((load(),), clutches=(), signals=("apply_trim",)).wear == (
        "Cannot be told: no fill volumes were read, and they are what shows clutch wear."
    )
    few = ask((), clutches=(), with_fit=False, state="too_few")
    assert few.wear == "Cannot be told: there are too few readings so far."


def test_trailer_is_called_so_where_the_log_says_trailer():
    assert next(s for s in ask((load(),)).shares).label == "the trailer"
    plain = replace(TRAILER, note="")
    assert next(s for s in ask((load(),), events=(plain,)).shares).label == "the load or trailer"


def test_files(tmp_path):
    made = analysis("U-07", findings=(load(),), step=LOAD_STEP, events=(TRAILER,))
    html, shares, data = write_explain(made, None, SETTINGS, tmp_path)
    assert [p.name for p in (html, shares, data)] == [
        f"explain-U-07-2025-11-20.{ending}" for ending in ("html", "csv", "json")
    ]
    assert "new trailer" in html.read_text("utf-8")
    rows = list(csv.DictReader(io.StringIO(shares.read_text("utf-8-sig"))))
    said = json.loads(data.read_text("utf-8"))["shares"]
    assert [(r["cause"], float(r["share"])) for r in rows] == [(s["cause"], s["share"]) for s in said]


def with_drift(made, signal, per_10000km, packs):
    """Let the shifts that apply some packs drift in one signal."""
    slope = np.array(
        [per_10000km if c.signal == signal and c.applies in packs else 0.0 for c in made.panel.cells]
    )
    return replace(made, fit=replace(made.fit, slope=slope, slope_se=np.full(len(slope), 1e-9)))


def test_wear_has_its_share_by_the_drift_of_the_shifts_that_apply_a_growing_pack():
    """Hand-solved: 3 kPa per 10 000 km is one noise unit; snapshots 10 and 14 are 24 000 km apart.

    Each such shift moved by 2.4 units; averaged over all 30 cells of the signal, against 6 units of load.
    """
    growing = (outlook("pack3", growth_interval=(0.2, 0.6)), outlook("pack1", growth_interval=(-0.1, 0.2)))
    made = analysis(findings=(load(),), step=LOAD_STEP, events=(TRAILER,), clutches=growing)
    cells = [c for c in made.panel.cells if c.signal == "apply_trim"]
    applying = sum(c.applies == "pack3" for c in cells)
    assert 0 < applying < len(cells) == 30
    shares = build_explain(with_drift(made, "apply_trim", 3.0, {"pack3", "pack1"}), "E7", SETTINGS).shares
    wear = 2.4 * applying / 30
    assert {s.cause: s.share for s in shares} == pytest.approx(
        {"load": 6 / (6 + wear), "wear": wear / (6 + wear)}
    )
    shrunk = replace(made, assessment=replace(made.assessment, clutches=growing[1:]))
    alone = build_explain(with_drift(shrunk, "apply_trim", 3.0, {"pack1"}), "E7", SETTINGS)
    assert [s.cause for s in alone.shares] == ["load"]
    assert "Nothing is put down to engine power, fluid or clutch wear." in alone.picture.says


def test_a_drift_that_is_explained_is_not_counted_again_as_wear():
    drift = finding("pressure", 0.9, apply(3.0), by=None, rivals=())
    made = analysis(
        findings=(load(), drift), step=LOAD_STEP, events=(TRAILER,),
        clutches=(outlook("pack3", growth_interval=(0.2, 0.6)),),
    )  # fmt: skip
    shares = build_explain(with_drift(made, "apply_trim", 3.0, {"pack3"}), "E7", SETTINGS).shares
    assert "wear" not in {s.cause for s in shares}


def test_one_visit_may_be_asked_about_as_a_whole_or_by_its_parts():
    """Hand-solved: load 18 and fluid 9 kPa, logged for one day: 100 % together, 2/3 and 1/3 apart."""
    visit = (TRAILER, event("fluid", None, "", id_="E8"))
    found = (load(), finding("fluid", 1.0, apply(9.0), event="E8", rivals=()))
    both = ask(found, None, events=visit)
    assert both.answer == "yes"
    assert "a change of load" in both.question
    assert "a fluid or filter service" in both.question
    assert ask(found, "E7", events=visit).answer == "mostly"
    assert ask(found, "E8", events=visit).answer == "partly"


def test_a_share_is_said_with_its_range_and_never_as_the_whole():
    assert share_words(0.75, 0.57, 0.89) == "75\u202f% (it could be 57\u202f% to 89\u202f%)"
    assert share_words(0.998, 0.996, 1.0) == "over 99\u202f%"
    assert share_words(1.0, 0.97, 1.0) == "over 99\u202f% (it could be 97\u202f% to over 99\u202f%)"


def test_a_range_whose_ends_are_said_alike_is_said_once():
    shares = (
        Share("load", "the trailer", 0.997, 0.993, 0.999, True),
        Share("unexplained", "not explained", 0.3, 0.2, 0.4, False),
    )
    rows = sharing(shares, "the change").table.rows
    assert [plain(row[2]) for row in rows] == ["over 99 %", "20 % to 40 %"]


DUE = outlook("pack3", "due", 0.95, 7100.0)
FALLING = finding("pressure", 0.97, apply(0.2), by=None, after=None, rivals=())
WORN = finding("wear", 0.9, (), by=None, clutch="pack5")
PLANNED = outlook("pack4", "plan", 0.88, 9000.0)
WATCHED = outlook("pack2", "watch", 0.67, 33000.0)


@pytest.mark.parametrize(
    ("findings", "clutches", "besides"),
    [
        ((), (DUE,), "pack3 has used 95 % of its allowance and needs service now"),
        (
            (),
            (outlook("pack4", "plan", 0.88, 9e3),),
            "pack4 has used 88 % of its allowance and needs service soon",
        ),
        ((), (WATCHED,), "pack2 has used 67 % of its allowance and wants watching"),
        ((), (outlook("pack2", "due", 1.02, 0.0),), "pack2 has reached its limit and needs service now"),
        ((WORN,), (outlook("pack5", used=0.72),), "pack5 has used 72 % of its allowance"),
        ((FALLING,), (), "the supply pressure seems to be falling"),
        ((replace(FALLING, cause="unexplained"),), (), "its values drift slowly"),
    ],
)
def test_no_change_is_not_all_well_where_something_else_goes_on(findings, clutches, besides):
    context = ask(findings, clutches=clutches)
    assert context.answer == "no"
    assert list(map(plain, context.besides)) == [besides]
    assert plain(context.answer_sentence) == (
        f"No sudden change can be seen since 20 Nov 2025, but something else goes on: {besides}."
    )
    page = render.page("explain.html", context)
    assert '<span class="mark">No, but something else goes on</span>' in page


def test_a_yes_is_qualified_by_what_presses_and_by_nothing_else():
    context = ask((load(),), clutches=(DUE, WATCHED))
    assert plain(context.answer_sentence) == (
        "Yes. The trailer explains the change. Something else goes on: pack3 has used 95 % of its allowance "
        "and needs service now."
    )
    page = render.page("explain.html", context)
    assert 'class="verdict v-wait"><span class="mark">Yes, and something else goes on</span>' in page
    assert ask((load(),), clutches=(WATCHED,)).besides == ()


def test_a_drift_that_has_its_share_is_not_told_twice():
    drift = finding("pressure", 0.97, apply(20.0), by=None, after=None, rivals=())
    assert ask((load(), drift)).besides == ()


@pytest.mark.parametrize(("findings", "clutches"), [((FALLING,), ()), ((WORN,), ()), ((), (DUE,))])
def test_values_that_a_drift_or_wear_moves_on_are_not_said_to_stay(findings, clutches):
    said = ask(findings, clutches=clutches).learning
    assert said.endswith("Its values go on moving slowly all the same: something wears or drifts.")
    uncounted = ask(findings, clutches=clutches, learn=float("nan")).learning
    assert uncounted.startswith("That cannot be told for certain")


def cleared(probability=0.99, **more):
    return finding("relearn", probability, **{"size": (), "event": "E7", "rivals": (), **more})


def test_cleared_values_that_came_back_are_the_explanation():
    """The values stand where they stood: there is no change left to share, and no entry is missing."""
    log = event("relearn", None, "")
    back = ask((cleared(),), events=(log,))
    assert back.answer == "yes"
    assert back.answer_sentence == "Yes. The learned values were cleared, and have come back."
    assert "almost certain (99" in back.because
    assert not any("missing" in step for step in back.do)
    coming = ask((cleared(),), events=(log,), learn=1.0)
    assert coming.answer_sentence.endswith("were cleared, and are coming back as it learns.")
    unlogged = ask((cleared(0.9, event=None),), date(2025, 11, 20), events=())
    assert unlogged.answer_sentence.startswith("Yes. The learned values were cleared")
    assert ask((cleared(0.7, event=None),), date(2025, 11, 20), events=()).answer == "no"
    worn = ask((cleared(),), events=(log,), clutches=(DUE,))
    assert "have come back. Something else goes on: pack3" in worn.answer_sentence


def test_a_missing_entry_is_asked_for_only_where_something_moved_that_no_entry_tells_of():
    fluid = finding("fluid", 1.0, apply(30.0), rivals=())

    def asks(*findings, **more):
        return any("an entry may be missing" in step for step in ask(findings, **more).do)

    assert not asks()
    assert asks(load(0.4))  # 0.6 of it is not explained
    assert asks(load(), fluid)
    assert not asks(load(), fluid, events=(TRAILER, event("fluid", None, "", id_="E8", on=date(2025, 12, 1))))
    assert not asks(load(), finding("pressure", 1.0, apply(20.0), by=None, rivals=()))


def test_a_load_taken_off_is_not_tested_by_taking_it_off():
    back = event("load", -2800.0, "kg", "trailer given back")
    gone = ask((load(size=apply(-18.0)),), events=(back,))
    assert gone.answer_sentence == "Yes. The trailer taken off explains the change."
    assert any(line.startswith("Some weeks with the load on again") for line in gone.would_change)
    assert not any("without the load" in line for line in gone.would_change)
    assert any(line.startswith("Some weeks without the load") for line in ask((load(),)).would_change)


def test_packs_near_their_limit_have_a_step_each():
    steps = [plain(step) for step in ask((load(),), clutches=(PLANNED,)).do]
    assert PLANNED.due_on["p10"] == date(2026, 4, 27)
    assert steps[0].startswith("Book a check of pack4 before 27 Apr 2026: fluid and pan, pressures")
    assert "for the maker's service literature and a licensed shop to say" in steps[0]
    passed = replace(PLANNED, due_on={**PLANNED.due_on, "p10": date(2026, 3, 1)})
    assert plain(ask((load(),), clutches=(passed,)).do[0]).startswith("Book a check of pack4 now:")
    assert ask((load(),), clutches=(passed,)).come_back.startswith("Now: a clutch may have reached its limit")
    assert ask((load(),), clutches=(PLANNED,)).come_back.startswith("By 27 Apr 2026: from then on")
    watch = ask((load(),), clutches=(WATCHED,)).do
    assert watch[0] == "Have pack2 looked at with the next service: fluid and pan, and its pressure."
    all_three = ask((load(),), clutches=(PLANNED, WATCHED, DUE)).do
    assert [step.split(" (")[0].split(" of ")[0] for step in all_three[:2]] == [
        "Have the clutch checked now",
        "Book a check",
    ]


def test_several_things_explain_and_one_explains():
    rebuild = event("rebuild", None, "")
    renewed = finding("rebuild", 1.0, apply(18.0), event="E7", rivals=())
    assert ask((renewed,), events=(rebuild,)).answer_sentence == "Yes. Renewed clutches explain the change."
    other = finding("power", 1.0, apply(30.0), rivals=())
    assert "Renewed clutches have a part in it" in ask((renewed, other), events=(rebuild,)).answer_sentence
    large = finding("power", 1.0, apply(300.0), rivals=())
    said = ask((renewed, large), events=(rebuild,)).answer_sentence
    assert said == "No. Renewed clutches do not explain it."
    unknown = ask((finding("unexplained", 0.9, apply(18.0), rivals=()),), date(2025, 11, 20), events=())
    assert unknown.answer_sentence == "No. No known cause explains it."


def test_words_that_the_page_does_not_use_are_not_explained():
    told = dict(ask((load(),)).about.terms)
    assert "limit" in told
    assert "settling" not in told
    assert "80 % range" not in told
    settling = ask((load(),), state="settling")
    assert "still settling" in settling.learning
    assert "settling" in dict(settling.about.terms)


def test_a_used_share_below_nothing_is_none():
    assert ask((load(),), clutches=(outlook("pack3", used=-0.01),)).wear == (
        "Nothing that matters now. No clutch has used any of its allowance yet."
    )
