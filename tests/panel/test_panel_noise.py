"""What the fleet says about noise, against fleets whose noise is known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from driftwatch.panel.build import panels
from driftwatch.panel.fleet import _beyond, _robust_slope, _slope_noise, fit_fleet
from driftwatch.panel.noise import (
    MONTH,
    SignalNoise,
    corrected,
    unread_warmth_variance,
)
from driftwatch.panel.panel import Panel
from driftwatch.panel.scales import unit_scales
from driftwatch.panel.use import driven
from driftwatch.panel.variogram import Parts
from tests.assessment.units import profile
from tests.panel.by_hand import cell, fine_profile, records
from tests.reference.plain_series import fleet_with

SHIFTS = [s.id for s in profile().shifts]
UNITS, COUNT = 20, 24
NAN = float("nan")


def fleet_of(noise, temperature=80.0, seed: int = 1) -> list[Panel]:
    """Panels of apply trims in normal mode; `noise(rng)` gives one unit's (T, C) deviations."""
    rng = np.random.default_rng(seed)
    warm = rng.normal(80.0, 12.0, COUNT) if temperature is None else np.full(COUNT, temperature)
    made = []
    for _ in range(UNITS):
        values = rng.normal(0.0, 12.0, len(SHIFTS)) + noise(rng, warm)
        rows = [r for i, s in enumerate(SHIFTS) for r in cell(list(values[:, i]), 200.0, channel=s)]
        made += panels(records(rows, COUNT, temperature=list(warm), kind=fine_profile()))
    return made


def test_white_noise_is_recovered():
    # 20 units x 10 cells x 24 readings of sd 2: a robust scale of some 4000 differences is good to 5 %.
    fleet = fit_fleet(fleet_of(lambda rng, warm: rng.normal(0.0, 2.0, (COUNT, len(SHIFTS)))), 10.0)
    assert fleet.noise["apply_trim"].sd == pytest.approx(2.0, rel=0.08)
    assert fleet.noise["apply_trim"].readings == UNITS * COUNT * len(SHIFTS)
    assert fleet.noise["apply_trim"].units == UNITS


def test_in_a_large_fleet_a_signal_that_few_units_have_is_learned_from_those(monkeypatch):
    # Of five units three stand for all: the first, the third and the last. The second alone has its times.
    monkeypatch.setattr("driftwatch.panel.fleet.ENOUGH_UNITS", 3)
    rng, made = np.random.default_rng(1), []
    for number in range(5):
        rows = [r for s in SHIFTS for r in cell(list(rng.normal(0.0, 2.0, COUNT)), 200.0, channel=s)]
        if number == 1:
            times = rng.normal(0.5, 0.01, (len(SHIFTS), COUNT))
            for s, row in zip(SHIFTS, times, strict=True):
                rows += cell(list(row), 200.0, channel=s, signal="shift_time")
        made += panels(records(rows, COUNT, kind=fine_profile()))
    fleet = fit_fleet(made, 10.0)
    assert fleet.noise["shift_time"].units == 1
    assert fleet.noise["shift_time"].sd == pytest.approx(0.01, rel=0.3)
    assert fleet.noise["apply_trim"].units == 3


def test_noise_with_memory_is_seen_to_have_it():
    def wandering(rng, warm):
        rho = 0.7 ** (30.0 / MONTH)
        path = np.empty((COUNT, len(SHIFTS)))
        path[0] = rng.normal(0.0, 2.0, len(SHIFTS))
        for t in range(1, COUNT):
            path[t] = rho * path[t - 1] + rng.normal(0.0, 2.0 * np.sqrt(1 - rho**2), len(SHIFTS))
        return path

    noise = fit_fleet(fleet_of(wandering), 10.0).noise["apply_trim"]
    assert noise.wander_sd > 3.0 * noise.white_sd
    assert noise.memory == pytest.approx(0.7, abs=0.15)
    assert noise.sd == pytest.approx(2.0, rel=0.2)


def test_noise_that_all_cells_share_is_told_from_their_own():
    def shared(rng, warm):
        return rng.normal(0.0, 1.5, (COUNT, 1)) + rng.normal(0.0, 1.0, (COUNT, len(SHIFTS)))

    noise = fit_fleet(fleet_of(shared), 10.0).noise["apply_trim"]
    common = np.hypot(noise.common_white_sd, noise.common_wander_sd)
    assert common == pytest.approx(1.5, rel=0.2)
    assert np.sqrt(noise.sd**2 - common**2) == pytest.approx(1.0, rel=0.25)


