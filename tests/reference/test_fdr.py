"""Which of many shifts a change touched: false discovery control on published p-values."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import binom, norm
from statsmodels.stats.multitest import multipletests

from driftwatch.causes import identify
from tests.reference.published import VALUES

WANT = VALUES["benjamini_hochberg"]


@pytest.mark.parametrize(("method", "rejected"), [("fdr_bh", WANT["rejected"]), ("fdr_by", 3), ("holm", 3)])
def test_rejections_of_the_published_example(method, rejected):
    # Benjamini-Hochberg's four: published. The others: second implementation, as in the project's notes.
    assert multipletests(WANT["p"], WANT["rate"], method=method)[0].sum() == rejected


def cells(estimate: np.ndarray) -> identify._CellEffects:
    """Effects in one mode with standard errors of one, nothing of which is shared."""
    none = np.zeros(len(estimate))
    return identify._CellEffects(estimate, none + 1.0, none, none, np.zeros(len(estimate), dtype=int))


def test_the_program_touches_what_benjamini_and_yekutieli_reject():
    # The example's p-values put as effects of fifteen shifts of one cell each: the first three are touched.
    z = norm.isf(np.array(WANT["p"]) / 2.0)
    count = len(z)
    groups = {f"shift {i}": np.arange(count) == i for i in range(count)}
    assert WANT["rate"] == identify.FALSELY_TOUCHED
    touched = identify._moved(cells(z), groups, np.array(["apply_trim"] * count))
    assert touched == ("shift 0", "shift 1", "shift 2")


def test_of_many_shifts_that_did_not_move_hardly_any_is_touched():
    # 200 changes without any effect on 30 shifts: at a rate of 0.05, at most a 20th of them may touch
    # anything; binomial, 99.9 %.
    rng = np.random.default_rng(6)
    groups = {f"shift {i}": np.arange(30) == i for i in range(30)}
    signal = np.array(["apply_trim"] * 30)
    said = sum(bool(identify._moved(cells(rng.standard_normal(30)), groups, signal)) for _ in range(200))
    assert said <= binom.ppf(0.999, 200, 0.05)
