"""Effects of candidate changes: what they must not depend on, and the cases that are set aside, by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import multivariate_normal

from driftwatch.changes import design as design_module
from driftwatch.changes.design import SUDDEN, Design, build_design, followed
from driftwatch.changes.estimates import (
    BASE,
    LATE_SHARE,
    ROUGH_SHARE,
    Candidates,
    Held,
    Placed,
    _typical_size,
    _without_loners,
    estimate_effects,
    held_beside,
)
from driftwatch.changes.evidence import Effects, Jump, Pattern, Sharing
from driftwatch.changes.search import search
from driftwatch.panel.build import panels
from driftwatch.panel.panel import Panel
from driftwatch.panel.scales import Scales
from tests.assessment.units import profile
from tests.panel.by_hand import cell, records
from tests.reference.plain_series import fleet_with, series

few = settings(derandomize=True, deadline=None, max_examples=15, database=None)
COUNT, CELLS = 16, 3
KINDS = ("step", "bend", "renewal")
SHIFTS = [s.id for s in profile().shifts]
NAN = float("nan")


@pytest.fixture(autouse=True)
def noise_of_the_fleet(monkeypatch):
    """A unit's own scale of noise leans on its size; here all units have the fleet's."""
    monkeypatch.setattr(
        design_module, "unit_scales", lambda panel, fleet, shifts: Scales(*np.ones((2, len(panel.cells))))
    )


def packs_at(values: np.ndarray, by: float = 1.0) -> Design:
    panel = series(by * values, distance=0.4 * np.arange(len(values)))
    return build_design(panel, fleet_with(white_sd=0.3 * by, wander_sd=0.2 * by, slope_sd=0.1 * by))


def trims(values: np.ndarray, counts: np.ndarray | float = 12.0) -> Panel:
    taught = np.broadcast_to(np.asarray(counts, dtype=float), values.shape)
    rows = [
        r
        for i in range(values.shape[1])
        for r in cell(list(values[:, i]), list(taught[:, i]), channel=SHIFTS[i])
    ]
    return panels(records(rows, len(values)))[0]


def trims_at(values: np.ndarray, counts: np.ndarray | float = 12.0) -> Design:
    noise = {"white_sd": 0.5, "learning_sd": 0.8, "common_white_sd": 0.2, "slope_sd": 0.1}
    return build_design(trims(values, counts), fleet_with("apply_trim", **noise))


def estimates(design: Design, kind: str) -> Effects:
    jump = anywhere(len(design.signal)) if kind == "renewal" else None
    return Candidates(design, held_beside(design, (), [])).effects(kind, jump)


def anywhere(cells: int) -> Jump:
    """Values that were cleared, nobody knows where to."""
    return Jump(np.full(cells, 2.0), np.zeros(cells), 0.0)


def drawn(seed: int, cells: int = CELLS) -> np.ndarray:
    rng = np.random.default_rng(seed)
    return 20.0 + rng.normal(0.0, 0.4, (COUNT, cells)) + 1.5 * (np.arange(COUNT)[:, None] >= 9)


@few
@given(st.integers(0, 1000), st.floats(-200.0, 200.0))
def test_the_level_of_the_values_does_not_matter(seed, shift):
    for kind in KINDS:
        a, b = (estimates(trims_at(drawn(seed) + by), kind) for by in (0.0, shift))
        np.testing.assert_allclose(b.estimate, a.estimate, atol=1e-5)
        np.testing.assert_allclose(b.own_var, a.own_var)


@few
@given(st.integers(0, 1000), st.sampled_from([0.145037738, 6.894757293168361]))
def test_in_another_unit_effects_are_that_unit(seed, by):
    for kind in KINDS:
        a, b = (estimates(packs_at(drawn(seed), k), kind) for k in (1.0, by))
        told = np.isfinite(a.own_var) & (np.arange(COUNT)[:, None] > 0)
        np.testing.assert_allclose(b.estimate[told], by * a.estimate[told], rtol=1e-4, atol=1e-4 * by)
        np.testing.assert_allclose(b.own_var[told], by**2 * a.own_var[told], rtol=1e-4)


@few
@given(st.integers(0, 1000))
def test_backwards_in_time_a_step_up_of_a_pack_is_a_step_down(seed):
    # Packs are measured afresh, so nothing in their model but the sign knows which way time runs. A step
    # before snapshot j is, told backwards, one before snapshot COUNT - j.
    values = drawn(seed)
    ahead, back = (estimates(packs_at(v), "step") for v in (values, values[::-1]))
    j = np.arange(1, COUNT)
    np.testing.assert_allclose(back.estimate[COUNT - j], -ahead.estimate[j], atol=1e-5)
    np.testing.assert_allclose(back.own_var[COUNT - j], ahead.own_var[j], rtol=1e-5)


@few
@given(st.integers(0, 1000), st.permutations(range(CELLS)))
def test_order_of_the_cells_does_not_matter(seed, order):
    values, order = drawn(seed), list(order)
    for kind in KINDS:
        a, b = estimates(packs_at(values), kind), estimates(packs_at(values[:, order]), kind)
        np.testing.assert_allclose(b.estimate, a.estimate[:, order], atol=1e-9)
        np.testing.assert_allclose(b.own_var, a.own_var[:, order])


@few
@given(st.integers(0, 1000))
def test_one_more_identical_cell_leaves_the_others_as_they_were(seed):
    # All cells alike, so that the typical size, by which lateness is weighed, is theirs as well.
    one = drawn(seed, 1)
    for kind in KINDS:
        two, three = (estimates(trims_at(np.repeat(one, n, axis=1)), kind) for n in (2, 3))
        np.testing.assert_allclose(three.estimate[:, :2], two.estimate, atol=1e-9)
        np.testing.assert_allclose(three.own_var[:, :2], two.own_var)
        np.testing.assert_allclose(three.estimate[:, 2], three.estimate[:, 0], atol=1e-9)


@few
@given(st.integers(0, 1000))
def test_a_cell_that_was_never_read_says_nothing_and_changes_nothing(seed):
    values = drawn(seed)
    silent = np.concatenate([values, np.full((COUNT, 1), NAN)], axis=1)
    for kind in KINDS:
        a, b = estimates(packs_at(values), kind), estimates(packs_at(silent), kind)
        np.testing.assert_allclose(b.estimate[:, :CELLS], a.estimate, atol=1e-9)
        np.testing.assert_allclose(b.own_var[:, :CELLS], a.own_var)
        assert np.isinf(b.own_var[:, CELLS]).all()
        assert (b.estimate[:, CELLS] == 0.0).all()


@few
@given(st.integers(0, 1000), st.floats(0.1, 0.6))
def test_fewer_readings_say_less(seed, share):
    values = drawn(seed)
    holes = np.where(np.random.default_rng(seed).random(values.shape) < share, NAN, values)
    for kind in ("step", "bend"):
        whole, part = estimates(packs_at(values), kind), estimates(packs_at(holes), kind)
        wide = part.own_var + part.shared_sd**2 >= (whole.own_var + whole.shared_sd**2) * (1.0 - 1e-9)
        said_both = np.isfinite(part.own_var) & np.isfinite(whole.own_var)
        assert wide[said_both].all()


@few
@given(st.integers(0, 1000), st.floats(0.001, 0.05))
def test_rounding_moves_an_effect_by_no_more_than_its_readings_weigh(seed, grain):
    # The effect on a pack is linear in its readings, and rounding moves each of them by half a grain at most.
    values = drawn(seed, 1)
    before, after = (
        estimates(packs_at(v), "step").estimate[:, 0] for v in (values, np.round(values / grain) * grain)
    )
    weights = [
        estimates(packs_at(values + np.eye(COUNT)[:, [t]]), "step").estimate[:, 0] - before
        for t in range(COUNT)
    ]
    assert (np.abs(after - before) <= 0.5 * grain * np.abs(weights).sum(axis=0) + 1e-9).all()


def plain_patterns(cells: int) -> tuple[Pattern, ...]:
    none, basis = np.zeros(cells), np.full((cells, 1), 0.5)
    jump = {"renewal": anywhere(cells)}
    spread = np.full(cells, 0.2)
    return tuple(Pattern(kind, kind, basis, spread, none, jump=jump.get(kind)) for kind in KINDS)


@pytest.mark.parametrize("count", [3, 16])
@pytest.mark.parametrize("level", [0.0, 31.0])
def test_a_constant_series_has_no_effects_and_no_changes(count, level):
    for design in (packs_at(np.full((count, 2), level)), trims_at(np.full((count, 2), level))):
        for kind in KINDS:
            assert np.abs(estimates(design, kind).estimate).max() < 1e-6
        patterns = plain_patterns(2)
        found = search(design, patterns, np.full((len(patterns), count), -3.0), 2.5)
        assert found.placed == ()


def test_two_snapshots_are_told_apart_as_far_as_noise_and_slope_allow():
    # Hand-solved: two readings of noise variance v each, level free, prior variance s^2 of the slope over
    # 0.4 (10 000 km): the difference 3 has variance 2 v + (0.4 s)^2, and a pack's slope has s = 4 sd, the
    # noise sd, or 4 times the fleet's spread, whichever is largest.
    v, s = 0.3**2, max(4.0 * 0.1, 0.3)
    panel = series(np.array([[20.0], [20.6]]), distance=np.array([0.0, 0.4]))
    effects = estimates(build_design(panel, fleet_with(white_sd=0.3, slope_sd=0.1)), "step")
    assert effects.estimate[1, 0] == pytest.approx(0.6, abs=1e-4)
    assert (effects.own_var + effects.shared_sd**2)[1, 0] == pytest.approx(2 * v + (0.4 * s) ** 2, rel=1e-4)


# --- what comes beside a change, against plain Bayesian regression ------------------------------------------


def regression(
    readings: np.ndarray, precision: np.ndarray, columns: np.ndarray, mean: np.ndarray, prior: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Second implementation: least squares with one more row for what is known of each coefficient.

    `readings` (T,) with inverse covariance `precision`, `columns` (T, n); the coefficients are `mean` (n,)
    with precisions `prior` (n,) beforehand. Gives their posterior mean and covariance.
    """
    whitener = np.linalg.cholesky(precision).T
    rows = np.concatenate([whitener @ columns, np.diag(np.sqrt(prior))])
    target = np.concatenate([whitener @ readings, np.sqrt(prior) * mean])
    solution = np.linalg.lstsq(rows, target, rcond=None)[0]
    return solution, np.linalg.inv(rows.T @ rows)


