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
    assert "not moved" in context.because
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
    assert done.learning.startswith("No, it has finished")
    assert done.come_back.startswith("At the next regular read-out, by 20 May 2026")
    worn = ask((load(),), clutches=(outlook("pack3", "due", 0.97, 900.0),))
    assert worn.wear.startswith("Yes. pack3 has used 97")
    assert worn.come_back.startswith("Now")
    assert "Have the clutch checked now" in worn.do[0]
    tied = ask((load(),), cautions=(caution("overlap"),))
    assert tied.do[0].startswith("Have it looked at before further hard use")
    assert "Cannot be told" in ask((load(),), clutches=()).wear


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
