"""The learning loop against what can be worked out by hand."""

from dataclasses import replace

import numpy as np
import pytest
from by_hand import CALM, QUICK, fine, run_one

from driftwatch.errors import UsageError
from driftwatch.simulate import USUAL, Action, simulate_fleet
from driftwatch.simulate import magnitudes as m


def test_a_learned_value_is_the_need_to_half_a_step(profile):
    run = run_one(profile, Action("power", 500.0, 25.0))
    step = run.cells.resolution
    assert (np.abs(run.values - run.needs) <= step / 2 + 1e-9).all()


def test_a_step_is_approached_exponentially_by_repeats(profile):
    # Hand-solved: gap left after n shifts = gap * exp(-n / 10).
    run = run_one(fine(profile), Action("power", 300.0, 30.0), difficulty=CALM)
    at = 10  # the snapshot on day 300 shows the need just before the step
    trims = run.cells.of("apply_trim")
    old, new = run.values[at, trims], run.needs[at + 1, trims]
    gone = np.cumsum(run.learn_counts[at + 1 :, trims], axis=0)
    # The packs wear on meanwhile, and the fill asked for creeps with them: far less than 0.5 kPa in 4 months.
    expected = new + (old - new) * np.exp(-gone[:4] / 10.0)
    np.testing.assert_allclose(run.values[at + 1 : at + 5, trims], expected, atol=0.5)
    normal = run.cells.mode[trims] == "normal"
    low = run.cells.mode[trims] == "low"
    left = np.abs(run.values[at + 1, trims] - new) / np.abs(new - old)
    assert np.median(left[normal]) < 0.05  # quickly learned
    assert np.median(left[low]) > 0.5  # hardly driven, hardly learned


def test_without_a_repeat_the_old_value_stands_exactly(profile):
    fleet = simulate_fleet(profile, 12, 3, replace(USUAL, slips=0.0, no_counts=0.0))
    cleared = {p.unit for p in fleet.plans if any(a.kind in ("relearn", "rebuild") for a in p.actions)}
    rows = fleet.snapshots[~fleet.snapshots["unit"].isin(cleared)]
    before = rows.groupby(["unit", "channel", "mode", "signal"], observed=True)["value"].shift()
    stale = (rows["learn_count"] == 0) & before.notna()
    assert stale.sum() > 1000
    assert set(rows.loc[stale, "mode"]) >= {"low"}
    assert (rows.loc[stale, "value"] == before[stale]).all()


def test_values_lie_on_the_step_and_in_the_range(profile):
    fleet = simulate_fleet(profile, 10, 4, replace(USUAL, slips=0.0))
    for signal in profile.signals:
        values = fleet.snapshots.loc[fleet.snapshots["signal"] == signal.name, "value"].to_numpy()
        assert len(values)
        np.testing.assert_allclose(
            values / signal.resolution, np.round(values / signal.resolution), atol=1e-4
        )
        assert values.min() >= signal.lower
        assert values.max() <= signal.upper


def test_a_need_beyond_the_range_is_clamped_at_its_end(profile):
    run = run_one(profile, Action("power", 100.0, 400.0))
    trims = run.cells.of("apply_trim")
    end = run.values[-1, trims]
    beyond = run.needs[-1, trims] > 120.0
    assert beyond.sum() > 20
    assert (end[beyond] == 120.0).all()
    assert end.max() == 120.0


def test_cleared_values_start_from_base_and_return(profile):
    day = 400.0  # between the snapshots of day 390 and day 420
    run = run_one(profile, Action("relearn", day), difficulty=replace(CALM, learning=0.5))
    twin = run_one(profile, difficulty=QUICK)
    shift = ~run.cells.of("clutch_volume")
    unlearned = shift & (run.learn_counts[14] == 0)
    assert unlearned.sum() > 10
    base = np.clip(run.cells.sizes["cleared"], run.cells.lower, run.cells.upper)
    assert (run.values[14, unlearned] == base[unlearned]).all()
    # Back to where it was: much-used cells within a step of the unit that was never cleared.
    used = shift & (run.cells.mode == "normal")
    gap = np.abs(run.values[-1] - twin.values[-1])[used]
    assert (gap <= run.cells.resolution[used] + 1e-9).all()
    assert (np.abs(run.values[13] - base)[used] > run.cells.resolution[used]).mean() > 0.7