def log_likelihood(
    readings: np.ndarray, precision: np.ndarray, columns: np.ndarray, mean: np.ndarray, prior: np.ndarray
) -> float:
    """Second implementation: density of the readings with the coefficients integrated out."""
    covariance = np.linalg.inv(precision) + columns @ np.diag(1.0 / prior) @ columns.T
    return float(multivariate_normal(columns @ mean, covariance).logpdf(readings))


def renewed(seed: int) -> np.ndarray:
    """Trims that at snapshot 9 go to zero and are learned to a new level, five shifts a snapshot."""
    rng = np.random.default_rng(seed)
    since = np.arange(COUNT) - 8.5
    left = np.where(since > 0, np.exp(-0.5 * np.maximum(since, 0.0)), 0.0)[:, None]
    old, new = rng.normal(0.0, 8.0, CELLS), rng.normal(0.0, 8.0, CELLS)
    noise = rng.normal(0.0, 0.4, (COUNT, CELLS))
    return noise + np.where(since[:, None] > 0, new * (1.0 - left), old)


def separate(values: np.ndarray) -> Design:
    """The same design with each cell in a group of its own: no loners, and no jumps are shared."""
    design = trims_at(values, 5.0)
    apart = replace(design.sharing, group=np.arange(CELLS))
    return replace(design, sharing=apart, in_common=np.zeros_like(design.in_common))


