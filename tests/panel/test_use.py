"""How often cells are learned from where nobody counted: as the fleet drives, over the distance driven."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from driftwatch.panel.build import panels
from driftwatch.panel.fleet import fit_fleet
from driftwatch.panel.noise import (
    UNCOUNTED_SHIFTS,
    UNCOUNTED_SPREAD,
    Use,
    shifts_learned,
    use_spread,
)
from driftwatch.panel.robust import MAD_TO_SD
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
    np.testing.assert_allclose(shifts_learned(made, fleet), [[0, 0], [50, 6], [70, 12]])
    np.testing.assert_array_equal(use_spread(made, fleet), [0.0, 0.3])
    # Twice as far, twice as many; and not driven at all, none.
    apart = replace(made, odometer_km=np.array([0.0, 8000.0, 8000.0]))
    np.testing.assert_allclose(shifts_learned(apart, fleet)[:, 1], [0, 12, 12])


def test_where_nobody_counted_shifts_lie_in_a_units_usual_distance():
    rows = cell([1.0, 2.0, 3.0], NAN)
    made = replace(panels(records(rows, 3))[0], odometer_km=np.array([0.0, 3000.0, 4000.0]))
    fleet = replace(fleet_with("apply_trim", white_sd=1.0), use={})
    # Hand-solved: 2 000 km are usual, so that 3 000 and 1 000 km are 1.5 and 0.5 times the usual number.
    learned = np.array([0.0, 1.5, 2.0]) * UNCOUNTED_SHIFTS
    np.testing.assert_allclose(shifts_learned(made, fleet)[:, 0], learned)
    np.testing.assert_array_equal(use_spread(made, fleet), [UNCOUNTED_SPREAD])
    still = replace(made, odometer_km=np.full(3, 500.0))
    np.testing.assert_array_equal(shifts_learned(still, fleet)[:, 0], [0.0, 0.0, 0.0])


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
    np.testing.assert_allclose(shifts_learned(made, fleet)[:, 0], [0, 0, 6])
    slipped = replace(made, slips=~made.usable)
    np.testing.assert_allclose(shifts_learned(slipped, fleet)[:, 0], [0, 6, 12])