def test_volumes_are_measured_the_same_after_a_relearn(profile):
    run = run_one(profile, Action("relearn", 400.0))
    twin = run_one(profile)
    volume = run.cells.of("clutch_volume")
    np.testing.assert_allclose(run.values[:, volume], twin.values[:, volume], atol=1e-9)
    assert (run.learn_counts[14, volume] >= 3).all()


def test_temperature_shifts_a_reading_by_its_coefficient(profile):
    run = run_one(fine(profile), difficulty=replace(QUICK, temperature=1.0))
    for signal in ("apply_trim", "shift_time", "clutch_volume"):
        cells = run.cells.of(signal)
        offset = run.values[:, cells] - run.needs[:, cells]
        slope = np.polyfit(run.fluid_temp_c - 80.0, offset, 1)[0]
        # Values are kept to six decimals: over 36 temperatures with sd 9 the slope is good to 3e-8.
        np.testing.assert_allclose(slope, m.SIGNALS[signal].per_degree, rtol=0, atol=3e-8)


def test_scatter_of_learned_values_is_the_stated_noise(profile):
    run = run_one(fine(profile), difficulty=replace(QUICK, noise=1.8))
    for signal in ("apply_trim", "release_trim", "shift_time", "torque_cut"):
        cells = run.cells.of(signal)
        scatter = (run.values - run.needs)[1:, cells]
        # 35 x 30 independent draws: the standard error of a standard deviation is 1/sqrt(2 x 1050) = 2.2 %;
        # four of them.
        assert scatter.std() == pytest.approx(1.8 * m.SIGNALS[signal].noise, rel=0.09)


def test_wandering_has_the_stated_size_and_memory(profile):
    # Torque cut has neither fill nor ageing, so what differs from the calm twin is wandering alone.
    # Worked out by hand: own and shared parts with correlation exp(-30/60) from month to month, and a
    # yearly wave.
    size = m.SIGNALS["torque_cut"]
    moving = size.wander**2 + size.shared_wander**2
    wave = size.season**2 * (1.0 + 0.3**2) / 2.0
    variance = moving + wave
    lagged = moving * np.exp(-30.0 / m.WANDER_DAYS) + wave * np.cos(2 * np.pi * 30.0 / 365.25)
    parts = []
    for seed in range(40):
        run = run_one(fine(profile), difficulty=replace(QUICK, wander=1.0), seed=seed)
        twin = run_one(fine(profile), seed=seed)
        cells = run.cells.of("torque_cut")
        parts.append((run.needs - twin.needs)[:, cells])
    moved = np.array(parts)
    # 40 units x 30 cells, about 9 independent stretches each; the shared part has 40 x 9 only, hence 10 %.
    assert (moved**2).mean() == pytest.approx(variance, rel=0.1)
    assert (moved[:, 1:] * moved[:, :-1]).mean() == pytest.approx(lagged, rel=0.12)


def test_old_fluid_drifts_against_the_service(profile):
    for sign in (-1.0, 1.0):
        drifts = []
        for seed in range(30):
            service = Action("fluid", 500.0, 10.0 * sign)
            run = run_one(fine(profile), service, difficulty=replace(QUICK, wander=1.0), seed=seed)
            calm = run_one(fine(profile), service, seed=seed)
            cells = run.cells.of("apply_trim")
            drifts.append((run.needs[-1] - calm.needs[-1])[cells].mean())
        # Hand-solved: 3 kPa per 100 000 km over 126 000 km, against the sign of the step; the mean of 30
        # units has a standard error of about 0.4 from the drift's own spread and the shared wandering.
        assert np.mean(drifts) == pytest.approx(-sign * 3.0 * 1.26, abs=1.6)


def test_slips_are_as_rare_as_stated_and_gross(profile):
    run = run_one(profile, difficulty=replace(QUICK, slips=0.02))
    clean = run_one(profile, difficulty=QUICK)
    slipped = run.values != clean.values
    # 36 x 125 readings; a zero mistyped stays a zero, so a little under 2 % (binomial sd 0.21 %).
    assert 0.01 < slipped.mean() < 0.03
    ratio = run.values[slipped] / clean.values[slipped]
    assert ((np.abs(ratio + 1) < 1e-9) | (np.abs(ratio - 10) < 1e-9) | (np.abs(ratio) <= 0.1)).all()


def test_a_profile_in_other_units_is_refused_in_one_line(profile):
    other = replace(profile, signals=(replace(profile.signal("apply_trim"), unit="psi"),))
    with pytest.raises(UsageError, match="apply_trim in kPa, not in psi"):
        simulate_fleet(other, 1, 0)