TO_ZERO = Jump(np.array([0.7, 0.5, 2.0]), np.array([1.0, 1.0, 0.0]), 0.15)
PLACES = np.array([1, 5, 9, 14])


def held_before(design: Design) -> Held:
    """Level, slope, start, and an earlier step."""
    step = Pattern("step", "step", np.full((CELLS, 1), 2.0), np.full(CELLS, 1.0), np.zeros(CELLS))
    return held_beside(design, (step,), [Placed(0, 4)])


def against_regression(
    design: Design,
    held: Held,
    said: Effects,
    shapes: tuple[str, ...],
    means: list[np.ndarray],
    sds: list[np.ndarray],
) -> None:
    """Compare effects at PLACES with a regression on what is held, the step and the other shapes."""
    columns = dict(zip(SUDDEN, design.placed(SUDDEN, PLACES, 0.5).raw, strict=True))
    for j in range(len(PLACES)):
        bonus = 0.0
        for c in range(CELLS):
            beside = [columns[shape][c, :, j] for shape in shapes]
            given = (design.readings[c], design.precision[c])
            mean = np.r_[held.mean[c], [m[c, j] for m in means]]
            prior = np.r_[held.precision[c], [1.0 / s[c, j] ** 2 for s in sds]]
            without = np.column_stack([held.raw[c], *beside])
            count = held.raw.shape[2]
            bonus += log_likelihood(*given, without, mean, prior)
            bonus -= log_likelihood(*given, held.raw[c], mean[:count], prior[:count])
            main = columns["step"][c, :, j]
            whole = np.column_stack([main, without])
            solution, covariance = regression(*given, whole, np.r_[0.0, mean], np.r_[1e-12, prior])
            assert said.estimate[j, c] == pytest.approx(solution[0], rel=1e-4, abs=1e-4)
            var = said.own_var[j, c] + said.shared_sd[j, c] ** 2
            assert var == pytest.approx(covariance[0, 0], rel=1e-4)
        assert said.bonus[j] == pytest.approx(bonus, rel=1e-4, abs=1e-3)