def test_fluid_temperature_is_taken_out():
    def warmed(rng, warm):
        return -0.3 * (warm - 80.0)[:, None] + rng.normal(0.0, 1.0, (COUNT, len(SHIFTS)))

    made = fleet_of(warmed, temperature=None)
    fleet = fit_fleet(made, 10.0)
    assert fleet.noise["apply_trim"].temperature == pytest.approx(-0.3, abs=0.03)
    assert fleet.noise["apply_trim"].sd == pytest.approx(1.0, rel=0.1)
    level = corrected(made[0], fleet)
    assert np.std(level - level.mean(axis=0)) == pytest.approx(1.0, rel=0.15)


def test_readings_that_do_not_move_have_noise_of_the_controllers_step_at_least():
    rows = [r for s in SHIFTS for r in cell([4.0] * COUNT, 200.0, channel=s)]
    noise = fit_fleet(panels(records(rows, COUNT)), 10.0).noise["apply_trim"]
    assert noise.sd >= 1.0 / np.sqrt(12.0) - 1e-12  # hand-solved: rounding to 1 kPa


def test_steps_do_not_pass_for_noise():
    def stepped(rng, warm):
        jump = 25.0 * (np.arange(COUNT) >= rng.integers(6, 18))[:, None]
        return jump + rng.normal(0.0, 2.0, (COUNT, len(SHIFTS)))

    assert fit_fleet(fleet_of(stepped), 10.0).noise["apply_trim"].sd < 3.0


def kernel_noise(**parts: float) -> SignalNoise:
    return fleet_with(**parts).noise["clutch_volume"]


def test_covariances_by_hand():
    # Hand-solved: white 2^2 on the diagonal; wandering 3^2 x 0.5 over one month, 0.25 over two; learning
    # scatter 4^2 x exp(-10/10) over ten shifts.
    noise = kernel_noise(white_sd=2.0, wander_sd=3.0, learning_sd=4.0, memory=0.5, common_white_sd=1.0)
    days = np.array([0.0, MONTH, 2 * MONTH])
    own = noise.own_covariance(days, np.array([[0.0, 10.0, 20.0]]), 10.0)[0]
    e = np.exp(-1.0)
    np.testing.assert_allclose(np.diag(own), 4.0 + 9.0 + 16.0)
    np.testing.assert_allclose([own[0, 1], own[0, 2]], [4.5 + 16 * e, 2.25 + 16 * e**2])
    np.testing.assert_allclose(noise.common_covariance(days), np.eye(3))
    assert noise.sd == pytest.approx(np.sqrt(4 + 9 + 16 + 1))


def test_covariances_of_a_season_and_of_modes_by_hand():
    # Hand-solved: a wave of sd 2 is all alike after a year, the other way round after half of one; the
    # wandering of a mode, sd 3, is a part of what is common in it, and 0.5 of it is left after a month.
    noise = kernel_noise(season_sd=2.0, mode_wander_sd=3.0, common_wander_sd=1.0, memory=0.5)
    days = np.array([0.0, MONTH, 365.25 / 2, 365.25])
    common, of_mode = noise.common_covariance(days), noise.mode_covariance(days)
    wave = 4.0 * np.cos(2.0 * np.pi * MONTH / 365.25)
    np.testing.assert_allclose(common[0, :2], [4.0 + 9.0 + 1.0, wave + 4.5 + 0.5])
    left = 0.5 ** (365.25 / MONTH)
    np.testing.assert_allclose(common[0, 2:], [-4.0 + 10.0 * np.sqrt(left), 4.0 + 10.0 * left])
    np.testing.assert_allclose(of_mode[0, :2], [9.0, 4.5])
    assert noise.across_modes == pytest.approx(5.0)
    assert noise.common_variance == pytest.approx(14.0)
    assert noise.sd == pytest.approx(np.sqrt(14.0))


MODES = ("normal", "tow")


