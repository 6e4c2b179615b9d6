"""How far signals move together, against fleets in which that is known."""

from __future__ import annotations

import numpy as np
import pytest

from driftwatch.panel.across import _possible
from driftwatch.panel.build import panels
from driftwatch.panel.fleet import fit_fleet
from driftwatch.panel.noise import Fleet
from tests.assessment.units import profile
from tests.panel.by_hand import cell, fine_profile, records

SHIFTS = [s.id for s in profile().shifts]
SIGNALS = ("apply_trim", "release_trim", "torque_cut")
UNITS, COUNT = 40, 24
MEMORY = 0.75


def wandering(rng: np.random.Generator, correlation: np.ndarray) -> np.ndarray:
    """First-order wandering of sd 1 in every signal, (T, S), correlated from signal to signal."""
    new = rng.multivariate_normal(np.zeros(len(correlation)), correlation, COUNT)
    made = [new[0]]
    for t in range(1, COUNT):
        made.append(MEMORY * made[-1] + np.sqrt(1.0 - MEMORY**2) * new[t])
    return np.array(made)


def fleet_of(
    correlation, seed: int = 1, factor=(1.0, 1.0, 1.0), step=None, units: int = UNITS, level: float = 0.0
) -> Fleet:
    """Signals that wander together, with noise of sd 1 in each cell; `step(t)` moves a third of the units."""
    rng, made = np.random.default_rng(seed), []
    for unit in range(units):
        moved, rows = wandering(rng, np.array(correlation)), []
        for s, signal in enumerate(SIGNALS):
            for channel in SHIFTS:
                values = 5.0 * rng.normal() + moved[:, s] + rng.normal(size=COUNT)
                if step is not None and unit % 3 == 0:
                    values = values + step(np.arange(COUNT))
                rows += cell(list(factor[s] * values + level), 200.0, channel=channel, signal=signal)
        made += panels(records(rows, COUNT, kind=fine_profile()))
    return fit_fleet(made, 10.0)


TOGETHER = [[1.0, 0.6, -0.5], [0.6, 1.0, -0.3], [-0.5, -0.3, 1.0]]
APART = np.eye(3)


def test_the_correlation_of_what_signals_share_is_recovered_with_its_sign():
    # 40 units of 24 snapshots: a correlation is good to about 0.1, and a little is taken off it.
    across = fleet_of(TOGETHER).across
    for (a, b), known in (((0, 1), 0.6), ((0, 2), -0.5), ((1, 2), -0.3)):
        said = across[SIGNALS[a], SIGNALS[b]]
        assert said == across[SIGNALS[b], SIGNALS[a]]
        assert said == pytest.approx(known, abs=0.15)


def test_signals_that_wander_by_themselves_do_not_go_together():
    said = [abs(r) for seed in range(3) for r in fleet_of(APART, seed).across.values()]
    assert max(said, default=0.0) < 0.1


def test_the_unit_of_a_signal_does_not_matter_but_its_sign_does():
    plain, turned = fleet_of(TOGETHER), fleet_of(TOGETHER, factor=(100.0, 1.0, -0.01))
    for pair, said in plain.across.items():
        sign = -1.0 if "torque_cut" in pair else 1.0
        assert turned.across[pair] == pytest.approx(sign * said, rel=1e-6)


def test_the_level_of_the_values_does_not_matter():
    plain, moved = (fleet_of(TOGETHER, units=15, level=by) for by in (0.0, 300.0))
    assert len(plain.across) == 6
    assert moved.across == pytest.approx(plain.across, rel=1e-6)


def test_signals_that_never_move_do_not_go_together():
    assert fleet_of(TOGETHER, factor=(0.0, 0.0, 0.0), units=5).across == {}


def test_changes_of_a_third_of_the_units_do_not_make_it():
    # All signals move up together by two standard deviations of what they wander.
    stepped = fleet_of(APART, step=lambda t: 2.0 * (t >= 12)).across
    assert max((abs(r) for r in stepped.values()), default=0.0) < 0.2


def test_one_unit_tells_little_of_what_goes_together():
    few, many = fleet_of(TOGETHER, units=1).across, fleet_of(TOGETHER).across
    pair = SIGNALS[:2]
    assert abs(few.get(pair, 0.0)) < 0.5 * many[pair]


def test_correlations_that_cannot_be_are_mended():
    # Two signals that both go with a third, but against each other.
    mended = _possible(np.array([[1.0, 0.8, 0.8], [0.8, 1.0, -0.8], [0.8, -0.8, 1.0]]))
    assert np.linalg.eigvalsh(mended).min() > 0.0
    np.testing.assert_allclose(np.diag(mended), 1.0)
    assert mended[0, 1] > 0.3 > -0.3 > mended[1, 2]
    sound = np.array([[1.0, 0.5], [0.5, 1.0]])
    np.testing.assert_array_equal(_possible(sound), sound)
