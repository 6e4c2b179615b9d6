"""Drifts from before the first snapshot: what slopes of a usual unit may do; by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from driftwatch.causes.drift import AGEING_ODDS, PRESSURE_ODDS, pressure_drift, pressure_from_start
from driftwatch.causes.signatures import (
    AGES_ALONE,
    WITH_WEAR_UNREAD,
    Family,
    SlopeFamilies,
    families,
    slope_families,
)
from driftwatch.changes.evidence import Effects, sharing
from driftwatch.panel.build import panels
from driftwatch.panel.panel import Cell, Floats, Panel
from tests.assessment.units import known, plan, profile, records_of
from tests.reference.plain_series import WHITE

few = settings(derandomize=True, deadline=None, max_examples=6, database=None)
#: Own and common spread of slopes, the same for every signal.
OWN, COMMON = 0.2, 0.5
FLEET = replace(
    known().fleet,
    noise={s.name: replace(WHITE, slope_sd=OWN, slope_common_sd=COMMON) for s in profile().signals},
)


def unit(*signals: str) -> Panel:
    chosen = signals or tuple(s.name for s in profile().signals)
    return panels(records_of(plan(signals=chosen, modes=("normal",))))[0]


def where(panel: Panel, signal: str, pack: str) -> Floats:
    def is_of(cell: Cell) -> bool:
        return cell.signal == signal and pack in (cell.applies, cell.channel)

    return np.array([is_of(c) for c in panel.cells], dtype=float)


def slopes_of(panel: Panel, **size: float) -> Floats:
    """Slopes (C,): each pack's volume as said, all else at rest."""
    return sum((s * where(panel, "clutch_volume", p) for p, s in size.items()), np.zeros(len(panel.cells)))


def variances(panel: Panel, slopes: Floats) -> Floats:
    usual = slope_families(panel, FLEET, slopes).usual
    return usual.basis @ usual.basis.T


def test_a_usual_units_trims_and_times_drift_together_and_each_a_little_alone():
    # Hand-solved: apply trims and shift time each have the variance COMMON^2, of which a quarter is alone;
    # what is left they share. Torque cut shares nothing with either.
    panel = unit()
    together = variances(panel, slopes_of(panel))
    at = {
        s: next(i for i, c in enumerate(panel.cells) if c.signal == s) for s in ("shift_time", "torque_cut")
    }
    apply = [i for i, c in enumerate(panel.cells) if c.signal == "apply_trim"]
    onto = {panel.cells[i].applies: i for i in apply}
    one, other = list(onto.values())[:2]
    assert AGES_ALONE == 0.5
    assert together[at["shift_time"], at["shift_time"]] == pytest.approx(COMMON**2)
    assert together[one, at["shift_time"]] == pytest.approx(0.75 * COMMON**2)
    assert together[one, other] == pytest.approx(COMMON**2)
    assert together[one, at["torque_cut"]] == 0.0
    assert together[at["torque_cut"], at["torque_cut"]] == pytest.approx(COMMON**2)


@pytest.mark.parametrize(("growth", "reach"), [(0.0, 1.0), (0.6, np.sqrt(10.0)), (2.4, np.sqrt(145.0))])
def test_wear_moves_the_trims_of_its_shifts_as_far_as_the_packs_volume_says(growth, reach):
    # Hand-solved: growth of 0.6 is three of the fleet's spreads of 0.2, of 2.4 twelve: hypot(1, 3), (1, 12).
    panel = unit()
    together = variances(panel, slopes_of(panel, pack3=growth))
    trim = int(np.flatnonzero(where(panel, "apply_trim", "pack3"))[0])
    assert together[trim, trim] - COMMON**2 == pytest.approx((reach * OWN) ** 2)
    still = int(np.flatnonzero(where(panel, "apply_trim", "pack1"))[0])
    assert together[still, still] - COMMON**2 == pytest.approx(OWN**2)


def test_where_volumes_are_not_read_wear_may_move_trims_three_times_as_far_as_usual():
    panel = unit("apply_trim", "shift_time")
    together = variances(panel, slopes_of(panel))
    trim = int(np.flatnonzero(where(panel, "apply_trim", "pack3"))[0])
    assert WITH_WEAR_UNREAD == 3.0
    assert together[trim, trim] - COMMON**2 == pytest.approx((3.0 * OWN) ** 2)


def log_odds(panel: Panel, slopes: Floats) -> float:
    together, shape = sharing(panel.cells, {}), (1, len(slopes))
    of_mode = np.zeros((1, together.member.shape[1]))
    effects = Effects(slopes[None], np.full(shape, 0.1**2), np.zeros(shape), of_mode, np.zeros(1))
    drifts: SlopeFamilies = slope_families(panel, FLEET, slopes)
    return pressure_from_start(effects, drifts, together)