@pytest.mark.parametrize("seed", range(3))
def test_a_renewal_is_a_regression_with_what_is_expected_of_its_jump(seed):
    # Beside the step a jump to zero from what the cell read before, give or take; and lateness in proportion
    # to that jump.
    design = separate(renewed(seed))
    held = held_before(design)
    said = Candidates(design, held, PLACES).effects("renewal", TO_ZERO)
    expected, free = TO_ZERO.prior(design.before[:, PLACES])
    late = LATE_SHARE * np.hypot(expected, free)
    against_regression(
        design, held, said, ("transient", "late"), [expected, np.zeros_like(late)], [free, late]
    )


def test_a_snapshot_that_moves_as_a_whole_is_noise_that_cells_share_and_no_clearing():
    # All cells stand out alike in one snapshot: a cold start, say. Where much of a reading's noise is shared,
    # that says little for values that were cleared; where each has its own, it says a lot.
    values = np.random.default_rng(4).normal(0.0, 0.5, (COUNT, CELLS))
    values[8] += 2.5
    design = build_design(trims(values), fleet_with("apply_trim", white_sd=0.5, common_white_sd=1.0))
    alone = replace(design, in_common=np.zeros_like(design.in_common))
    said = [float(estimates(d, "renewal").bonus[8]) for d in (design, alone)]
    assert said[0] < 0.5 * said[1]
    assert np.all(design.in_common == pytest.approx(1.0 / 1.25))


@pytest.mark.parametrize("seed", range(3))
def test_a_step_is_a_regression_with_lateness_and_a_rough_arrival_in_proportion_to_it(seed):
    design = separate(renewed(seed))
    held = held_before(design)
    said = Candidates(design, held, PLACES).effects("step", None)
    # How large steps are thought to be is not what is tested here.
    steps = design.placed(SUDDEN, PLACES, 0.5).raw[SUDDEN.index("step")]
    alone = estimate_effects(design, design.weigh(steps[None]), held)
    size = np.maximum(_typical_size(design, alone), 1e-8)
    none = [np.zeros_like(size)] * 2
    sds = [LATE_SHARE * size, ROUGH_SHARE * size]
    against_regression(design, held, said, ("late", "transient"), none, sds)


