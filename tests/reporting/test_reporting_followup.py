"""The shop's report: verdict, maps, learning and drive plan on hand-made analyses."""

from __future__ import annotations

import csv
import io
from datetime import date

import numpy as np
import pytest
from reporting_factory import CHANGED_ON, LOAD_STEP, POWER_STEP, analysis, caution, event, finding, outlook

from driftwatch.errors import UnknownName, UsageError
from driftwatch.reporting.followup import build_followup, write_followup
from driftwatch.reporting.since import find_since
from driftwatch.settings import Settings

SETTINGS = Settings()


def after(since="E7", before=None, **more):
    values = {"unit": "U-07", "state": "changed", "step": POWER_STEP, "events": (event(),)}
    return build_followup(analysis(**{**values, **more}), before, since, SETTINGS)


def cells(context, signal):
    return next(m for m in context.maps if m.signal == signal)


def test_hand_over_when_all_moved_learned_and_no_clutch_is_due():
    context = after(findings=(finding(event="E7"),))
    assert context.verdict == "hand over"
    assert context.reason.startswith("The shifts moved as a change of power should")
    assert context.odd == ()
    assert context.plan == ()
    assert all(row.text == "learned" for row in context.learning)


def test_map_is_the_change_in_noise_units_with_sign():
    """Hand-solved: apply trims step by 18 kPa at a spread of 3: 6 noise units; release 12 / 3; cut 5 / 1."""
    context = after()
    for signal, units, level in (
        ("apply_trim", 6.0, "up-strong"),
        ("release_trim", 4.0, "up"),
        ("torque_cut", 5.0, "up"),
    ):
        chart = cells(context, signal)
        assert chart.modes == ("normal", "tow", "low")
        assert chart.channels[0] == "1-2"
        for row in chart.cells:
            assert [c.noise_units for c in row] == pytest.approx([units] * 3)
            assert {c.level for c in row} == {level}
    assert cells(context, "apply_trim").cells[0][0].text == "+6.0▲▲"
    assert all(c.level == "still" for row in cells(context, "shift_time").cells for c in row)


def test_growth_that_was_under_way_is_not_a_move():
    """The factory's packs grow 0.33 cm3 a snapshot at most; with that slope in the fit nothing has moved."""
    base = analysis("U", step=POWER_STEP, events=(event(),))
    growth = np.array([0.55 if c.channel == "pack3" else 0.1 for c in base.panel.cells]) * 0.6 * 10000 / 6000
    slope = np.where([c.signal == "clutch_volume" for c in base.panel.cells], growth, 0.0)
    object.__setattr__(base.fit, "slope", slope)
    chart = cells(build_followup(base, None, "E7", SETTINGS), "clutch_volume")
    assert [row[0].noise_units for row in chart.cells] == pytest.approx([0.0] * 5, abs=1e-9)


def test_drive_first_when_a_mode_was_not_driven():
    context = after(no_tow_after=True)
    assert context.verdict == "drive first"
    assert context.reason == "10 of 30 shifts have not learned yet (tow)."
    assert [step.mode for step in context.plan] == ["tow"]
    assert context.plan[0].rounds == (("a quarter throttle", 4), ("half throttle", 3), ("three quarters", 3))
    assert context.plan[0].sentence == (
        "In tow: all 10 shifts, 10 more each. Go up through the gears and back down 4 times at a quarter "
        "throttle, 3 times at half throttle and 3 times at three quarters. By its use so far that would take "
        "very long: drive it on purpose, if it is used at all."
    )
    tow = [row[1] for row in cells(context, "apply_trim").cells]
    assert {c.text for c in tow} == {"not read"}
    assert {row.text for row in context.learning if row.mode == "tow"} == {"not driven"}
    assert "full throttle" in " ".join(context.plan_cautions)


def test_wanted_shifts_follow_the_count():
    """Hand-solved: 2 shifts at each of 4 snapshots, the first halved: 1 + 2 + 2 + 2 = 7 of 10, so 3 more."""
    context = after(learn=2.0)
    assert {(row.shifts_seen, row.wants, row.text) for row in context.learning} == {(8, 3, "3 more")}
    # 2 shifts each 6000 km: 3 more are 9000 km.
    assert [row.km for row in context.learning] == pytest.approx([9000.0] * 30)


def test_counts_that_are_not_recorded_are_not_invented():
    context = after(learn=float("nan"))
    assert {row.text for row in context.learning} == {"not counted"}
    assert context.verdict == "hand over"
    assert "not counted" in context.reason
    assert "about 10" in context.plan[0].sentence


@pytest.mark.parametrize(
    ("more", "word"),
    [
        ({"cautions": (caution("overlap"),)}, "kind overlap"),
        ({"cautions": (caution("authority"),)}, "kind authority"),
        ({"cautions": (caution("data"),)}, "kind data"),
        ({"clutches": (outlook("pack3", "due", 0.97, 900.0),)}, "pack3 stands at"),
        ({"findings": (finding("pressure", 0.8, by=None),)}, "pressure change"),
        ({"findings": (finding("unexplained", 0.6),)}, "unexplained change"),
        ({"step": {**POWER_STEP, ("clutch_volume", "pack2", None): 3.0}}, "clutch volume"),
    ],
)
def test_inspect_first(more, word):
    context = after(**more)
    assert context.verdict == "inspect first"
    assert word in context.reason


