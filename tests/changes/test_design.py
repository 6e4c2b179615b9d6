"""The shapes that a change may have over the snapshots, by hand."""

from __future__ import annotations

import numpy as np
import pytest

from driftwatch.changes.design import SLOW, SUDDEN, build_design, candidates
from tests.reference.plain_series import fleet_with, series

LEARNED = np.array([[0.0, 20.0, 20.0, 10.0], [0.0, np.inf, np.inf, np.inf]])
LEARNED[1, 0] = np.inf
DISTANCE = np.array([0.0, 0.5, 1.0, 2.0])


def columns_of(kind: str, rate: float, at: list[int], share: float | np.ndarray = 0.5) -> np.ndarray:
    shapes = next(shapes for shapes in (SUDDEN, SLOW) if kind in shapes)
    return candidates(shapes, LEARNED, DISTANCE, rate, share, np.array(at))[shapes.index(kind)]


def shape(kind: str, at: int, share: float = 0.5) -> np.ndarray:
    return columns_of(kind, 10.0, [at], share)[:, :, 0]


def test_a_step_is_reached_over_the_shifts_learned_since():
    # Hand-solved: half of the 20 shifts before snapshot 2 came after the change, then 10 more:
    # 1 - exp(-10/10), 1 - exp(-20/10). A pack is measured afresh: whole at once.
    step = shape("step", 2)
    np.testing.assert_allclose(step[0], [0.0, 0.0, 1 - np.exp(-1), 1 - np.exp(-2)])
    np.testing.assert_allclose(step[1], [0.0, 0.0, 1.0, 1.0])


def test_a_jump_is_learned_away_as_a_step_is_learned():
    jump, step = shape("transient", 2), shape("step", 2)
    np.testing.assert_allclose(jump[0] + step[0], [0.0, 0.0, 1.0, 1.0])
    np.testing.assert_allclose(jump[1], 0.0)


def test_a_bend_counts_distance_from_the_snapshot_before_it():
    # Hand-solved: from snapshot 1 (0.5) on, 0.5 and 1.5 in 10 000 km. A pack shows it at once; the other cell
    # has followed it by 1 - exp(-2) after 20 shifts, and by 1 - exp(-1) of what was left after 10 more.
    first = 0.5 * (1.0 - np.exp(-2.0))
    bend = shape("bend", 2)
    np.testing.assert_allclose(bend[1], [0.0, 0.0, 0.5, 1.5])
    np.testing.assert_allclose(bend[0], [0.0, 0.0, first, first + (1.0 - np.exp(-1.0)) * (1.5 - first)])


def test_a_wrong_rate_of_learning_shows_as_lateness():
    # Second implementation: the numerical derivative of the step after the logarithm of the rate.
    def step(rate: float) -> np.ndarray:
        return columns_of("step", rate, [2])[:, :, 0]

    slope = (step(10.0 * np.exp(-1e-5)) - step(10.0 * np.exp(1e-5))) / 2e-5
    np.testing.assert_allclose(shape("late", 2), slope, atol=1e-8)


def test_nothing_can_change_before_the_first_snapshot():
    for kind in ("step", "transient", "bend"):
        np.testing.assert_array_equal(shape(kind, 0), 0.0)


@pytest.mark.parametrize("kind", ["step", "transient", "bend"])
def test_nothing_shows_before_its_time(kind):
    assert (shape(kind, 3)[:, :3] == 0.0).all()


def test_columns_of_a_plain_series_are_weighed_by_the_noise():
    # Hand-solved: independent noise of sd 2 quarters everything (the series is quiet, so its own scale is
    # taken as the least allowed and divides as well). A step before snapshot 9 is on for 3 of 12 readings.
    values = np.full(12, 30.0)
    values[::2] += 1.0
    design = build_design(series(values), fleet_with(white_sd=2.0))
    scale = design.precision[0, 0, 0] * 4.0
    np.testing.assert_allclose(design.precision[0], np.eye(12) / 4.0 * scale, atol=1e-12)
    np.testing.assert_allclose(design.readings[0] + design.centre[0], values)
    columns, step = design.columns[SUDDEN], SUDDEN.index("step")
    assert columns.information[step, step, 0, 9] == pytest.approx(3.0 / 4.0 * scale)
    assert columns.score[step, 0, 9] == pytest.approx(-0.5 / 4.0 * scale)


def test_a_moment_between_snapshots_can_differ_by_candidate():
    both = columns_of("step", 10.0, [1, 3], np.array([0.2, 1.0]))
    np.testing.assert_allclose(both[:, :, 0], shape("step", 1, 0.2))
    np.testing.assert_allclose(both[:, :, 1], shape("step", 3, 1.0))