def test_where_nobody_counted_a_change_may_arrive_at_quite_another_time():
    # Hand-solved: where shifts are known sqrt(3) times worse than the rate of learning is, lateness
    # and a rough arrival are thought to be twice as large, before and after the change is held.
    counted = separate(renewed(7))
    design = replace(counted, use_spread=np.full(CELLS, np.sqrt(3.0) * LATE_SHARE))
    held = held_before(counted)
    np.testing.assert_allclose(
        held_before(design).precision[:, BASE + 1 :], held.precision[:, BASE + 1 :] / 4.0
    )
    said = Candidates(design, held, PLACES).effects("step", None)
    steps = design.placed(SUDDEN, PLACES, 0.5).raw[SUDDEN.index("step")]
    size = 2.0 * np.maximum(
        _typical_size(design, estimate_effects(design, design.weigh(steps[None]), held)), 1e-8
    )
    none = [np.zeros_like(size)] * 2
    against_regression(
        design, held, said, ("late", "transient"), none, [LATE_SHARE * size, ROUGH_SHARE * size]
    )


def test_what_is_held_lies_about_what_is_expected_of_it():
    # Second implementation, and by hand: the jump of a cell that is cleared to zero lies about what it read
    # before, with the minus sign; all else about nil.
    design = separate(renewed(4))
    none = np.zeros(CELLS)
    pattern = Pattern("r", "renewal", np.full((CELLS, 1), 2.0), none + 1.0, none, (1.0,), TO_ZERO)
    held = held_beside(design, (pattern,), [Placed(0, 9)])
    before = design.before[:, 9]
    np.testing.assert_array_equal(held.mean[:, : BASE + 1], 0.0)
    np.testing.assert_allclose(held.mean[:, BASE + 1], [-before[0], -before[1], 0.0])
    free = [np.hypot(0.7, 0.15 * before[0]), np.hypot(0.5, 0.15 * before[1]), 2.0]
    np.testing.assert_allclose(held.precision[:, BASE + 1], np.power(free, -2.0))
    for c in range(CELLS):
        known = (design.readings[c], design.precision[c], held.raw[c], held.mean[c], held.precision[c])
        solution, covariance = regression(*known)
        np.testing.assert_allclose(held.solution[c], solution, rtol=1e-5, atol=1e-6)
        np.testing.assert_allclose(held.inverse[c], covariance, rtol=1e-5, atol=1e-9)


def test_an_expectation_that_may_be_anything_says_nothing():
    design = separate(renewed(5))
    none = np.zeros(CELLS)
    jumps = [Jump(none + 1e4, none + to_zero, 0.0) for to_zero in (0.0, 1.0)]
    basis = np.full((CELLS, 1), 2.0)
    solved = [
        held_beside(design, (Pattern("r", "renewal", basis, none + 1.0, none, (1.0,), j),), [Placed(0, 9)])
        for j in jumps
    ]
    np.testing.assert_allclose(solved[1].solution[:, BASE + 1], solved[0].solution[:, BASE + 1], rtol=1e-4)


def test_what_stays_is_the_effect_of_a_renewal_and_the_jump_that_of_a_relearn():
    design = separate(renewed(6))
    none = np.zeros(CELLS)
    renewal = Pattern("rebuild", "renewal", np.full((CELLS, 1), 8.0), none + 8.0, none, (1.0,), TO_ZERO)
    relearn = replace(renewal, name="relearn", returns=True)
    assert held_beside(design, (renewal,), [Placed(0, 9)]).effect == (BASE,)
    assert held_beside(design, (relearn,), [Placed(0, 9)]).effect == (BASE + 1,)
    both = held_beside(design, (relearn, renewal), [Placed(0, 3), Placed(1, 9)])
    assert both.effect == (BASE + 2, BASE + 1)


# --- cells that learn after a need that moves ---------------------------------------------------------------


@few
@given(st.integers(0, 1000))
def test_following_a_need_is_a_loop_over_single_shifts(seed):
    # Second implementation: every shift closes the same share of the gap between what is stored and what is
    # needed; ten shifts leave 1 / e of it.
    rng = np.random.default_rng(seed)
    counts = rng.integers(0, 40, (4, 9)).astype(float)
    need = np.cumsum(rng.normal(0.0, 1.0, (9, 2)), axis=0)
    need[0] = 0.0
    shown = followed(need, counts, 10.0)
    for c in range(4):
        stored = np.zeros(2)
        for t in range(9):
            for _ in range(int(counts[c, t])):
                stored = stored + (1.0 - np.exp(-0.1)) * (need[t] - stored)
            np.testing.assert_allclose(shown[c, t], stored, atol=1e-12)


