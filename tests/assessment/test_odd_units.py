"""Units of which little, or something odd, was read: nothing breaks, and nothing is made up."""

from __future__ import annotations

import json
import warnings
from dataclasses import replace
from datetime import date
from functools import lru_cache

import numpy as np
import pandas as pd
import pytest
from scipy.stats import binom

import driftwatch
from driftwatch.assessment.assess import analyse
from driftwatch.assessment.results import UnitAssessment
from driftwatch.settings import Settings
from driftwatch.simulate import Action, LogEntry
from driftwatch.store.records import Records
from tests.assessment.test_small_stores import together
from tests.assessment.units import analysis_of, fleet_of, likely, plan, profile, records_of, said_of

DAY = 400.0
POWER = Action("power", DAY, 25.0)
WEAR = Action("wear", 0.0, 0.7, packs=("pack3",))
KPA_PER_PSI, KM_PER_MILE, CM3_PER_IN3 = 6.894757293168361, 1.609344, 16.387064  # NIST SP 811, appendix B
SIGNALS = tuple(s.name for s in profile().signals)


def judged(records: Records) -> UnitAssessment:
    return analysis_of(records).assessment


def with_values(records: Records, values: np.ndarray) -> Records:
    return replace(records, readings=records.readings.assign(value=values))


@lru_cache(maxsize=1)
def changed() -> Records:
    return records_of(plan(POWER, WEAR, log=(LogEntry(DAY, "power", 120.0, "N.m"),)))


# --- signals that were not recorded ---------------------------------------------------------------------


@pytest.mark.parametrize("signal", SIGNALS)
def test_a_unit_with_one_signal_alone_is_assessed(signal):
    said = said_of(POWER, WEAR, signals=(signal,))
    assert said.snapshots == 24
    assert {e.signal for f in said.findings for e in f.size} <= {signal}
    assert bool(said.clutches) == (signal == "clutch_volume")


def test_of_a_unit_with_volumes_alone_wear_is_told_and_nothing_of_its_shifts():
    said = said_of(WEAR, signals=("clutch_volume",))
    assert [(f.cause, f.clutch) for f in likely(said)] == [("wear", "pack3")]
    quiet = said_of(signals=("clutch_volume",))
    assert likely(quiet) == []
    assert quiet.state == "steady"


def test_a_pack_that_grows_in_a_rush_is_worn_and_nothing_unexplained():
    # Between two snapshots one pack's volume grows by a third of its allowance, and nothing else changes.
    records = records_of(plan())
    rows, pack = records.readings, profile().clutch("pack3")
    later = rows["taken_at"] > rows["taken_at"].quantile(0.5)
    here = (rows["signal"] == "clutch_volume") & (rows["channel"] == "pack3") & later
    allowance = (pack.limit_cm3 or 0.0) - (pack.new_volume_cm3 or 0.0)
    said = judged(with_values(records, np.asarray(rows["value"] + here * 0.4 * allowance)))
    assert [(f.cause, f.clutch) for f in likely(said)] == [("wear", "pack3")]


@pytest.mark.parametrize("signals", [("clutch_volume",), ("apply_trim",)])
def test_a_whole_store_of_such_units_is_assessed(signals):
    # Noise and growth are learned from the unit itself here; nobody else has anything to say.
    said = analyse(records_of(plan(WEAR, signals=signals)), Settings())[0].assessment
    assert said.snapshots == 24
    assert all(0.0 <= f.probability <= 1.0 for f in said.findings)


# --- few snapshots --------------------------------------------------------------------------------------


@pytest.mark.parametrize("count", [0, 1, 2, 4])
def test_too_few_snapshots_say_so_and_nothing_else(count):
    records = changed()
    first = records.snapshots["taken_at"].sort_values().head(count)
    early = replace(
        records,
        snapshots=records.snapshots[records.snapshots["taken_at"].isin(first)],
        readings=records.readings[records.readings["taken_at"].isin(first)],
    )
    said = analyse(early, Settings())[0].assessment
    assert (said.state, said.snapshots, said.findings, said.clutches) == ("too_few", count, (), ())


def test_at_the_least_number_that_can_be_set_units_are_assessed():
    settings = Settings().with_value("least_snapshots", 3)
    said = said_of(settings=settings, snapshot_days=np.arange(3) * 30.0)
    assert said.state != "too_few"
    assert likely(said) == []


# --- values that hardly move, are coarse, or are missing ------------------------------------------------


def test_values_that_never_move_are_steady():
    # Learn counts stay as they were: something was learned each time, and it was the same.
    records = records_of(plan())
    whole = records.readings
    still = whole.groupby(["mode", "channel", "signal"], observed=True)["value"].transform("first")
    said = judged(with_values(records, still.to_numpy()))
    assert likely(said) == []
    assert said.state == "steady"


