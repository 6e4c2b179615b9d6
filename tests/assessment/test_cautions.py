"""Each caution from a minimal case, and none of them without it."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pandas as pd
import pytest

from driftwatch.assessment.cautions import cautions
from driftwatch.assessment.results import Caution, UnitAssessment
from driftwatch.changes.results import Change
from driftwatch.settings import Settings
from driftwatch.store.records import Records
from tests.assessment.units import AS_OF, analysis_of, plan, profile, records_of
from tests.panel.by_hand import EVENT_COLUMNS, cell, records, time_of
from tests.words import plain

COUNT = 16
LAST = time_of(COUNT - 1).date()
SHIFTS = [s.id for s in profile().shifts]
SIGNALS = ("apply_trim", "release_trim")


def base(change=None, counts=None, as_of: date = LAST) -> Records:
    """Ten shifts in two modes, apply and release, small noise; `change(values, at)` alters them in place.

    `values` is (T, 40); `at(signal, mode, shift)` gives a column.
    """
    names = [(s, m, shift) for s in SIGNALS for m in ("normal", "tow") for shift in SHIFTS]
    rng = np.random.default_rng(7)
    values = np.round(rng.normal(0.0, 8.0, len(names)) + rng.normal(0.0, 1.2, (COUNT, len(names))))
    learned = np.full(values.shape, 60.0)
    if change is not None:
        change(values, lambda *name: names.index(name))
    if counts is not None:
        counts(learned, lambda *name: names.index(name))
    rows = []
    for i, (signal, mode, shift) in enumerate(names):
        rows += cell(list(values[:, i]), list(learned[:, i]), mode=mode, channel=shift, signal=signal)
    return records(rows, COUNT, as_of=as_of)


def logged(made: Records, kind: str, at: pd.Timestamp) -> Records:
    entry = pd.DataFrame([("E0001", "A", at, kind, np.nan, "", "")], columns=EVENT_COLUMNS)
    return replace(made, events=entry.astype({"happened_at": "datetime64[us]", "amount": float}))


def said(made: Records, settings: Settings | None = None) -> UnitAssessment:
    return analysis_of(made, settings).assessment


def of_kind(assessment: UnitAssessment, kind: str) -> list[Caution]:
    return [c for c in assessment.cautions if c.kind == kind]


def test_an_ordinary_unit_has_no_cautions():
    assert said(base()).cautions == ()


def test_authority_where_a_value_is_at_the_end_of_its_range():
    def stuck(values, at):
        values[:, at("apply_trim", "normal", "2-3")] = 200.0

    assessment = said(base(stuck))
    found = of_kind(assessment, "authority")
    assert [c.channels for c in found] == [("2-3",)]
    assert "apply trim of 2-3 in normal mode" in found[0].sentence
    assert assessment.state == "attention"


def test_authority_ahead_where_a_value_is_on_its_way_there():
    # 4 kPa a snapshot of 4000 km: 10 per 10 000 km, at 185 now, so the end at 200 is 15 000 km away.
    def rising(values, at):
        values[:, at("apply_trim", "normal", "2-3")] = 185.0 - 4.0 * np.arange(COUNT - 1, -1, -1)

    def slower(values, at):
        values[:, at("apply_trim", "normal", "2-3")] = 100.0 - 4.0 * np.arange(COUNT - 1, -1, -1)

    found = of_kind(said(base(rising)), "authority")
    assert [c.channels for c in found] == [("2-3",)]
    assert "the first of them in about 15 000 km: apply trim of 2-3 in normal mode." in plain(
        found[0].sentence
    )
    assert of_kind(said(base(slower)), "authority") == []


def test_overlap_where_apply_and_release_of_one_shift_both_rose():
    ramp = 3.0 * np.arange(COUNT)

    def both(values, at):
        for signal in SIGNALS:
            values[:, at(signal, "normal", "2-3")] += ramp

    def one(values, at):
        values[:, at("apply_trim", "normal", "2-3")] += ramp

    def apart(values, at):
        values[:, at("apply_trim", "normal", "2-3")] += ramp
        values[:, at("release_trim", "normal", "2-3")] -= ramp

    def everywhere(values, at):
        values += ramp[:, None]

    found = of_kind(said(base(both)), "overlap")
    assert [c.channels for c in found] == [("2-3",)]
    assert "normal mode" in found[0].sentence
    for change in (one, apart, everywhere):
        assert of_kind(said(base(change)), "overlap") == [], change.__name__


def test_unlearned_where_a_mode_was_not_driven_since_a_logged_change():
    since = 10

    def tow_rests(learned, at):
        for signal in SIGNALS:
            for shift in SHIFTS:
                learned[since:, at(signal, "tow", shift)] = 0.0

    def tow_repeats(values, at):
        for signal in SIGNALS:
            for shift in SHIFTS:
                column = at(signal, "tow", shift)
                values[since:, column] = values[since - 1, column]

    entry = time_of(since) - pd.Timedelta(days=5)
    found = of_kind(said(logged(base(tow_repeats, tow_rests), "power", entry)), "unlearned")
    assert [c.channels for c in found] == [tuple(SHIFTS)]
    assert "tow mode" in found[0].sentence
    assert found[0].since == time_of(since - 1).date()
    assert of_kind(said(logged(base(), "power", entry)), "unlearned") == []
    assert of_kind(said(base(tow_repeats, tow_rests)), "unlearned") == []


def test_how_many_shifts_are_wanted_is_counted_and_a_setting():
    # Hand-solved: 4 shifts at the first snapshot after the change count half, then 3 more: 5 learned.
    def few(learned, at):
        for signal in SIGNALS:
            column = at(signal, "normal", "2-3")
            learned[14, column], learned[15, column] = 4.0, 3.0

    made = logged(base(counts=few), "repair", time_of(14) - pd.Timedelta(days=5))
    found = of_kind(said(made), "unlearned")
    assert [c.channels for c in found] == [("2-3",)]
    assert "2-3 (5 more)" in found[0].sentence
    assert of_kind(said(made, Settings().with_value("shifts_to_learn", 5)), "unlearned") == []


@pytest.mark.parametrize(("days", "stale"), [(0, False), (75, False), (76, True), (400, True)])
def test_stale_after_its_days(days, stale):
    assert bool(of_kind(said(base(as_of=LAST + timedelta(days=days))), "stale")) == stale


def test_data_where_a_recent_reading_contradicts_those_around_it():
    def slip(values, at):
        values[-2, at("apply_trim", "tow", "4-3")] += 90.0

    found = of_kind(said(base(slip)), "data")
    assert [c.channels for c in found] == [("4-3",)]
    assert "apply trim of 4-3 in tow mode" in found[0].sentence


def test_one_slip_long_ago_is_left_out_without_a_word_but_several_are_told():
    def once(values, at):
        values[3, at("apply_trim", "tow", "4-3")] += 90.0

    def often(values, at):
        for row, shift in ((3, "4-3"), (5, "1-2"), (7, "2-1")):
            values[row, at("apply_trim", "tow", shift)] += 90.0

    assert of_kind(said(base(once)), "data") == []
    assert set(of_kind(said(base(often)), "data")[0].channels) == {"4-3", "1-2", "2-1"}


def test_a_slip_is_no_finding():
    def slip(values, at):
        values[8, at("apply_trim", "tow", "4-3")] += 90.0

    assert said(base(slip)).findings == ()


def test_cells_that_learn_towards_a_new_base_do_not_overlap():
    # Apply and release trim of 2-3 rise together for months: an overlap, unless it began with a new base for
    # all cells, towards which a seldom-driven shift still learns.
    analysis = analysis_of(records_of(plan(), seed=3))
    panel, fit = analysis.panel, analysis.fit
    assert fit is not None
    trims = [
        i
        for i, c in enumerate(panel.cells)
        if c.signal in ("apply_trim", "release_trim") and (c.channel, c.mode) == ("2-3", "tow")
    ]
    fitted = fit.fitted.copy()
    fitted[10:, trims] += 12.0 * fit.noise_sd[trims] * np.linspace(0.1, 1.0, len(fitted) - 10)[:, None]
    rising = replace(fit, fitted=fitted, changes=())
    assert "overlap" in [c.kind for c in cautions(panel, rising, AS_OF, Settings())]
    assert "overlap" not in [c.kind for c in cautions(panel, rising, AS_OF, Settings(), new_base=9)]
    later = Change("step", 12, (12, 12), np.zeros(len(panel.cells)), 0.1 * fit.noise_sd, 100.0)
    later.effect[trims] = 10.0 * fit.noise_sd[trims]
    told = cautions(panel, replace(rising, changes=(later,)), AS_OF, Settings(), new_base=9)
    assert [c.channels for c in told if c.kind == "overlap"] == [("2-3",)]
