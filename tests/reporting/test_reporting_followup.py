"""The shop's report: verdict, maps, learning and drive plan on hand-made analyses."""

from __future__ import annotations

import csv
import io
from dataclasses import replace
from datetime import date

import numpy as np
import pytest
from reporting_factory import CHANGED_ON, LOAD_STEP, POWER_STEP, analysis, caution, event, finding, outlook

from driftwatch.assessment.results import Effect
from driftwatch.changes.results import Change
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
    # The map shows kPa, as its heading says: of a noise of 3 kPa, whole ones.
    assert (cells(context, "apply_trim").unit, cells(context, "apply_trim").cells[0][0].text) == (
        "kPa",
        "+18▲▲",
    )
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
    assert {c.text for c in tow} == {"none since"}  # old values repeated
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
        "Pressure trim of the off-going clutch, 3-4 normal: moves against the others (−28\u00a0kPa)",
    )
    chart = cells(context, "release_trim")
    cell = chart.cells[chart.channels.index("3-4")][0]
    assert cell.level == "down-strong"
    assert cell.odd
    assert "but for 3-4 (what to check first: below)" in context.reason
    assert context.reasons == context.checks
    assert "3-4 (normal) moved against the others. Road-test it gently" in context.checks[0]


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
    few = {"with_fit": False, "state": "too_few", "clutches": ()}
    context = after(**few)
    assert context.verdict == "drive first"
    assert all(c.noise_units is None for m in context.maps for row in m.cells for c in row)
    assert context.clutch == (
        "Nothing can be said of clutch wear: there are too few readings so far (fill volumes: 15 readings).",
    )
    assert context.overlap == ("Too few readings yet to tell.",)
    assert context.would_change[0].startswith("More readings-out")
    assert after(**few, signals=("apply_trim",)).clutch == (
        "Nothing can be said of clutch wear: no fill volumes were read.",
    )


def test_a_profile_without_limits_is_not_called_too_few_readings():
    known = analysis("U-07").panel.profile
    free = tuple(replace(c, service_limit_cm3=None, limit_clearance_mm=None) for c in known.clutches)
    assert after(clutches=(), profile=replace(known, clutches=free)).clutch == (
        "Nothing can be said of clutch wear: the profile has no limit for the packs that were read.",
    )


def test_what_was_read_since_only_is_not_called_unread():
    context = build_followup(analysis("U"), None, date(2020, 1, 1), SETTINGS)
    chart = cells(context, "apply_trim")
    assert chart.says == "Nothing can be compared: no cell was read before the change."
    assert {c.text for row in chart.cells for c in row} == {"none before"}
    assert all(c.after is not None for row in chart.cells for c in row)


def test_faster_growth_than_before_is_said():
    before = analysis("U-07", clutches=(outlook("pack3", growth=0.4),))
    now = after(before=before, clutches=(outlook("pack3", growth=1.2),))
    assert any("grows faster than before" in line for line in now.clutch)
    assert now.verdict == "hand over"  # far from its limit: named, not held
    assert "keep in view: pack3 grows faster than before the change: 1.2 against 0.40 cm³" in now.reason
    assert not any(
        "faster" in line for line in after(before=before, clutches=(outlook("pack3", growth=0.5),)).clutch
    )


def test_a_pack_soon_at_its_limit_is_not_handed_over_as_fine():
    plan = after(clutches=(outlook("pack3", "plan", 0.88, 13000.0),))
    assert plan.verdict == "inspect first"
    assert "88\u202f% of its allowance is used." in plan.reason
    assert "Check it before the vehicle goes and book it: fluid, pan and magnet" in plan.reason
    watch = after(clutches=(outlook("pack3", "watch", 0.6, 33000.0),))
    assert watch.verdict == "hand over"
    assert "keep in view: pack3 has used 60\u202f% of its allowance." in watch.reason
    # In view, and faster since the change: look why.
    before = analysis("U-07", clutches=(outlook("pack3", growth=0.1),))
    faster = after(before=before, clutches=(outlook("pack3", "watch", 0.6, 33000.0, growth=0.9),))
    assert faster.verdict == "inspect first"
    assert "pack3 grows faster than before the change: 0.90 against 0.10 cm³" in faster.reason