def test_a_pack_shows_its_need_at_once_and_an_undriven_cell_never():
    need = np.array([[0.0], [1.0], [3.0]])
    shown = followed(need, np.array([[np.inf] * 3, [0.0] * 3]), 10.0)
    np.testing.assert_array_equal(shown[0], need)
    np.testing.assert_array_equal(shown[1], 0.0)


# --- loners -------------------------------------------------------------------------------------------------


def group_of(estimate: list[float], shared: float = 0.0) -> Effects:
    """One candidate; every cell has noise variance 1 of its own."""
    row = np.array([estimate])
    return Effects(row, np.ones_like(row), np.full_like(row, shared), np.zeros((1, 1)), np.zeros(1))


def loners(effects: Effects, group: np.ndarray | None = None) -> list[int]:
    count = effects.estimate.shape[1]
    group = np.zeros(count, dtype=np.int64) if group is None else group
    after = _without_loners(effects, Sharing(group, group, np.eye(1)), np.ones(count, dtype=bool))
    gone = np.flatnonzero(np.isinf(after.own_var[0]))
    kept = np.setdiff1d(np.arange(count), gone)
    assert (after.estimate[0, gone] == 0.0).all()
    assert (after.shared_sd[0, gone] == 0.0).all()
    np.testing.assert_array_equal(after.estimate[0, kept], effects.estimate[0, kept])
    return list(gone)


def test_a_lone_cell_far_from_the_others_says_nothing():
    assert loners(group_of([0.0] * 9 + [10.0])) == [9]
    assert loners(group_of([0.0] * 9 + [-10.0])) == [9]
    assert loners(group_of([0.0] * 9 + [3.0])) == []


def test_up_to_three_cells_of_forty_are_loners_and_four_are_a_change():
    # Hand-solved: 5 % of 40 are two, so the limit is three. The others' mean is 30 / 39 of one standard
    # deviation for three cells of 10, and 40 / 39 for four: both still.
    assert loners(group_of([0.0] * 37 + [10.0] * 3)) == [37, 38, 39]
    assert loners(group_of([0.0] * 36 + [10.0] * 4)) == []


def test_of_many_cells_a_twentieth_may_be_loners():
    # Hand-solved: 5 % of 200 are ten.
    assert len(loners(group_of([0.0] * 190 + [10.0] * 10))) == 10
    assert loners(group_of([0.0] * 189 + [10.0] * 11)) == []


def test_a_cell_that_leads_others_that_move_too_is_no_loner():
    # Hand-solved: the others moved by 2 standard deviations, which is not standing still (1.5).
    assert loners(group_of([2.0] * 9 + [10.0])) == []
    assert loners(group_of([1.0] * 9 + [10.0])) == [9]
    # Of two cells the other one alone is the mean of the others.
    assert loners(group_of([1.6, 6.0])) == []
    assert loners(group_of([1.4, 6.0])) == [1]


def test_a_pack_is_never_a_loner_nor_is_a_cell_without_others():
    # One pack may be renewed while the others stay; and without others nobody stood still.
    count = 10
    effects = group_of([0.0] * 9 + [10.0])
    alike = np.zeros(count, dtype=np.int64)
    packs = _without_loners(effects, Sharing(alike, alike, np.eye(1)), np.zeros(count, dtype=bool))
    assert np.isfinite(packs.own_var).all()
    assert loners(group_of([0.0] * 9 + [10.0]), np.array([0] * 9 + [1])) == []


def test_only_the_cells_of_its_own_signal_and_mode_count():
    group = np.array([0] * 5 + [1] * 5)
    assert loners(group_of([0.0] * 4 + [10.0] + [10.0] * 5), group) == [4]


def test_noise_that_the_cells_share_makes_far_less_far():
    # Hand-solved: sd sqrt(1 + 3^2) instead of 1, so 10 is 3.2 standard deviations: not beyond 3.5.
    assert loners(group_of([0.0] * 9 + [10.0], shared=3.0)) == []