def two_modes(noise, seed: int = 1) -> list[Panel]:
    """Panels of 40 units with two modes; `noise(rng, days)` gives (T, modes, shifts) deviations."""
    rng, days, made = np.random.default_rng(seed), np.arange(COUNT) * 30.0, []
    for _ in range(40):
        values = rng.normal(0.0, 12.0, (2, len(SHIFTS))) + noise(rng, days)
        rows = [
            r
            for m, mode in enumerate(MODES)
            for i, s in enumerate(SHIFTS)
            for r in cell(list(values[:, m, i]), 200.0, mode=mode, channel=s)
        ]
        made += panels(records(rows, COUNT, kind=fine_profile()))
    return made


def wander(rng, days: np.ndarray, *shape: int, memory: float = 0.6) -> np.ndarray:
    kept = memory ** (np.diff(days) / MONTH)
    path = rng.standard_normal((len(days), *shape))
    for t in range(1, len(days)):
        path[t] = kept[t - 1] * path[t - 1] + np.sqrt(1.0 - kept[t - 1] ** 2) * path[t]
    return path


def test_a_season_is_told_from_wandering_and_modes_that_go_alone_from_a_signal_that_goes_together():
    # Known truth, 40 units over two years. Scales of means over cells rest on some 1000 differences of 40
    # independent histories: good to a fifth. One eleventh of the variance leans on usual shares, so that a
    # third of the size may go to another part. A wave has no tails, so that a trimmed scale makes it larger
    # by a quarter; large wandering passes for jumps in part.
    size = 0.8

    def white(rng):
        return rng.normal(0.0, 1.0, (COUNT, 2, len(SHIFTS)))

    def season(rng, days):
        wave = np.sqrt(2.0) * np.sin(2.0 * np.pi * (days / 365.25 + rng.random()))
        return size * wave[:, None, None] + white(rng)

    def together(rng, days):
        return size * wander(rng, days, 1, 1) + white(rng)

    def apart(rng, days):
        return size * wander(rng, days, 2, 1) + white(rng)

    found = [fit_fleet(two_modes(n), 10.0).noise["apply_trim"] for n in (season, together, apart)]
    waved, joint, single = found
    assert waved.season_sd == pytest.approx(size, rel=0.35)
    assert max(waved.common_wander_sd, waved.mode_wander_sd) < 0.5 * size
    assert np.hypot(joint.common_wander_sd, joint.common_white_sd) == pytest.approx(size, rel=0.25)
    assert max(joint.season_sd, joint.mode_wander_sd) < 0.5 * size
    assert single.mode_wander_sd == pytest.approx(size, rel=0.2)
    assert max(single.season_sd, single.common_wander_sd) < 0.5 * size
    for noise in found:
        assert noise.sd == pytest.approx(np.hypot(size, 1.0), rel=0.15)


def test_from_readings_of_one_mode_nothing_is_said_of_modes():
    def shared(rng, warm):
        return 1.5 * wander(rng, np.arange(COUNT) * 30.0, 1) + rng.normal(0.0, 1.0, (COUNT, len(SHIFTS)))

    assert fit_fleet(fleet_of(shared), 10.0).noise["apply_trim"].mode_wander_sd == 0.0


def test_an_unrecorded_temperature_is_wider_noise_and_no_guess():
    # Hand-solved: 10 degC above the reference at -0.3 per degC read 3 low; where none is recorded, the
    # fleet's usual 85 degC is taken out, and 12 degC of spread are 3.6 of common noise.
    made = panels(records(cell([5.0, 5.5]), 2, temperature=[90.0, NAN]))[0]
    fleet = replace(fleet_with("apply_trim", white_sd=1.0), usual_temp_c=85.0, temp_sd_c=12.0)
    fleet = replace(fleet, noise={"apply_trim": replace(fleet.noise["apply_trim"], temperature=-0.3)})
    np.testing.assert_allclose(corrected(made, fleet)[:, 0], [8.0, 7.0])
    np.testing.assert_allclose(unread_warmth_variance(made, fleet, "apply_trim"), [0.0, 3.6**2])


def learned_at(rate: float, at_once: float) -> list[Panel]:
    """Cells whose last shifts taught them something else each time, read with noise of their own.

    The memory over N shifts is exp(-N / rate): an Ornstein-Uhlenbeck process in shifts.
    """
    made = []
    for seed in range(6):
        rng = np.random.default_rng(seed)
        counts = rng.choice([1.0, 2.0, 4.0, 8.0, 15.0, 30.0, 60.0], (COUNT, len(SHIFTS)))
        shown = rng.normal(0.0, 3.0, (COUNT, len(SHIFTS)))
        for t in range(1, COUNT):
            kept = np.exp(-counts[t] / rate)
            shown[t] = kept * shown[t - 1] + np.sqrt(1.0 - kept**2) * shown[t]
        read = shown + rng.normal(0.0, at_once, shown.shape)
        rows = [
            r for i, s in enumerate(SHIFTS) for r in cell(list(read[:, i]), list(counts[:, i]), channel=s)
        ]
        made += panels(records(rows, COUNT))
    return made