def test_old_or_unlikely_findings_do_not_hold_the_vehicle():
    old = finding("unexplained", 0.9, after=date(2025, 3, 1), by=date(2025, 4, 1))
    assert after(findings=(old, finding("pressure", 0.3, by=None))).verdict == "hand over"


def test_a_cell_against_the_others_is_named():
    """3-4 normal goes down by 40 - 12 = 28 kPa, that is 28 / 3 = 9.3 noise units (hand-solved)."""
    context = after(step={**POWER_STEP, ("release_trim", "3-4", "normal"): -40.0})
    assert context.odd == (
        "Pressure trim of the off-going clutch, 3-4 normal: moves against the others (−9.3)",
    )
    chart = cells(context, "release_trim")
    cell = chart.cells[chart.channels.index("3-4")][0]
    assert cell.level == "down-strong"
    assert cell.odd
    assert "1 cell named below" in context.reason


def test_a_learned_cell_that_stays_behind_is_named_and_an_unlearned_one_is_not():
    step = {("apply_trim", None, None): 18.0, ("apply_trim", "2-3", "normal"): -18.0}
    assert "2-3 normal: stayed where it was" in after(step=step).odd[0]
    assert after(step=step, learn=1.0).odd == ()


def test_load_moves_tow_only_and_that_is_as_expected():
    context = after(step=LOAD_STEP, events=(event("load", 2800.0, "kg"),))
    assert context.verdict == "hand over"
    assert context.odd == ()
    assert "mainly in the mode that is driven loaded" in context.expected


def test_power_that_leaves_a_learned_mode_alone_is_said():
    context = after(step={("apply_trim", None, "normal"): 18.0, ("apply_trim", None, "tow"): 18.0})
    assert any("no shift moved in low" in line for line in context.odd)


def test_change_without_effect_is_said():
    assert "no effect so far" in after(step={}).reason


def test_nothing_read_since_or_before():
    since = build_followup(analysis("U"), None, date(2026, 4, 30), SETTINGS)
    assert since.verdict == "drive first"
    assert "Nothing has been read out since 30 Apr 2026" in since.reason
    before = build_followup(analysis("U"), None, date(2020, 1, 1), SETTINGS)
    assert before.verdict == "drive first"
    assert "nothing to compare" in before.reason


def test_too_few_readings_have_no_map_of_noise_units():
    context = after(with_fit=False, state="too_few", clutches=())
    assert context.verdict == "drive first"
    assert all(c.noise_units is None for m in context.maps for row in m.cells for c in row)
    assert context.clutch == (
        "No fill volumes were read, so nothing can be said of clutch wear from these readings.",
    )


def test_faster_growth_than_before_is_said():
    before = analysis("U-07", clutches=(outlook("pack3", growth=0.4),))
    now = after(before=before, clutches=(outlook("pack3", growth=1.2),))
    assert any("grows faster than before" in line for line in now.clutch)
    assert not any(
        "faster" in line for line in after(before=before, clutches=(outlook("pack3", growth=0.5),)).clutch
    )


def test_since_is_found_by_event_day_text_or_the_latest():
    panel = analysis("U", events=(event(), event("other", None, "", id_="E9", on=date(2026, 1, 2)))).panel
    for wanted in ("E7", CHANGED_ON, CHANGED_ON.isoformat(), None):
        assert find_since(panel, wanted).event.id == "E7"
    assert find_since(panel, "E7").cut == 11
    assert find_since(panel, date(2025, 5, 5)).event is None
    with pytest.raises(UnknownName, match="neither a logged event nor a day"):
        find_since(panel, "E999")
    with pytest.raises(UsageError, match="no event is logged"):
        find_since(analysis("U").panel, None)


def test_appendix_has_every_cell_as_read(tmp_path):
    made = analysis("U-07", step=POWER_STEP, events=(event(),))
    context = build_followup(made, None, "E7", SETTINGS)
    assert len(context.appendix.rows) == len(made.panel.cells) == 125
    assert len(context.snapshots.rows) == 15
    assert [row[1] for row in context.snapshots.rows].count("since") == 4
    html, table, _ = write_followup(made, None, "E7", SETTINGS, tmp_path)
    assert (html.name, table.name) == ("followup-U-07-2025-11-20.html", "followup-U-07-2025-11-20.csv")
    rows = list(csv.DictReader(io.StringIO(table.read_text("utf-8-sig"))))
    assert len(rows) == 125
    first = next(r for r in rows if (r["signal"], r["channel"], r["mode"]) == ("apply_trim", "1-2", "normal"))
    assert (float(first["change"]), float(first["noise_units"]), first["unit"]) == (18.0, 6.0, "kPa")


def test_two_things_done_in_one_visit_are_expected_together():
    """Power moves release trims and torque cut; the fluid entry of the same day does not make that odd."""
    visit = (event("fluid", None, "", id_="E6"), event())
    context = after(since=None, events=visit)
    assert context.odd == ()
    assert context.verdict == "hand over"
    assert "a fluid or filter service and a change of engine power" in context.change.lower()
    assert "Fresh fluid" in context.expected
    assert "engine power" in context.expected
    assert after(since="E6", events=(event("fluid", None, "", id_="E6"),)).odd
