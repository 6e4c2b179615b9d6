"""Fleets that are spoiled for the scorecard: what is mistyped, and that nothing else is."""

from __future__ import annotations

import numpy as np

from tests.bench.fleets import mistyped, other_world


def test_a_share_of_the_readings_is_mistyped_and_the_rest_stays():
    known = other_world("generic-6", 2, 5, "usual")
    before = known.fleet.snapshots
    spoiled = mistyped(known, 0.1, 5)
    after = spoiled.fleet.snapshots
    same = before["value"].to_numpy() == after["value"].to_numpy()
    trims = before["signal"].astype(str).str.endswith("_trim").to_numpy()
    # A trim of nil has no sign.
    told = before["value"].to_numpy() != 0.0
    assert 0.09 < np.mean(~same[told]) < 0.11
    wrong = ~same
    np.testing.assert_allclose(after["value"][wrong & trims], -before["value"][wrong & trims])
    ratio = after["value"][wrong & ~trims] / before["value"][wrong & ~trims]
    assert set(np.round(ratio, 9)) == {0.9, 1.1}
    others = [c for c in before.columns if c != "value"]
    assert after[others].equals(before[others])
    assert spoiled.causes is known.causes
    assert spoiled.packs is known.packs


def test_of_no_share_nothing_is_mistyped():
    known = other_world("generic-6", 1, 5, "usual")
    assert mistyped(known, 0.0, 5).fleet.snapshots.equals(known.fleet.snapshots)