def test_coarse_values_tell_the_same_change():
    # Whole steps of 5 kPa: a change of 25 is five steps.
    records = changed()
    trim = records.readings["signal"].isin(["apply_trim", "release_trim"]).to_numpy()
    value = records.readings["value"].to_numpy()
    coarse = with_values(records, np.where(trim, 5.0 * np.round(value / 5.0), value))
    then, now = judged(records), judged(coarse)
    assert {f.cause for f in likely(now)} == {f.cause for f in likely(then)} == {"power", "wear"}


def test_cells_missing_here_and_there_leave_the_findings():
    records = changed()
    kept = np.random.default_rng(4).random(len(records.readings)) < 0.7
    holes = replace(records, readings=records.readings[kept].reset_index(drop=True))
    then, now = judged(records), judged(holes)
    assert {(f.cause, f.clutch, f.event) for f in likely(now)} == {
        (f.cause, f.clutch, f.event) for f in likely(then)
    }


def test_a_shift_that_was_never_read_leaves_the_findings_and_is_not_named():
    records = changed()
    gone = replace(records, readings=records.readings[records.readings["channel"] != "2-3"])
    said = judged(gone)
    assert {f.cause for f in likely(said)} == {"power", "wear"}
    assert all("2-3" not in f.shifts for f in said.findings if f.cause == "power")


def test_one_shift_that_reads_like_another_changes_no_finding():
    records = changed()
    readings = records.readings
    key = ["taken_at", "mode", "signal"]
    first, second = (s.id for s in profile().shifts[:2])
    like = readings[readings["channel"] == first].set_index(key)["value"]
    here = (readings["channel"] == second).to_numpy()
    copied = like.reindex(readings.loc[here].set_index(key).index).to_numpy()
    value = readings["value"].to_numpy().copy()
    value[here] = copied
    assert np.isfinite(copied).all()
    then, now = likely(judged(records)), likely(judged(with_values(records, value)))
    assert [(f.cause, f.clutch, f.event, f.after, f.by) for f in now] == [
        (f.cause, f.clutch, f.event, f.after, f.by) for f in then
    ]


# --- the same unit in miles, psi and cubic inches -------------------------------------------------------


def test_a_file_in_miles_psi_and_cubic_inches_is_the_same_unit(tmp_path):
    fleet = fleet_of(plan(POWER, log=(LogEntry(DAY, "power", 120.0, "N.m"),), modes=("normal",)))
    rows = fleet.snapshots.astype({"unit": str, "mode": str, "channel": str, "signal": str})
    units = {s.name: s.unit for s in profile().signals}
    turned = {"kPa": ("psi", KPA_PER_PSI), "cm3": ("in3", CM3_PER_IN3)}
    unit = rows["signal"].map(units)
    si = rows.assign(value_unit=unit)
    factor = unit.map({u: f for u, (_, f) in turned.items()}).fillna(1.0)
    other = rows.assign(
        value=rows["value"] / factor,
        value_unit=unit.map({u: name for u, (name, _) in turned.items()}).fillna(unit),
        odometer_mi=rows["odometer_km"] / KM_PER_MILE,
    ).drop(columns="odometer_km")
    said = []
    for name, frame in (("si", si), ("other", other)):
        folder = tmp_path / name
        folder.mkdir()
        fleet.units[["unit", "profile"]].to_csv(folder / "units.csv", index=False)
        frame.to_csv(folder / "snapshots.csv", index=False)
        fleet.events.to_csv(folder / "events.csv", index=False)
        with driftwatch.open(folder / "x.duckdb", create=True) as store:
            for kind in ("units", "snapshots", "events"):
                report = store.import_file(folder / f"{kind}.csv")
                assert report.quarantined == 0, (name, kind)
            said.append(store.assess(as_of=date(2025, 12, 15)).units[0])
    a, b = said
    assert [(f.cause, f.after, f.by, f.event, f.shifts) for f in b.findings] == [
        (f.cause, f.after, f.by, f.event, f.shifts) for f in a.findings
    ]
    assert "power" in {f.cause for f in likely(a)}
    for x, y in zip(a.findings, b.findings, strict=True):
        assert y.probability == pytest.approx(x.probability, abs=1e-6)
        assert [e.estimate for e in y.size] == pytest.approx([e.estimate for e in x.size], rel=1e-5)
    assert b.odometer_km == pytest.approx(a.odometer_km)
    for c, d in zip(a.clutches, b.clutches, strict=True):
        assert d.volume_cm3 == pytest.approx(c.volume_cm3, rel=1e-6)
        assert d.service == c.service


def test_a_store_whose_values_never_move_is_assessed():
    records = records_of(plan())
    cells = records.readings.groupby(["mode", "channel", "signal"], observed=True)
    still = with_values(records, cells["value"].transform("first").to_numpy(float))
    assert analyse(still, Settings())[0].assessment.state == "steady"