@pytest.mark.parametrize("rate", [5.0, 20.0])
def test_the_rate_of_learning_is_read_from_the_fleet(rate):
    # The setting says 10; the grid of rates tried is 25 % apart, and the setting pulls a little.
    assert fit_fleet(learned_at(rate, 0.5), 10.0).shifts_to_learn == pytest.approx(rate, rel=0.3)


def test_what_is_there_at_once_is_told_from_what_is_learned():
    loud, calm = (fit_fleet(learned_at(10.0, sd), 10.0).noise["apply_trim"] for sd in (2.0, 0.3))
    assert loud.white_sd == pytest.approx(2.0, rel=0.25)
    assert calm.white_sd < 0.5 * calm.learning_sd


def test_a_unit_that_is_noisier_than_its_fleet_has_scales_of_its_own():
    def quiet(rng, warm):
        return rng.normal(0.0, 1.0, (COUNT, len(SHIFTS)))

    made = fleet_of(quiet)
    fleet = fit_fleet(made, 10.0)
    loud = replace(made[0], values=3.0 * made[0].values)
    scales = unit_scales(loud, fleet, driven(loud, fleet).so_far)
    assert scales.own == pytest.approx(3.0, rel=0.2)
    as_others = unit_scales(made[0], fleet, driven(made[0], fleet).so_far)
    assert as_others.own == pytest.approx(1.0, rel=0.2)


# --- slopes, and what noise makes of them -------------------------------------------------------------------


def variances(white: float = 0.0, wander: float = 0.0, memory: float = 0.7, **common: float) -> Parts:
    given = {"common_white": 0.0, "common_wander": 0.0, "mode_wander": 0.0, "season": 0.0, **common}
    return Parts(white, wander, memory=memory, **given)


def noisy_columns(days: np.ndarray, white: float, wander: float, memory: float, count: int) -> np.ndarray:
    """Columns (T, count) of noise with these variances, as `_slope_noise` takes it to be."""
    rng = np.random.default_rng(17)
    together = wander * memory ** (np.abs(days[:, None] - days) / MONTH)
    factor = np.linalg.cholesky(together + white * np.eye(len(days)))
    return factor @ rng.normal(size=(len(days), count))


@pytest.mark.parametrize(("white", "wander"), [(1.0, 0.0), (0.0, 1.0), (1.0, 0.6)])
@pytest.mark.parametrize("count", [12, 24, 40])
def test_what_noise_makes_of_slopes_is_about_what_it_makes_in_simulation(white, wander, count):
    # Second implementation: 4000 cells of noise alone. A median of a few pairs is a little better than one of
    # many (2 / pi), and one of pairs that wander together a little worse than their mean: within 20 %.
    days, distance = np.arange(count) * 30.0, np.arange(count) * 0.42
    values = noisy_columns(days, white, wander, 0.7, 4000)
    slopes = _robust_slope(values, distance, np.zeros((count, 1)))
    shared = {"common_white": 0.5 * white, "common_wander": 0.25 * wander}
    own, common = _slope_noise([(days, distance)], variances(white, wander, **shared))
    assert own == pytest.approx(slopes.var(), rel=0.2)
    parts = [_slope_noise([(days, distance)], variances(*p))[0] for p in ((white, 0.0), (0.0, wander))]
    assert common == pytest.approx(0.5 * parts[0] + 0.25 * parts[1])


@pytest.mark.parametrize("count", [12, 24, 40])
def test_what_a_season_makes_of_slopes_is_about_what_it_makes_in_simulation(count):
    # Second implementation: 4000 yearly waves of variance one that begin anywhere; a median against a mean.
    days, distance = np.arange(count) * 30.0, np.arange(count) * 0.42
    begin = np.random.default_rng(3).uniform(0.0, 2.0 * np.pi, 4000)
    waves = np.sqrt(2.0) * np.sin(2.0 * np.pi * days[:, None] / 365.25 + begin)
    slopes = _robust_slope(waves, distance, np.zeros((count, 1)))
    own, common = _slope_noise([(days, distance)], variances(season=1.0))
    assert own == 0.0
    assert np.sqrt(common) == pytest.approx(slopes.std(), rel=0.5, abs=0.05)


