"""Each cause alone leaves exactly the marks that the trade describes (hand-solved: the table of causes)."""

import numpy as np
import pytest
from by_hand import CHART, fine, run_one

from driftwatch.simulate import Action


def change(profile, *actions):
    """Difference that the actions make to the needs at the last snapshot, and the cells."""
    run, twin = run_one(fine(profile), *actions), run_one(fine(profile))
    return run.needs[-1] - twin.needs[-1], run.cells


def by_signal(delta, cells):
    names = ("apply_trim", "release_trim", "shift_time", "torque_cut", "clutch_volume")
    return {s: delta[cells.of(s)] for s in names}


def test_power_moves_trims_and_cut_of_nearly_all_shifts_together(profile):
    delta, cells = change(profile, Action("power", 500.0, 20.0))
    parts = by_signal(delta, cells)
    for signal in ("apply_trim", "release_trim", "torque_cut"):
        assert (parts[signal] > 0).all()
    # Half of the mean is felt by nearly all: one shift in sixteen is spared.
    assert (parts["apply_trim"] > 8.0).mean() > 0.7
    assert np.abs(parts["shift_time"]).max() < 0.015
    assert (parts["clutch_volume"] == 0).all()
    # More where more torque passes: the lowest upshift against the highest.
    apply_ = cells.of("apply_trim")
    low, high = (delta[apply_ & (cells.channel == c)].mean() for c in ("1-2", "5-6"))
    assert low > high


def test_power_down_is_the_mirror_of_power_up(profile):
    up, _ = change(profile, Action("power", 500.0, 20.0))
    down, _ = change(profile, Action("power", 500.0, -20.0))
    np.testing.assert_allclose(down, -up)


def test_load_shows_in_tow_upshifts_above_all(profile):
    delta, cells = change(profile, Action("load", 500.0, 20.0, mode="tow"))
    apply_, time = cells.of("apply_trim"), cells.of("shift_time")
    tow, normal = cells.mode == "tow", cells.mode == "normal"
    assert delta[apply_ & tow & cells.up].mean() > 1.5 * delta[apply_ & tow & ~cells.up].mean() > 0
    assert delta[apply_ & tow].mean() > 5 * delta[apply_ & normal].mean() > 0
    assert (delta[time & tow] > 0).all()
    parts = by_signal(delta, cells)
    assert np.abs(parts["torque_cut"]).max() < 0.5
    assert np.abs(parts["release_trim"]).max() < 0.25 * parts["apply_trim"].max()
    assert (parts["clutch_volume"] == 0).all()


def test_a_load_put_on_and_taken_off_leaves_little(profile):
    both = (Action("load", 300.0, 20.0, mode="tow"), Action("load", 700.0, -20.0, mode="tow"))
    delta, cells = change(profile, *both)
    on, _ = change(profile, both[0])
    apply_ = cells.of("apply_trim") & (cells.mode == "tow")
    assert np.abs(delta[apply_]).mean() < 0.3 * on[apply_].mean()
    assert abs(delta[apply_].mean()) < 0.1 * on[apply_].mean()


def test_fluid_moves_apply_and_time_one_way_in_all_shifts(profile):
    delta, cells = change(profile, Action("fluid", 500.0, -10.0))
    parts = by_signal(delta, cells)
    assert (parts["apply_trim"] < 0).all()
    assert (parts["shift_time"] < 0).all()
    assert np.abs(parts["release_trim"]).mean() < 0.2 * np.abs(parts["apply_trim"]).mean()
    assert (parts["torque_cut"] == 0).all()
    assert (parts["clutch_volume"] == 0).all()


def test_pressure_adds_nearly_equal_amounts_slowly(profile):
    delta, cells = change(profile, Action("pressure", 0.0, 10.0))
    parts = by_signal(delta, cells)
    years = 35 * 30.0 / 365.25
    assert parts["apply_trim"].mean() == pytest.approx(10.0 * years, rel=0.05)
    assert parts["apply_trim"].std() < 0.1 * parts["apply_trim"].mean()
    assert 0.3 < parts["release_trim"].mean() / parts["apply_trim"].mean() < 0.6
    for signal in ("shift_time", "torque_cut", "clutch_volume"):
        assert (parts[signal] == 0).all()


@pytest.mark.parametrize("number", [1, 2, 3, 4, 5])
def test_wear_shows_in_the_shifts_that_apply_the_pack_and_no_other(profile, number):
    pack = f"pack{number}"
    delta, cells = change(profile, Action("wear", 0.0, 0.6, (pack,)))
    # Which shifts apply it, from the chart: the pack holds in the new gear and not in the old one.
    steps = [(g, g + d) for g in CHART for d in (1, -1) if g + d in CHART]
    applying = {f"{a}-{b}" for a, b in steps if number in CHART[b] - CHART[a]}
    assert applying
    on = np.isin(cells.channel, list(applying))
    fills = cells.of("apply_trim") | cells.of("shift_time")
    assert (delta[on & fills] > 0).all()
    assert (np.abs(delta[~on & ~cells.of("clutch_volume")]) < 1e-9).all()
    assert (np.abs(delta[on & ~fills]) < 1e-9).all()
    volume = cells.of("clutch_volume")
    assert delta[volume & (cells.channel == pack)] > 1.0
    assert (np.abs(delta[volume & (cells.channel != pack)]) < 1e-9).all()
    # In all modes.
    for mode in profile.modes:
        assert delta[on & cells.of("apply_trim") & (cells.mode == mode)].min() > 0


def test_rebuild_draws_a_new_base_and_a_relearn_does_not(profile):
    rebuilt, cells = change(profile, Action("rebuild", 500.0, packs=("pack1",)))
    cleared, _ = change(profile, Action("relearn", 500.0))
    trims = cells.of("apply_trim")
    # Two independent draws with sd 12 differ by 17 in the root mean square.
    assert np.sqrt(np.mean(rebuilt[trims] ** 2)) > 8.0
    assert np.abs(cleared).max() < 1e-9


def test_two_causes_in_one_visit_add_up(profile):
    power, fluid = Action("power", 500.0, 20.0), Action("fluid", 500.0, -10.0)
    both, cells = change(profile, power, fluid)
    alone, _ = change(profile, power)
    rest = both - alone
    assert (rest[cells.of("apply_trim")] < 0).all()
    assert (rest[cells.of("torque_cut")] == 0).all()