@pytest.mark.parametrize("seed", [3, 4])
def test_a_pack_renewed_begins_a_new_life_where_volumes_are_all_that_is_read(seed):
    worn = Action("wear", 0.0, 1.6, packs=("pack3",))
    renewed = Action("rebuild", DAY, packs=("pack3",))
    said = analysis_of(records_of(plan(worn, renewed, signals=("clutch_volume",)), seed)).assessment
    life = {c.clutch: c.life_start for c in said.clutches}
    # With five series a step and the bends of the wear before it can stand for one another a little.
    assert 12 <= life["pack3"] <= 14
    assert life["pack1"] == 0


# --- what a user may really have, as a store of its own; numpy's warnings are errors ----------------------


def alone(records: Records, settings: Settings | None = None) -> UnitAssessment:
    """Assess the first unit; what is known of noise and wear comes from these records alone."""
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        said = analyse(records, settings or Settings())[0].assessment
    json.dumps(said.to_dict(), allow_nan=False)
    return said


def kept(records: Records, rows: pd.Series) -> Records:
    return replace(records, readings=records.readings[rows].reset_index(drop=True))


def early(records: Records, count: int) -> Records:
    """Give the first snapshots alone."""
    first = records.snapshots["taken_at"].sort_values().head(count)
    return replace(
        kept(records, records.readings["taken_at"].isin(first)),
        snapshots=records.snapshots[records.snapshots["taken_at"].isin(first)],
    )


def one_cell(records: Records, signal: str) -> Records:
    cell = ["signal", "channel", "mode"]
    first = records.readings.loc[records.readings["signal"] == signal, cell].iloc[0]
    return kept(records, (records.readings[cell] == first).all(axis=1))


def slowly(records: Records, km: float) -> Records:
    """The odometer moves so many km from one snapshot to the next."""
    odometer = 50_000.0 + km * np.arange(len(records.snapshots))
    return replace(records, snapshots=records.snapshots.assign(odometer_km=odometer))


@pytest.mark.parametrize("times", [0, 1, 4])
def test_snapshots_in_which_nothing_was_read_do_not_count(times):
    # The log has an entry, of which nothing can be learned.
    records = changed()
    first = records.snapshots["taken_at"].sort_values().head(times)
    said = alone(kept(records, records.readings["taken_at"].isin(first)))
    assert (said.state, said.findings, said.clutches) == ("too_few", (), ())
    assert said.snapshots == 24
    assert "only 24" not in said.sentence


@pytest.mark.parametrize("signal", SIGNALS)
def test_a_signal_read_in_one_snapshot_alone_leaves_the_findings(signal):
    records = changed()
    rows = records.readings
    once = (rows["signal"] != signal) | (rows["taken_at"] == rows["taken_at"].max())
    with_it, without = alone(kept(records, once)), alone(kept(records, rows["signal"] != signal))
    told = [{(f.cause, f.clutch, f.event) for f in likely(said)} for said in (with_it, without)]
    assert told[0] == told[1]


@pytest.mark.parametrize("km", [0.0, 0.5, 5.0])
def test_where_the_odometer_hardly_moves_no_pack_is_due_for_it(km):
    said = alone(slowly(records_of(plan()), km))
    assert (said.state, likely(said)) == ("steady", [])
    assert {c.service for c in said.clutches} == {"clear"}
    told = [c.sentence for c in said.cautions if c.kind == "data"]
    assert len(told) == 1
    assert "how fast the clutches wear cannot be told" in told[0]
    if km:
        worn = alone(slowly(records_of(plan(WEAR)), km))
        assert ("wear", "pack3") in {(f.cause, f.clutch) for f in likely(worn)}


def test_an_odometer_that_moves_as_usual_is_worth_no_word():
    assert [c for c in alone(records_of(plan())).cautions if c.kind == "data"] == []


@pytest.mark.parametrize("count", [5, 24])
@pytest.mark.parametrize("signal", ["apply_trim", "shift_time", "clutch_volume"])
def test_one_cell_alone_is_quiet(signal, count):
    # The stated rate is one unit in twenty with a change that is none; binomial, 99 %.
    false = 0
    for seed in range(3, 9):
        said = alone(early(one_cell(records_of(plan(), seed), signal), count))
        assert said.state != "too_few"
        false += bool(likely(said))
    assert false <= binom.ppf(0.99, 6, 0.05)


def test_a_store_of_three_snapshots_makes_no_findings_of_noise():
    settings = Settings().with_value("least_snapshots", 3)
    said = [alone(early(records_of(plan(), seed), 3), settings) for seed in range(3, 13)]
    assert sum(bool(likely(s)) for s in said) <= binom.ppf(0.99, 10, 0.05)


