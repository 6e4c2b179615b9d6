"""The derived world: its forms, what each cause leaves behind, and its learning filter.

What a cause leaves behind is asked of the needs, before learning and noise: the same units with and without
it, on average over fleets. Who moves and which way are the outside values (the trade's general account).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import lru_cache

import numpy as np
import pandas as pd
import pytest

from driftwatch.assessment.assess import analyse
from driftwatch.profile.load import builtin
from driftwatch.settings import Settings
from tests.bench.derivedworld import DIALS, arrangement, make_fleet
from tests.bench.derivedworld.arrangement import APPLIES, APPLY, CUT, RELEASE, STEP, TIME, UPSHIFT
from tests.bench.derivedworld.build import Manner
from tests.bench.derivedworld.controller import Controller
from tests.bench.derivedworld.design import draw_design
from tests.bench.derivedworld.plans import Act, Plan
from tests.bench.derivedworld.unit import REBUILT_DAYS, Unit
from tests.bench.derivedworld.wear import EVEN, PACK_STATE, grow, remaining_km
from tests.bench.fleets import _let_in, derived_world
from tests.bench.otherworld import OtherFleet
from tests.bench.scorecard import program, score
from tests.bench.scoring import Card

NORMAL, TOW, LOW = range(3)
FRAMES = ("units", "snapshots", "events", "truth", "packs")


@lru_cache(maxsize=4)
def fleet(difficulty: str) -> OtherFleet:
    return make_fleet(8, 41, difficulty)


def unit(seed: int, plan: Plan | None = None) -> Unit:
    design = draw_design(DIALS["usual"], np.random.default_rng([seed, 0]))
    return Unit(design, np.random.default_rng([seed, 1]), plan or Plan(), "U001")


def moved(change: Callable[[Unit], None], seeds: range = range(16)) -> np.ndarray:
    """Moves of all cells (4, 10, 3) in steps of the controller, on average over fleets of one unit."""
    moves = []
    for seed in seeds:
        one = unit(seed)
        before = one.asked()
        change(one)
        moves.append(one.asked() - before)
    return np.mean(moves, axis=0) / STEP[:, None, None]


# --- the same arguments, the same fleet; the forms of the files


@pytest.mark.parametrize("difficulty", ["usual", "hard"])
def test_the_same_arguments_give_the_same_fleet_and_others_another(difficulty):
    once, again, other = (make_fleet(3, seed, difficulty) for seed in (7, 7, 8))
    for name in FRAMES:
        pd.testing.assert_frame_equal(getattr(once, name), getattr(again, name))
    assert not once.snapshots.equals(other.snapshots)


def test_the_arrangement_is_that_of_the_profile():
    profile = builtin("generic-6")
    assert list(profile.modes) == arrangement.MODES
    assert [c.id for c in profile.clutches] == arrangement.PACKS
    assert [c.limit_cm3 for c in profile.clutches] == pytest.approx(arrangement.V_LIMIT)
    assert [c.new_volume_cm3 for c in profile.clutches] == pytest.approx(arrangement.V_NEW)
    assert [c.piston_area_cm2 for c in profile.clutches] == pytest.approx(arrangement.AREA)
    packs = arrangement.PACKS
    told = [(name, packs[on], packs[off]) for name, on, off in arrangement.SHIFTS]
    assert [(s.id, s.applies, s.releases) for s in profile.shifts] == told
    for signal, low, high, step in zip(
        arrangement.SIGNALS, arrangement.LOWER, arrangement.UPPER, STEP, strict=True
    ):
        known = profile.signal(signal)
        assert (known.lower, known.upper, known.resolution) == (low, high, step)


@pytest.mark.parametrize("difficulty", ["usual", "hard"])
def test_snapshots_have_known_cells_once_each_within_range_and_on_the_step(difficulty):
    profile, rows = builtin("generic-6"), fleet(difficulty).snapshots
    assert set(rows.columns) == {
        *("unit", "taken_at", "odometer_km", "fluid_temp_c", "mode", "channel", "signal", "value"),
        "learn_count",
    }
    assert not rows.duplicated(["unit", "taken_at", "mode", "channel", "signal"]).any()
    assert not rows[["unit", "taken_at", "odometer_km", "value"]].isna().any().any()
    for name, cells in rows.groupby("signal"):
        signal = profile.signal(str(name))
        assert cells["value"].between(signal.lower, signal.upper).all()
        steps = cells["value"] / signal.resolution
        np.testing.assert_allclose(steps, steps.round(), atol=1e-6)
        channels = profile.clutches if signal.per_pack else profile.shifts
        assert set(cells["channel"]) <= {c.id for c in channels}
        assert set(cells["mode"]) <= ({""} if signal.per_pack else set(profile.modes))
    assert not (rows["learn_count"] < 0).any()
    heads = rows.drop_duplicates(["unit", "taken_at"])
    assert (
        not rows[["unit", "taken_at", "odometer_km"]].drop_duplicates().duplicated(["unit", "taken_at"]).any()
    )
    low, high = DIALS[difficulty].snapshots
    assert heads.groupby("unit").size().between(0.75 * low, high).all()


@pytest.mark.parametrize("difficulty", ["usual", "hard"])
def test_units_events_and_truth_have_their_forms(difficulty):
    made = fleet(difficulty)
    assert list(made.units.columns) == ["unit", "profile", "in_service_on", "site", "note"]
    assert made.units["unit"].is_unique
    assert set(made.units["profile"]) == {"generic-6"} == set(made.profiles)
    assert set(made.events["kind"]) <= {*("power", "load", "fluid", "relearn", "rebuild", "repair", "other")}
    assert made.events.loc[made.events["amount"].notna(), "amount_unit"].isin(["Nm", "kg"]).all()
    assert set(made.truth["cause"]) <= {"power", "load", "fluid", "relearn", "rebuild", "pressure"}
    slow = made.truth[made.truth["until"].notna()]
    assert set(slow["cause"]) <= {"pressure"}
    assert (slow["until"] > slow["at"]).all()
    quiet = set(made.units["unit"]) - set(made.truth["unit"])
    assert len(quiet) >= len(made.units) / 4


def test_a_cell_that_learned_nothing_repeats_its_value():
    made = make_fleet(4, 42, "usual")
    rows = made.snapshots.sort_values("taken_at", kind="stable")
    before = rows.groupby(["unit", "signal", "channel", "mode"])["value"].shift()
    idle = (rows["learn_count"] == 0) & before.notna()
    assert idle.sum() > 100
    # A cell that was cleared and has not been driven since shows its base value, with a count of nought.
    cleared = set(made.truth.loc[made.truth["cause"].isin(["relearn", "rebuild"]), "unit"])
    undisturbed = idle & ~rows["unit"].isin(cleared)
    assert (rows["value"] == before)[undisturbed].mean() > 0.98


# --- packs


@pytest.mark.parametrize("difficulty", ["usual", "hard"])
def test_volumes_never_fall_within_a_life_and_nothing_remains_where_the_limit_is_reached(difficulty):
    packs = fleet(difficulty).packs
    for _, rows in packs.groupby(["unit", "clutch", "life"]):
        assert (rows.sort_values("taken_at")["volume_cm3"].diff().dropna() >= 0).all()
    reached = packs["volume_cm3"] >= packs["limit_cm3"]
    assert ((packs["remaining_km"] == 0) == reached).all()


def states(**changed: float) -> pd.DataFrame:
    even = {"volume_cm3": 20.0, "limit_cm3": 30.0, "worn": 0.0, "rate": 1e-4, "rho": EVEN, "to_onset": np.inf}
    settled = {"mult": 1.0, "life_km": 1e9, "new": 20.0, "bed": 0.0, "bed_km": 4000.0, "life": 0}
    return pd.DataFrame([even | settled | changed])[list(PACK_STATE)]


def test_remaining_distance_of_packs_that_wear_by_a_known_law():
    # Hand-solved: 10 cm3 at 1 cm3 a 10 000 km are 100 000 km; at twice that from 50 000 km on, 75 000 km; at
    # a rate that grows by a tenth a cm3, ln(1 + 0.1 x 10) / (0.1 x 1e-4) = 69 315 km.
    assert remaining_km(states()) == pytest.approx(100_000, abs=1)
    assert remaining_km(states(to_onset=50_000.0, mult=2.0)) == pytest.approx(75_000, abs=1)
    assert remaining_km(states(rho=0.1)) == pytest.approx(np.log(2) * 100_000, abs=1)
    assert remaining_km(states(volume_cm3=31.0, worn=11.0)) == 0
    assert np.isinf(remaining_km(states(rate=1e-6)))[0]


def test_growth_in_two_parts_is_growth_in_one():
    worn, rate, rho = np.array([1.0, 2.0]), np.array([1e-4, 2e-4]), np.array([EVEN, 0.2])
    onset, mult = np.array([3000.0, np.inf]), np.array([4.0, 1.0])
    half = grow(worn, rate, rho, 5000.0, onset, mult)
    whole = grow(half, rate, rho, 5000.0, onset - 5000.0, mult)
    assert whole == pytest.approx(grow(worn, rate, rho, 10_000.0, onset, mult))
    assert (whole > worn).all()


# --- what a cause leaves behind


def test_power_moves_apply_release_and_cut_together_and_the_other_way_when_taken_back():
    def tuned(share: float) -> Callable[[Unit], None]:
        return lambda one: setattr(one.causes, "power", share)

    up, down = moved(tuned(0.2)), moved(tuned(-0.15))
    for signal in (APPLY, RELEASE, CUT):
        assert (up[signal, :, :2] > 0).all()
        assert (down[signal, :, :2] < 0).all()
        assert up[signal, :, NORMAL].mean() > 3
    assert np.abs(up[TIME]).max() < 3


def test_load_is_mostly_a_matter_of_tow_and_of_upshifts():
    def loaded(one: Unit) -> None:
        one.causes.load = 0.5

    moves = moved(loaded)
    for signal in (APPLY, TIME):
        by_mode = moves[signal].mean(axis=0)
        assert by_mode[TOW] > by_mode[LOW] > by_mode[NORMAL] > 0
        assert by_mode[NORMAL] < 0.2 * by_mode[TOW]
        assert moves[signal, UPSHIFT, TOW].mean() > 1.3 * moves[signal, ~UPSHIFT, TOW].mean() > 0
    assert np.abs(moves[CUT]).mean() < 0.1 * moves[APPLY, :, TOW].mean()


def test_lost_supply_pressure_is_nearly_equal_in_all_applies_and_less_in_releases():
    def lost(one: Unit) -> None:
        one.causes.supply = 30.0

    moves = moved(lost)
    assert moves[APPLY] == pytest.approx(np.full((10, 3), 30.0), abs=5)
    assert 0.25 * 30 < moves[RELEASE].mean() < 0.6 * 30
    assert moves[CUT] == pytest.approx(0.0, abs=1e-9)


def test_a_grown_pack_moves_the_shifts_that_apply_it_alone():
    def grown(one: Unit) -> None:
        one.packs.worn[2] += 6.0

    moves = moved(grown)
    own = APPLIES == 2
    assert (moves[APPLY, own] > 3).all()
    assert (moves[TIME, own] > 0).all()
    assert moves[APPLY, ~own] == pytest.approx(0.0, abs=1e-9)
    assert moves[[RELEASE, CUT]] == pytest.approx(0.0, abs=1e-9)


def test_fresh_fluid_moves_apply_and_time_one_way_in_most_fleets_and_the_other_in_some():
    signs = []
    for seed in range(16):
        one = unit(seed)
        one.causes.fluid_age = 80_000.0
        before = one.asked()
        one.causes.fluid_age = 0.0
        change = one.asked() - before
        sign = np.sign(change[APPLY].mean())
        assert (np.sign(change[[APPLY, TIME]]) == sign).all()
        assert np.abs(change[RELEASE]).mean() < 0.3 * np.abs(change[APPLY]).mean()
        assert change[CUT] == pytest.approx(0.0, abs=1e-9)
        assert sign == -np.sign(one.design.fluid.loss)
        signs.append(sign)
    assert {-1.0, 1.0} == set(signs)
    assert np.mean(signs) < 0


def test_relearn_goes_to_the_base_and_leaves_the_packs():
    one = unit(3)
    before = one.packs.volume()
    one.act(0.0, Act("relearn"))
    assert (one.controller.values == one.design.tables.base).all()
    assert one.controller.cleared.all()
    assert (one.packs.volume() == before).all()
    # Measured anew, to half a per cent or so.
    assert one.controller.volumes == pytest.approx(before, rel=0.02)


def test_rebuild_renews_packs_and_is_not_followed_by_another_soon():
    one = unit(3)
    one.packs.worn[:] = 0.9 * (arrangement.V_LIMIT - one.packs.new)
    one.act(100.0, Act("rebuild"))
    assert (one.packs.life == 1).all()
    assert one.packs.volume() == pytest.approx(arrangement.V_NEW, rel=0.1)
    one.act(100.0 + REBUILT_DAYS - 1, Act("rebuild"))
    assert [done.day for done in one.truth] == [100.0]
    one.act(100.0 + REBUILT_DAYS, Act("rebuild"))
    assert [done.day for done in one.truth] == [100.0, 100.0 + REBUILT_DAYS]


def test_a_worn_out_pack_that_is_read_shortly_before_a_planned_rebuild_is_rebuilt_once():
    for seed in range(5):
        lived = unit(seed, Plan((Act("rebuild", 0.6),), "hasten", 0.5)).run()
        days = [done.day for done in lived.truth if done.cause == "rebuild"]
        assert len(days) >= 1
        assert (np.diff(days) >= REBUILT_DAYS).all()


# --- learning


def quiet_manner(gain: float) -> Manner:
    zero = np.zeros((4, 10, 3))
    return Manner(np.zeros((10, 1)), 1.0, np.zeros(3), zero, gain, zero)


@pytest.mark.parametrize(
    ("since_clear", "shifts", "share"),
    [
        # Hand-solved, with a gain of 0.2 and 1.5 times that in the first 8 shifts after clearing: what is
        # left of the gap is 0.8 each shift, and 0.7 each of the first eight.
        (100.0, 3, 0.8**3),
        (0.0, 3, 0.7**3),
        (0.0, 10, 0.7**8 * 0.8**2),
        (6.0, 5, 0.7**2 * 0.8**3),
        (0.0, 0, 1.0),
    ],
)
def test_a_learned_shift_closes_a_share_of_the_gap(since_clear, shifts, share):
    controller = Controller(np.full((4, 10, 3), 0.5))
    controller.since_clear[:] = since_clear
    counts, asked = np.full((10, 3), shifts), np.full((4, 10, 3), 0.9)
    controller.learn(counts, asked, 1.5, quiet_manner(0.2), np.random.default_rng(1))
    assert controller.values == pytest.approx(np.full((4, 10, 3), 0.9 - 0.4 * share))
    assert (controller.count == shifts).all()


def test_what_is_learned_stays_within_the_range_and_has_the_error_of_its_filter():
    manner = replace(quiet_manner(0.2), error=np.full((4, 10, 3), 3.0))
    rng = np.random.default_rng(2)
    spread = []
    for _ in range(200):
        controller = Controller(np.zeros((4, 10, 3)))
        controller.since_clear[:] = 100.0
        controller.learn(np.full((10, 3), 500), np.zeros((4, 10, 3)), 1.5, manner, rng)
        spread.append(controller.values[APPLY])
    # After very many shifts, nothing is left of the first value.
    assert np.std(spread) == pytest.approx(3.0, rel=0.05)
    controller.learn(np.full((10, 3), 500), np.full((4, 10, 3), 1e4), 1.5, manner, rng)
    assert (controller.values == arrangement.UPPER[:, None, None]).all()


# --- as the scorecard takes it


def test_the_scorecard_takes_it():
    known = derived_world("generic-6", 2, 43, "usual")
    assert {"unit", "cause", "at", "until"} <= set(known.causes.columns)
    assert (known.packs.groupby(["unit", "clutch", "life"])["used"].first() == 0).all()
    assert set(known.read) == {"U001", "U002"}
    records = known.records(known.day_at(1.0))
    assert len(records.snapshots) == len(known.packs) / 5
    card = Card()
    score(card, program, known, [1.0])
    assert card.units == 2
    assert len(analyse(records, Settings())) == 2


def test_another_profile_is_refused():
    with pytest.raises(ValueError, match="knows only generic-6, not generic-8"):
        derived_world("generic-8", 2, 1, "usual")


def test_what_an_import_would_put_into_quarantine_is_left_out():
    rows = fleet("usual").snapshots
    one = rows[rows["unit"] == "U001"].copy()
    times = sorted(one["taken_at"].unique())
    spoiled = one.copy()
    spoiled.loc[spoiled["taken_at"] == times[3], "odometer_km"] /= 1.609344
    spoiled.loc[spoiled["taken_at"] == times[6], "odometer_km"] *= -1
    impossible = spoiled.index[(spoiled["taken_at"] == times[8]) & (spoiled["signal"] == "apply_trim")][0]
    spoiled.loc[impossible, "value"] = 3001.0
    left = _let_in(spoiled, builtin("generic-6"))
    wrong = one["taken_at"].isin([times[3], times[6]])
    pd.testing.assert_frame_equal(left, one[~wrong].drop(impossible).reset_index(drop=True))
    pd.testing.assert_frame_equal(_let_in(one, builtin("generic-6")), one.reset_index(drop=True))


def test_hard_fleets_hold_odometers_that_run_backwards_which_are_left_out():
    rows = make_fleet(4, 42, "hard").snapshots
    assert backwards(rows) > 0
    assert backwards(_let_in(rows, builtin("generic-6"))) == 0


def backwards(rows: pd.DataFrame) -> int:
    heads = rows.drop_duplicates(["unit", "taken_at"])
    return int((heads.groupby("unit")["odometer_km"].diff() < 0).sum())
