"""How often cells are learned from where nobody counted: as the fleet drives, over the distance driven."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import nbinom

from driftwatch.panel.build import panels
from driftwatch.panel.fleet import fit_fleet
from driftwatch.panel.noise import Use
from driftwatch.panel.panel import Panel
from driftwatch.panel.robust import MAD_TO_SD
from driftwatch.panel.use import (
    STOOD_SPREAD,
    UNCOUNTED_SHIFTS,
    UNCOUNTED_SPREAD,
    USE_SHAPE,
    _chance_of_none,
    _standstills,
    driven,
    usual_use,
)
from tests.panel.by_hand import cell, records
from tests.reference.plain_series import fleet_with

NAN = float("nan")


def used(**shifts: float) -> dict[tuple[str, str], Use]:
    """Shifts from 1st to 2nd in 10 000 km, by mode."""
    return {(mode, "1-2"): Use(often, 0.3) for mode, often in shifts.items()}


def test_uncounted_shifts_are_those_that_the_fleet_makes_over_that_distance():
    # Hand-solved: 4 000 km between snapshots, so 125 and 15 in 10 000 km are 50 and 6.
    rows = cell([1.0, 2.0, 3.0], [30.0, NAN, 20.0]) + cell([1.0, 2.0, 3.0], NAN, mode="tow")
    made = panels(records(rows, 3))[0]
    fleet = replace(fleet_with("apply_trim", white_sd=1.0), use=used(normal=125.0, tow=15.0))
    np.testing.assert_allclose(driven(made, fleet).so_far, [[0, 0], [50, 6], [70, 12]])
    np.testing.assert_array_equal(driven(made, fleet).spread, [0.0, 0.3])
    # Twice as far, twice as many; and not driven at all, none.
    apart = replace(made, odometer_km=np.array([0.0, 8000.0, 8000.0]))
    np.testing.assert_allclose(driven(apart, fleet).so_far[:, 1], [0, 12, 12])


def test_where_nobody_counted_shifts_lie_in_a_units_usual_distance():
    rows = cell([1.0, 2.0, 3.0], NAN)
    made = replace(panels(records(rows, 3))[0], odometer_km=np.array([0.0, 3000.0, 4000.0]))
    fleet = replace(fleet_with("apply_trim", white_sd=1.0), use={})
    # Hand-solved: 2 000 km are usual, so that 3 000 and 1 000 km are 1.5 and 0.5 times the usual number.
    learned = np.array([0.0, 1.5, 2.0]) * UNCOUNTED_SHIFTS
    np.testing.assert_allclose(driven(made, fleet).so_far[:, 0], learned)
    np.testing.assert_array_equal(driven(made, fleet).spread, [UNCOUNTED_SPREAD])
    still = replace(made, odometer_km=np.full(3, 500.0))
    np.testing.assert_array_equal(driven(still, fleet).so_far[:, 0], [0.0, 0.0, 0.0])


def test_how_often_a_cell_is_learned_from_is_the_median_of_units_with_counts():
    units = ("A", "B", "C", "D")
    often = {"A": 10.0, "B": 20.0, "C": 80.0, "D": NAN}
    rows = [
        row
        for unit, count in often.items()
        for channel, times in (("1-2", 1.0), ("2-3", 0.0 if unit == "C" else 2.0))
        for row in cell([1.0, 2.0, 3.0], times * count, channel=channel, unit=unit)
    ]
    rows += cell([1.0, 2.0, 3.0], NAN, channel="3-4", unit="D")
    fleet = fit_fleet(panels(records(rows, 3, units)), 10.0)
    # Hand-solved: 10, 20 and 80 shifts in 4 000 km; logarithms lie log 2 and log 4 from their median, the
    # median of 0, log 2 and log 4 is log 2. Three units against FEW_UNITS = 4 that say nothing.
    of_shift = fleet.use["normal", "1-2"]
    assert of_shift.shifts == pytest.approx(50.0)
    apart = 3 / 7 * (MAD_TO_SD * np.log(2.0)) ** 2 + 4 / 7 * UNCOUNTED_SPREAD**2
    assert of_shift.spread == pytest.approx(np.sqrt(apart))
    # 20, 40 and none: the unit without any counts as half a shift in its 8 000 km, below the others.
    assert fleet.use["normal", "2-3"].shifts == pytest.approx(50.0)
    # Nobody counted the third shift: it is driven as the mode's others are, all six of them.
    log_rates = np.log([25.0, 50.0, 200.0, 50.0, 100.0, 0.625])
    assert fleet.use["normal", "3-4"].shifts == pytest.approx(np.exp(np.median(log_rates)))


def test_an_uncounted_cell_that_reads_as_before_has_learned_from_no_shift():
    # Three cells of a seldom-driven mode, without counts: what repeats was not driven, a slip may have been.
    rows = [
        row
        for i in range(3)
        for row in cell([1.0, 1.0, 2.0 + i], NAN, channel=f"{i + 1}-{i + 2}", mode="tow")
    ]
    made = panels(records(rows, 3))[0]
    fleet = replace(
        fleet_with("apply_trim", white_sd=1.0),
        use={("tow", f"{i}-{i + 1}"): Use(15.0, 0.3) for i in range(1, 4)},
    )
    assert not made.usable[1].any()
    np.testing.assert_allclose(driven(made, fleet).so_far[:, 0], [0, 0, 6])
    slipped = replace(made, slips=~made.usable)
    np.testing.assert_allclose(driven(slipped, fleet).so_far[:, 0], [0, 6, 12])


@settings(derandomize=True, deadline=None, max_examples=8, database=None)
@given(
    st.lists(st.integers(1, 90), min_size=2, max_size=6),
    st.floats(-40_000.0, 400_000.0),
    st.randoms(use_true_random=False),
)
def test_neither_order_of_units_nor_the_odometers_zero_matters_to_how_the_fleet_drives(counts, km, shuffle):
    rows = [cell([1.0, 2.0, 3.0], float(n)) for n in counts]
    plain = [panels(records(r, 3))[0] for r in rows]
    mixed = [replace(p, odometer_km=p.odometer_km + km) for p in plain]
    shuffle.shuffle(mixed)
    (place,) = usual_use(plain)
    # Hand-solved: 2 n shifts in 8 000 km are 2.5 n in 10 000.
    rates = [2.5 * n for n in counts]
    assert usual_use(plain)[place].shifts == pytest.approx(np.exp(np.median(np.log(rates))))
    assert usual_use(mixed)[place].shifts == pytest.approx(usual_use(plain)[place].shifts)
    assert usual_use(mixed)[place].spread == pytest.approx(usual_use(plain)[place].spread)
    # The same fleet twice drives as it does.
    twice = usual_use([*plain, *plain])[place]
    assert twice.shifts == pytest.approx(usual_use(plain)[place].shifts)


# --- standstills --------------------------------------------------------------------------------------------

CHANNELS = ("1-2", "2-1", "2-3", "3-2", "3-4", "4-3")
SIGNALS = ("apply_trim", "release_trim")
SNAPSHOTS = 30


def uncounted(rng: np.random.Generator, **often: float) -> Panel:
    """A unit without counts, by mode the shifts that its cells make in a gap; each moves them to a new value.

    Shifts by the negative binomial law of the model; values by the controller's step of 1, over some ten.
    """
    rows = []
    for mode, shifts in often.items():
        for signal in SIGNALS:
            for channel in CHANNELS:
                made = rng.negative_binomial(USE_SHAPE, USE_SHAPE / (USE_SHAPE + shifts), SNAPSHOTS)
                fresh = np.round(rng.normal(0.0, 4.0, SNAPSHOTS))
                last = np.maximum.accumulate(np.where(made > 0, np.arange(SNAPSHOTS), 0))
                rows += cell(list(fresh[last]), NAN, mode=mode, channel=channel, signal=signal)
    return panels(records(rows, SNAPSHOTS))[0]


def often_in(panel: Panel, mode: str) -> float:
    (found,) = np.unique(_standstills(panel)[1][[c.mode == mode for c in panel.cells]])
    return float(found)


@pytest.mark.parametrize("shifts", [0.3, 1.0, 3.0])
def test_how_seldom_a_mode_is_driven_is_read_from_its_standstills(shifts):
    # Twenty units; 12 cells x 29 gaps each. What rounding repeats is read from the other mode.
    rng = np.random.default_rng(3)
    found = [often_in(uncounted(rng, normal=60.0, tow=shifts), "tow") for _ in range(20)]
    assert np.mean(found) == pytest.approx(shifts, rel=0.15)


def test_a_mode_that_is_driven_much_is_left_to_the_fleet():
    rng = np.random.default_rng(4)
    fleet = replace(fleet_with("apply_trim", white_sd=1.0), use=used(normal=150.0))
    told = 0
    for _ in range(20):
        made = uncounted(rng, normal=60.0, tow=60.0)
        told += sum(np.isfinite(often_in(made, mode)) for mode in ("normal", "tow"))
    # By chance one of two modes alike repeats less; three standard errors less is seldom.
    assert told <= 2
    use = driven(made, fleet)
    cells = [(c.mode, c.channel) for c in made.cells]
    np.testing.assert_allclose(use.shifts[1:, cells.index(("normal", "1-2"))], 60.0)
    np.testing.assert_allclose(use.shifts[1:, cells.index(("tow", "1-2"))], UNCOUNTED_SHIFTS)


def test_what_stands_still_learned_from_none_and_what_moved_from_the_mean_of_the_others():
    made = uncounted(np.random.default_rng(5), normal=60.0, tow=0.5)
    fleet = fleet_with("apply_trim", white_sd=1.0)
    use, often = driven(made, fleet), often_in(made, "tow")
    tow = np.array([c.mode == "tow" for c in made.cells])
    still = np.diff(made.values, axis=0) == 0.0
    np.testing.assert_array_equal(use.shifts[1:][still & tow], 0.0)
    # Second implementation: SciPy's negative binomial law; 4 000 km lie in every gap.
    law = nbinom(USE_SHAPE, USE_SHAPE / (USE_SHAPE + often))
    assert _chance_of_none(np.array(often)) == pytest.approx(law.pmf(0))
    moved = use.shifts[1:][~still & tow]
    np.testing.assert_allclose(moved, law.mean() / law.sf(0))
    np.testing.assert_array_equal(use.spread[tow], STOOD_SPREAD)
    # Nine times as far between two snapshots, more shifts; hand-solved from the same law.
    far = replace(
        made, odometer_km=np.cumsum(np.r_[0.0, np.tile([800.0, 7200.0], SNAPSHOTS)[: SNAPSHOTS - 1]])
    )
    usual = far.odometer_km[-1] / (SNAPSHOTS - 1)
    for row, run in ((1, 800.0), (2, 7200.0)):
        law = nbinom(USE_SHAPE, USE_SHAPE / (USE_SHAPE + often * run / usual))
        moved = driven(far, fleet).shifts[row][~still[row - 1] & tow]
        np.testing.assert_allclose(moved, law.mean() / law.sf(0))


def test_of_one_mode_or_with_counts_standstills_say_nothing():
    rng = np.random.default_rng(6)
    made = uncounted(rng, tow=0.5)
    assert np.isnan(_standstills(made)[1]).all()
    both = uncounted(rng, normal=60.0, tow=0.5)
    counted = replace(both, learn_counts=np.full(both.values.shape, 7.0))
    use = driven(counted, fleet_with("apply_trim", white_sd=1.0))
    np.testing.assert_array_equal(use.shifts, 7.0)
    np.testing.assert_array_equal(use.spread, 0.0)