def test_wear_that_is_found_is_named_with_the_hand_over():
    worn = after(
        findings=(finding("wear", 0.8, by=None, clutch="pack3"),), clutches=(outlook("pack3", used=0.55),)
    )
    assert worn.verdict == "hand over"
    assert "keep in view: pack3 has used 55\u202f% of its allowance." in worn.reason


def drifting(per_10000km, **more):
    """A unit with one slope in all apply trims, in the fit and in its course."""
    made = analysis("U-07", events=(event(),), **more)
    panel, fit = made.panel, made.fit
    slope = np.where([c.signal == "apply_trim" for c in panel.cells], per_10000km, 0.0)
    course = fit.fitted + np.outer((panel.odometer_km - panel.odometer_km[0]) / 10000.0, slope)
    fit = replace(fit, slope=slope, slope_se=np.full(len(slope), 0.1), fitted=course)
    return replace(made, fit=fit, panel=replace(panel, values=np.round(course)))


def test_a_slow_drift_is_said_and_is_no_sudden_change():
    """Hand-solved: snapshots 10 and 14 are 24 000 km apart; 8 kPa per 10 000 km take a trim 19.2 kPa up."""
    context = build_followup(drifting(8.0), None, "E7", SETTINGS)
    chart = cells(context, "apply_trim")
    for cell in (c for row in chart.cells for c in row):
        assert (cell.change, cell.drift) == (pytest.approx(0.0, abs=1e-9), pytest.approx(19.2))
        assert (cell.text, cell.drift_text, cell.level) == ("0", "+19", "still")
    assert chart.says.startswith("At once: none of 30 cells compared moved by more than chance. Slowly, from")
    assert "together they rose by 19\u00a0kPa on average, 30 of 30 cells beyond chance each" in chart.says
    assert "Some values also moved slowly since" in context.reason
    assert "no drift beyond chance" in cells(context, "torque_cut").says
    row = next(r for r in context.appendix.rows if r[1:3] == ("1-2", "normal"))
    assert row[7:] == ("0", "+19", "kPa", "0.0")


def test_a_drift_that_no_cell_shows_by_itself_is_said_of_all():
    """Hand-solved: 2 kPa per 10 000 km make 4.8 kPa, 1.6 noise units."""
    chart = cells(build_followup(drifting(2.0), None, "E7", SETTINGS), "apply_trim")
    assert "together they rose by 4.8\u00a0kPa on average, no cell beyond chance by itself" in chart.says
    assert all(not c.drift_text for row in chart.cells for c in row)


def test_a_change_of_pace_at_the_change_is_drift_and_no_jump():
    """Hand-solved: bent at snapshot 11, so from snapshot 10 on: 24 000 km at 4 cm3 per 10 000 km are 9.6."""
    base = drifting(0.0)
    km = base.panel.odometer_km
    pace = np.where([c.channel == "pack4" for c in base.panel.cells], 4.0, 0.0)
    bend = Change("bend", 11, (11, 11), pace, np.full(len(pace), 0.1), 9.0)
    course = base.fit.fitted + np.outer(np.maximum(km - km[10], 0.0) / 10000.0, pace)
    made = replace(base, fit=replace(base.fit, fitted=course, changes=(bend,)))
    context = build_followup(made, None, "E7", SETTINGS)
    chart = cells(context, "clutch_volume")
    pack4 = chart.cells[chart.channels.index("pack4")][0]
    # The factory's own growth of 0.06 cm3 a snapshot is in no slope here, and stays a change: 0.24.
    assert (pack4.drift, pack4.change) == (pytest.approx(9.6), pytest.approx(0.24))
    assert (pack4.drift_text, pack4.level, pack4.odd) == ("+9.6", "still", "")
    assert "pack4 rose by 9.6\u00a0cm³" in chart.says