def test_counts_that_are_all_nought_make_no_relearn_of_a_change():
    records = records_of(plan(POWER))
    nought = replace(records, readings=records.readings.assign(learn_count=0.0))
    assert [f.cause for f in likely(alone(nought))] == ["power"]


def test_temperatures_that_were_never_read_leave_the_findings():
    records = changed()
    unread = replace(records, snapshots=records.snapshots.assign(fluid_temp_c=np.nan))
    assert {(f.cause, f.clutch, f.event) for f in likely(alone(unread))} == {
        (f.cause, f.clutch, f.event) for f in likely(alone(records))
    }


def test_two_units_with_the_same_readings_are_said_the_same_of():
    twins = together(records_of(plan(POWER, WEAR)), records_of(plan(POWER, WEAR)))
    one, two = (a.assessment for a in analyse(twins, Settings()))
    assert {**two.to_dict(), "unit": one.unit} == one.to_dict()
    assert {f.cause for f in likely(one)} == {"power", "wear"}


def copied(records: Records, *key: str) -> Records:
    """All shift values of one key have that of the first of them: a tool that gives one value for all."""
    rows = records.readings
    first = rows.groupby(["taken_at", "signal", *key], observed=True)["value"].transform("first")
    return with_values(records, np.where(rows["signal"] == "clutch_volume", rows["value"], first))


@pytest.mark.parametrize("key", [(), ("mode",)])
def test_shifts_that_all_read_alike_are_no_many_witnesses_of_noise(key):
    # The stated rate is one unit in twenty with a change that is none; binomial, 99 %.
    said = [alone(copied(records_of(plan(), seed), *key)) for seed in range(6)]
    assert sum(bool(likely(s)) for s in said) <= binom.ppf(0.99, 6, 0.05)
    (told,) = [c for c in said[0].cautions if c.kind == "data"]
    assert told.sentence.startswith("These values read the same as others at every snapshot")
    assert set(told.channels) == {s.id for s in profile().shifts}


def test_a_change_of_shifts_that_all_read_alike_is_told_of_all_of_them():
    (found,) = likely(alone(copied(records_of(plan(POWER, log=(LogEntry(DAY, "power", 120.0, "N.m"),))))))
    assert (found.cause, found.event) == ("power", "E0001")
    assert found.modes == profile().modes
    assert found.shifts == tuple(s.id for s in profile().shifts)


def test_what_was_fitted_of_a_value_is_fitted_of_all_that_read_like_it():
    analysis = analyse(copied(records_of(plan(POWER))), Settings())[0]
    panel, fit = analysis.panel, analysis.fit
    trims = [i for i, c in enumerate(panel.cells) if c.signal == "apply_trim"]
    for fitted in (
        fit.fitted,
        fit.fitted_se,
        fit.slope[None],
        fit.noise_sd[None],
        fit.changes[0].effect[None],
    ):
        np.testing.assert_array_equal(fitted[:, trims], fitted[:, trims[:1]] * np.ones(len(trims)))
    # What was read stays usable: nothing of it is an old value repeated.
    assert panel.usable[:, trims].any(axis=0).all()


def test_a_snapshot_that_was_noted_in_psi_is_no_relearn():
    # Trims far from zero, as those of a controller that learns from a rough table are.
    records = records_of(plan())
    rows = records.readings
    trims = rows["signal"].isin(["apply_trim", "release_trim"])
    far = np.random.default_rng(4).choice([-35.0, 35.0], len(rows.groupby(["signal", "channel", "mode"])))
    value = rows["value"] + far[rows.groupby(["signal", "channel", "mode"]).ngroup()] * trims
    here = trims & (rows["taken_at"] == sorted(rows["taken_at"].unique())[12])
    said = judged(with_values(records, np.asarray(value.where(~here, (value / KPA_PER_PSI).round(1)))))
    assert likely(said) == []
    (told,) = [c for c in said.cautions if c.kind == "data"]
    assert "(in psi, not kPa)" in told.sentence
    assert set(told.channels) == {s.id for s in profile().shifts}


@pytest.mark.parametrize("row", [12, -1])
def test_volumes_that_were_noted_in_cubic_inches_once_are_no_wear(row):
    records = records_of(plan())
    rows = records.readings
    here = (rows["signal"] == "clutch_volume") & (rows["taken_at"] == sorted(rows["taken_at"].unique())[row])
    noted = (rows["value"] / CM3_PER_IN3).round(2)
    said = judged(with_values(records, np.asarray(rows["value"].where(~here, noted))))
    assert likely(said) == []
    (told,) = [c for c in said.cautions if c.kind == "data"]
    assert "(in in3, not cm3)" in told.sentence
    assert [c.service for c in said.clutches] == ["clear"] * 5
    assert not [c for c in said.cautions if c.kind == "authority"]