def test_of_what_modes_do_each_by_itself_a_units_slope_has_its_share():
    # Hand-solved: the mean over two modes of equal size has half the variance of each.
    course = (np.arange(12) * 30.0, np.arange(12) * 0.42)
    whole = _slope_noise([course], variances(common_wander=1.0))[1]
    assert _slope_noise([course], variances(mode_wander=1.0, alike=0.5))[1] == pytest.approx(0.5 * whole)


def test_a_unit_that_stood_still_says_nothing_of_slopes():
    stood = (np.arange(8) * 30.0, np.zeros(8))
    driven = (np.arange(8) * 30.0, np.arange(8) * 0.4)
    alone = _slope_noise([driven], variances(1.0))
    assert _slope_noise([stood, driven], variances(1.0)) == alone
    assert _slope_noise([stood], variances(1.0, 1.0, common_white=1.0)) == (0.0, 0.0)


def test_slopes_count_as_real_beyond_what_noise_makes_of_them():
    # Hand-solved: sqrt(5^2 - 9) = 4; of a spread that noise explains, four tenths are left.
    assert _beyond(5.0, 9.0) == pytest.approx(4.0)
    assert _beyond(5.0, 24.0) == pytest.approx(2.0)
    assert _beyond(5.0, 99.0) == pytest.approx(2.0)


def sloping(own: float, common: float):
    distance = 0.4 * np.arange(COUNT)[:, None]

    def noise(rng, warm):
        slope = rng.normal(0.0, common) + rng.normal(0.0, own, len(SHIFTS))
        return slope * distance + rng.normal(0.0, 1.0, (COUNT, len(SHIFTS)))

    return noise


def test_slopes_of_cells_and_of_units_are_told_apart_without_what_noise_makes_of_them():
    # Known truth. 20 units lean by 4 / 24 on what is usual, 0.12 noise sd. A spread of 20 unit slopes is
    # known to 1.26 / sqrt(20), about 30 %, the mean of three to half of that; cells' own slopes pass in part
    # for wandering, so that their spread comes out up to a third too small and never too large.
    usual, rest = 4.0 / 24.0 * 0.12, 20.0 / 24.0
    seen = [fit_fleet(fleet_of(sloping(0.3, 0.3), seed=s), 10.0).noise["apply_trim"] for s in (1, 2, 3)]
    for noise in seen:
        assert rest * 0.2 + usual < noise.slope_sd < rest * 0.3 + usual
    assert np.mean([n.slope_common_sd for n in seen]) == pytest.approx(rest * 0.3 + usual, rel=0.3)
    # Noise alone makes slopes of sd sqrt(pi / 2) x sqrt(2 / 12) / 4.8 = 0.107; four tenths of them are left.
    still = fit_fleet(fleet_of(sloping(0.0, 0.0)), 10.0).noise["apply_trim"]
    assert still.slope_sd == pytest.approx(rest * 0.4 * 0.107 + usual, rel=0.3)
    assert still.slope_common_sd < rest * 0.107 + usual


@pytest.mark.parametrize("count", [2, 3, 4, 5])
def test_noise_of_hardly_any_readings_is_as_large_as_they_allow(count):
    # Hand-solved: one cell, 0 and 3 by turns, differs by 3 over odd lags and by 0 over even ones, fewer than
    # five times over any. The mean square over 2, times the n of the first lag over the tenth percentile of
    # chi-square with n degrees of freedom, is the variance.
    values = [3.0 * (t % 2) for t in range(count)]
    pairs = [(values[j] - values[i]) ** 2 for i in range(count) for j in range(i + 1, count)]
    tenth = {1: 0.0158, 2: 0.2107, 3: 0.5844, 4: 1.0636}[count - 1]  # published tables of chi-square
    noise = fit_fleet(panels(records(cell(values), count, kind=fine_profile())), 10.0).noise["apply_trim"]
    assert noise.sd**2 == pytest.approx(np.mean(pairs) / 2.0 * (count - 1) / tenth, rel=0.01)
    assert noise.common_wander_sd > 0.0
