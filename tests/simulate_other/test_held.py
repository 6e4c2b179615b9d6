"""What the tables of probabilities are read off: by hand."""

from __future__ import annotations

from datetime import date
from itertools import pairwise

import numpy as np
import pytest

from driftwatch.assessment.results import Effect, Finding
from tests.bench.fleets import own_world
from tests.bench.held import IN_CLASS, classes, table_of, told

DAY = date(2026, 3, 14)
SIZE = (Effect("apply_trim", "kPa", 20.0, 18.0, 22.0),)


def finding(cause: str, by: date | None, event: str | None, size: tuple[Effect, ...] = SIZE) -> Finding:
    return Finding(cause, 0.9, DAY, by, None, (), (), event, size, (), "")


@pytest.mark.parametrize(
    ("given", "table"),
    [
        (finding("power", DAY, "E1"), "logged"),
        (finding("power", DAY, None), "unlogged"),
        (finding("pressure", DAY, "E1"), "pressure"),
        (finding("pressure", None, None), None),
        (finding("wear", None, None), "wear"),
        (finding("unexplained", DAY, "E1"), "unexplained"),
        # What the log alone says of a visit in which a rebuild hid it.
        (finding("fluid", DAY, "E1", ()), None),
        (finding("rebuild", DAY, "E1", ()), "logged"),
    ],
)
def test_each_finding_belongs_to_the_table_it_is_said_by(given, table):
    assert table_of(given) == table


def test_classes_are_of_one_size_and_what_held_never_falls():
    # Hand-solved: two classes, of which none and all held; half a finding more of either kind.
    model = np.r_[np.full(IN_CLASS, 2.0), np.full(IN_CLASS, -1.0)]
    mean, odds, count, hits = classes(model, (model > 0.0).astype(float))
    np.testing.assert_allclose(mean, [-1.0, 2.0])
    np.testing.assert_allclose(odds, np.log(2.0 * IN_CLASS + 1.0) * np.array([-1.0, 1.0]))
    np.testing.assert_array_equal(count, [IN_CLASS, IN_CLASS])
    np.testing.assert_array_equal(hits, [0, IN_CLASS])
    falling = classes(model, (model < 0.0).astype(float))[1]
    assert all(a <= b for a, b in pairwise(falling))


def test_every_finding_of_a_fleet_is_told_with_the_log_odds_of_the_model():
    rows = list(told(own_world("generic-6", 3, 5, "usual"), (1.0,)))
    assert {table for table, _, _ in rows} <= {"logged", "unlogged", "pressure", "wear", "unexplained"}
    # The tables stop at odds of a few hundred; the model's own go further where little else could be.
    assert max(odds for _, odds, _ in rows) > 8.0
    assert any(held for _, _, held in rows)
