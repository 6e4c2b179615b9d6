"""Whatever is in a file: its rows add up, the rules hold, and importing it again changes nothing."""

from __future__ import annotations

import shutil
from itertools import combinations, pairwise

import numpy as np
import pytest
from hypothesis import HealthCheck, given, seed, settings
from hypothesis import strategies as st

from driftwatch.intake.batch import read_batch
from driftwatch.store.database import Database
from driftwatch.store.odometer import longest_rise

from .conftest import contents, counts, snapshots

ROWS = st.tuples(
    st.sampled_from(["T1", "T1", "T2", "T9", ""]),
    st.sampled_from(["2026-01-01", "2026-01-02", "2026-01-03T10:00", "2026-01-04", "2027-01-01", "x"]),
    st.sampled_from(["100", "200", "300", "400", "1e2", "x", "-1", ""]),
    st.sampled_from(["normal", "tow", "TOW", "", "x"]),
    st.sampled_from(["1-2", "2-3", "pack1", "x"]),
    st.sampled_from(["apply_trim", "shift_time", "clutch_volume", "x"]),
    st.sampled_from(["1", "1.0", "2", "40", "9999", "-0.5", "x", "nan", ""]),
    st.sampled_from(["", "kPa", "psi", "ms", "cm3", "x"]),
)
FILES = st.lists(ROWS, max_size=60)

#: Few, as each makes a store and imports five files; each has up to 120 rows.
EXAMPLES = 5
HEAD = "unit,taken_at,odometer_km,mode,channel,signal,value,value_unit"


@seed(20260601)
@settings(
    max_examples=EXAMPLES,
    deadline=None,
    database=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(first=FILES, second=FILES)
def test_rows_add_up_and_a_second_time_changes_nothing(empty_store, tmp_path, first, second):
    shutil.copyfile(empty_store, tmp_path / "p.duckdb")
    (tmp_path / "u.csv").write_text("unit,profile\nT1,generic-6\nT2,generic-8\n")
    with Database.open(tmp_path / "p.duckdb") as db:
        db.import_batch(read_batch(tmp_path / "u.csv"))
        for name, rows in (("a.csv", first), ("b.csv", second)):
            (tmp_path / name).write_text(snapshots(*(",".join(row) for row in rows), head=HEAD))
            report = db.import_batch(read_batch(tmp_path / name))
            new, same, corrected, quarantined = counts(report)
            assert report.rows == len(rows)
            assert quarantined == len(report.problems)
            before = contents(db)
            again = db.import_batch(read_batch(tmp_path / name))
            # What was taken is known now. What could not be right still cannot, or can beside corrections.
            assert again.corrected == 0
            if again.new == 0:
                assert counts(again) == (0, new + same + corrected, 0, quarantined)
                assert contents(db) == before
        assert db.check() == []
        stored = db._con.execute("SELECT count(*) FROM readings").fetchone()[0]
        assert len(db.records().readings) == stored


@seed(7)
@settings(max_examples=200, deadline=None, database=None)
@given(st.lists(st.integers(0, 8).map(float), max_size=9))
def test_the_longest_rise_is_the_longest_of_all(values):
    """Second implementation: every subset, longest first."""
    kept = longest_rise(values)
    assert all(values[a] <= values[b] for a, b in pairwise(kept))
    best = next(
        size
        for size in range(len(values), -1, -1)
        if any(all(a <= b for a, b in pairwise(c)) for c in combinations(values, size))
    )
    assert len(kept) == best


@pytest.mark.parametrize(
    ("values", "kept"),
    [
        ([100, 200, 50, 300], [0, 1, 3]),
        ([100, 50], [0]),
        ([9000, 1, 2], [1, 2]),
        ([5, 5, 5], [0, 1, 2]),
        ([], []),
    ],
)
def test_longest_rise_by_hand(values, kept):
    assert longest_rise(np.array(values, dtype=float)) == kept