def test_trims_that_rise_though_no_pack_grows_are_pressure_and_with_growth_they_may_be_wear():
    # All apply trims rise alike, far beyond what units do; the release trims half as far. If all packs grew
    # as far and release trims stood still, it may as well be wear of all of them.
    panel = unit("apply_trim", "release_trim", "clutch_volume")
    rise = np.array([{"apply_trim": 4.0, "release_trim": 2.0}.get(c.signal, 0.0) for c in panel.cells])
    growth = np.array([4.0 * (c.signal == "clutch_volume") for c in panel.cells])
    falling, wearing, quiet = (log_odds(panel, s) for s in (rise, rise * (rise > 3.0) + growth, 0.0 * rise))
    assert falling > 2.0
    assert wearing < falling - 2.0
    assert quiet < np.log(PRESSURE_ODDS)


def rising(panel: Panel, seed: int, by: float) -> Floats:
    """Apply trims that rise alike, release trims half as far, and chance."""
    way = np.array([{"apply_trim": by, "release_trim": by / 2.0}.get(c.signal, 0.0) for c in panel.cells])
    return way + np.random.default_rng(seed).normal(0.0, OWN, len(panel.cells))


@few
@given(st.integers(0, 500), st.sampled_from([0.0, 1.5, 4.0]), st.randoms(use_true_random=False))
def test_order_and_signs_do_not_matter_to_a_drift_from_the_start(seed, by, shuffle):
    panel = unit("apply_trim", "release_trim", "clutch_volume")
    slopes, order = rising(panel, seed, by), list(range(len(panel.cells)))
    plain = log_odds(panel, slopes)
    # Noise here has no slope that is usual, so that a drift down is a drift up turned round.
    assert log_odds(panel, -slopes) == pytest.approx(plain, abs=1e-6)
    shuffle.shuffle(order)
    mixed = replace(panel, cells=tuple(panel.cells[i] for i in order))
    assert log_odds(mixed, slopes[order]) == pytest.approx(plain, abs=1e-6)


@few
@given(st.integers(0, 500), st.sampled_from([0.0, 4.0]))
def test_slopes_that_say_nothing_leave_the_prior_odds_of_a_drift(seed, by):
    panel = unit("apply_trim", "release_trim", "shift_time")
    slopes = rising(panel, seed, by)
    together, shape = sharing(panel.cells, {}), (1, len(slopes))
    nothing = Effects(
        np.zeros(shape), np.full(shape, np.inf), np.zeros(shape), np.zeros((1, together.member.shape[1])),
        np.zeros(1),
    )  # fmt: skip
    said = pressure_from_start(nothing, slope_families(panel, FLEET, slopes), together)
    assert said == pytest.approx(np.log(PRESSURE_ODDS) - np.log1p(AGEING_ODDS), abs=1e-9)


def left_of(panel: Panel, later: float, sudden: float) -> tuple[tuple[Family, ...], Floats]:
    """Families, and a table in which one snapshot has these log odds of a pressure drift and of a step."""
    known = families(panel, FLEET)
    left = np.full((len(known), 6), -np.inf)
    left[next(i for i, f in enumerate(known) if f.pattern.name == "pressure drift"), 3] = later
    left[0, 2] = sudden
    return known, left


@pytest.mark.parametrize(
    ("from_start", "later", "sudden", "log_odds"),
    [
        # Hand-solved: odds e^(1.98 + 1.64 s) + e^(0.66 l - 0.9), s and l from -6 to 4, and no more than e^4.
        (0.0, 0.0, 0.0, np.log(np.exp(1.98) + np.exp(-0.9))),
        (-3.0, -2.0, 1.0, np.log(np.exp(-2.94) + np.exp(-2.22))),
        (-3.0, 2.0, 1.0, np.log(np.exp(-2.94) + np.exp(0.42))),
        (-9.0, -np.inf, -np.inf, np.log(np.exp(-7.86) + np.exp(-4.86))),
        (12.0, 7.0, 4.0, 4.0),
        # Of a sudden change that was not found, what is over 4 is taken off the others: 12 - 14 and 7 - 14.
        (12.0, 7.0, 18.0, np.log(np.exp(-1.3) + np.exp(-4.86))),
        (12.0, 7.0, 50.0, np.log(np.exp(-7.86) + np.exp(-4.86))),
    ],
)
def test_slopes_and_a_weak_beginning_are_weighed_together(from_start, later, sudden, log_odds):
    said = pressure_drift(from_start, *left_of(unit(), later, sudden))
    assert said == pytest.approx(1.0 / (1.0 + np.exp(-log_odds)))


def test_without_families_to_weigh_the_slopes_alone_tell():
    # Hand-solved: no family is as far from it as can be, e^(1.98 - 1.64) + e^(-0.9 - 6 * 0.66).
    odds = np.exp(0.34) + np.exp(-4.86)
    assert pressure_drift(-1.0, (), np.zeros((0, 6))) == pytest.approx(odds / (1.0 + odds))


def test_weak_beginnings_of_other_drifts_do_not_count():
    known, left = left_of(unit(), -2.0, -2.0)
    other = next(i for i, f in enumerate(known) if f.pattern.name == "ageing fluid")
    before = pressure_drift(-1.0, known, left)
    left[other, 3] = 3.0
    assert pressure_drift(-1.0, known, left) == before