def test_what_the_cells_did_only_together_is_said_so():
    size = (Effect("shift_time", "s", 0.014, 0.007, 0.021), Effect("torque_cut", "%", 0.1, -0.2, 0.4))
    context = after(findings=(finding(event="E7", size=size),))
    assert cells(context, "shift_time").says.startswith(
        "At once: none of 30 cells by itself by more than chance; together they rose by about "
        "0.014\u00a0s (0.007 to 0.021)."
    )
    unlike = after(findings=(finding("fluid", by=date(2025, 8, 1), after=date(2025, 7, 1), size=size),))
    assert "none of 30 cells compared moved" in cells(unlike, "shift_time").says


def test_one_shift_that_stays_behind_is_a_check_and_not_a_visit():
    """As six cells of 125 it would be beyond chance; it is one shift."""
    step = {**POWER_STEP, **{(s, "3-4", None): -size for (s, *_), size in POWER_STEP.items()}}
    context = after(step=step)
    assert context.verdict == "hand over"
    assert len(context.odd) == 9
    assert "but for 3-4 (what to check first: below)" in context.reason
    assert len(context.checks) == 1
    assert context.checks[0].startswith("3-4 (normal, tow and low) stayed where it was")
    assert "Road-test it under load before the hand-over" in context.checks[0]
    many = {
        **POWER_STEP,
        **{
            (s, shift, None): -size for shift in ("1-2", "2-3", "3-4") for (s, *_), size in POWER_STEP.items()
        },
    }
    behind = after(step=many)
    assert behind.verdict == "inspect first"
    assert behind.reason.startswith(
        "3 shifts stayed where they were while the others moved (1-2, 2-3 and 3-4)"
    )


def test_a_pack_renewed_later_is_not_laid_to_this_change():
    """A rebuild in the year after moves the volume; only the first reading since tells of the change."""
    made = analysis("U-07", step=POWER_STEP, events=(event(),))
    at = [c.signal == "clutch_volume" for c in made.panel.cells].index(True)
    course = made.fit.fitted.copy()
    course[13:, at] -= 5.0
    context = build_followup(replace(made, fit=replace(made.fit, fitted=course)), None, "E7", SETTINGS)
    cell = cells(context, "clutch_volume").cells[0][0]
    assert (cell.level, cell.odd, context.verdict) == ("down-strong", "", "hand over")


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
    assert float(first["drift"]) == 0.0


def test_the_appendix_and_tables_show_values_as_they_were_read():
    """Both sides are the last reading, packs too, with the decimals of the controller's steps."""
    made = analysis("U-07", step=POWER_STEP, events=(event(),))
    steps = {s.name: s.resolution for s in made.panel.profile.signals}
    step = np.array([steps[c.signal] for c in made.panel.cells])
    values = np.round(made.panel.values / step) * step
    context = build_followup(replace(made, panel=replace(made.panel, values=values)), None, "E7", SETTINGS)
    places = {"clutch_volume": 1, "apply_trim": 0, "release_trim": 0, "shift_time": 3, "torque_cut": 1}
    for i, (cell, row) in enumerate(zip(made.panel.cells, context.appendix.rows, strict=True)):
        assert (row[4], row[6]) == ("6 Nov 2025", "6 Mar 2026")  # snapshots 10 and 14
        for text, at in ((row[3], 10), (row[5], 14)):
            assert text == f"{values[at, i] + 0.0:.{places[cell.signal]}f}".replace("-", "\u2212")
    volumes = next(c for c in context.charts if c.id == "volumes")
    assert volumes.table.rows[0][2] == f"{values[0, 0]:.1f}"


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
