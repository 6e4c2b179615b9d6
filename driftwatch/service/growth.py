"""How a pack's volume grows with distance: several shapes at once, weighed by how well they fit.

Shapes, each linear in its coefficients (volume at the start of the life, rate, change of rate):

- steady: the same rate throughout;
- bent: the rate changes once, after one of the snapshots (likelier after a power or load change);
- bent and hastening: the same, and what came on top then grows in proportion to itself, by `a` per 10 000 km,
  a on a grid: wear that sets in late and goes on faster and faster;
- hastening: the whole rate grows so from the start of the life.

Rates have a prior from the fleet: the usual spread of this pack's rates with probability 0.75, and a wide
one for packs that wear abnormally. Bayes' rule gives every shape a weight and a normal posterior; nothing
is chosen, so a straight line does not hide wear that hastens. Noise is the fleet's for clutch volumes, with
memory, plus the unevenness of wear itself, which accumulates with distance like a random walk; how far that
has led from the shape by the last snapshot is part of the volume there.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from driftwatch.panel.noise import KM, Fleet

Floats = NDArray[np.float64]

HASTENING = (0.03, 0.06, 0.1, 0.15, 0.22, 0.32, 0.45)
#: The same for wear that sets in late: fewer, as it is tried after every snapshot.
LATE_HASTENING = (0.05, 0.15, 0.4)
USUAL_SHARE = 0.75
#: Prior share of each kind of shape; bends share theirs over the snapshots.
SHAPE_SHARE = {"steady": 0.2, "bent": 0.2, "bent and hastening": 0.2, "hastening": 0.4}
#: How much likelier the rate changes at a known power or load change than elsewhere.
AFTER_CHANGE = 10.0
#: Unevenness of wear: sd of the volume gained over 10 000 km, as a share of the gain expected.
UNEVEN = 0.15
#: A rate of growth is told from readings so far apart at least, 10 000 km: over less, a reading's error alone
#: would look like a pack that is worn out in no time.
LEAST_RUN = 0.1


@dataclass(frozen=True)
class RatePrior:
    """Fleet prior of a pack's growth, cm3 per 10 000 km."""

    usual: float
    usual_sd: float
    wide_sd: float


@dataclass(frozen=True)
class Growth:
    """Posterior of one pack's growth as a mixture over M shapes.

    Attributes
    ----------
    weight : array (M,)
    now, now_var : array (M,)
        Volume at the last snapshot and its variance, cm3.
    rate, rate_var, now_rate_cov : array (M,)
        Present rate per 10 000 km, its variance, and its covariance with the volume.
    start, gain, gain_var : array (M,)
        Volume at the life's first snapshot; growth since then and its variance.
    hastening : array (M,)
        Growth of the present rate per 10 000 km, in proportion to itself; 0 for shapes that do not hasten.
    uneven : float
        Variance of the volume per 10 000 km ahead from the unevenness of wear.
    """

    weight: Floats
    now: Floats
    now_var: Floats
    rate: Floats
    rate_var: Floats
    now_rate_cov: Floats
    start: Floats
    gain: Floats
    gain_var: Floats
    hastening: Floats
    uneven: float


def rate_priors(slopes: dict[str, list[float]], new_volumes: dict[str, float]) -> dict[str, RatePrior]:
    """Learn each pack's usual growth from the slopes of all units, robustly; shrunk to the mean of all packs.

    Parameters
    ----------
    slopes : dict
        Pack -> slopes of the fleet's units, cm3 per 10 000 km.
    new_volumes : dict
        Pack -> a scale for packs that no unit has told anything about, cm3.

    """
    relative = {p: np.array(s) / new_volumes[p] for p, s in slopes.items() if s}
    pooled = np.concatenate(list(relative.values())) if relative else np.array([0.004])
    centre, spread = _median_and_spread(np.maximum(pooled, 0.0))
    priors = {}
    for pack, volume in new_volumes.items():
        own = np.maximum(relative.get(pack, np.empty(0)), 0.0)
        weight = len(own) / (len(own) + 4.0)
        own_centre, own_spread = _median_and_spread(own) if len(own) else (centre, spread)
        usual = weight * own_centre + (1.0 - weight) * centre
        sd = max(weight * own_spread + (1.0 - weight) * spread, 0.3 * usual, 2e-4)
        priors[pack] = RatePrior(usual * volume, sd * volume, max(8.0 * usual, 0.03) * volume)
    return priors


def _median_and_spread(values: Floats) -> tuple[float, float]:
    centre = float(np.median(values))
    return centre, float(1.4826 * np.median(np.abs(values - centre)))


def fit_growth(
    volume: Floats, odometer_km: Floats, days: Floats, changes: list[int], prior: RatePrior, fleet: Fleet
) -> Growth:
    """Fit all shapes to the readings of one pack's present life.

    Parameters
    ----------
    volume, odometer_km, days : array (T,)
        cm3, km and days, from the life's first snapshot on; volumes NaN where not read.
    changes : list of int
        Snapshots at which the fleet's other evidence says that power or load changed.
    prior : RatePrior
        What the fleet says about this pack's growth.
    fleet : Fleet
        Where the noise of volumes comes from.

    """
    told = np.isfinite(volume)
    x = (odometer_km - odometer_km[0]) / KM
    shapes = _shapes(x, changes)
    uneven = (UNEVEN * max(prior.usual, _crude_rate(volume[told], x[told]))) ** 2
    kind = fleet.noise["clutch_volume"]
    noise = kind.own_covariance(days, np.zeros((1, len(days))), 1.0)[0] + kind.common_covariance(days)
    noise = (noise + uneven * np.minimum(x[:, None], x[None, :]))[np.ix_(told, told)]
    factor = np.linalg.inv(np.linalg.cholesky(noise))
    mean, cov, log_likelihood = _posterior(shapes.volume, volume[told], told, factor, prior)
    log_weight = log_likelihood + np.log(shapes.share) + np.log([[USUAL_SHARE], [1.0 - USUAL_SHARE]])
    weight = np.exp(log_weight - log_weight.max()).ravel()
    mean, cov = mean.reshape(-1, 3), cov.reshape(-1, 3, 3)
    # How far uneven wear has left the shape by the last snapshot is read from what the shape leaves over.
    left_by_then = uneven * x[told]
    pull = factor.T @ (factor @ left_by_then)
    off, off_var = float(pull @ volume[told]), max(float(uneven * x[-1] - pull @ left_by_then), 0.0)
    now = np.concatenate([shapes.volume[:, -1] - pull @ shapes.volume[:, told]] * 2)
    slope, first = np.concatenate([shapes.rate] * 2), np.concatenate([shapes.volume[:, 0]] * 2)
    gained = now - first
    return Growth(
        weight=weight / weight.sum(),
        now=_dot(now, mean) + off,
        now_var=_form(now, cov, now) + off_var,
        rate=_dot(slope, mean),
        rate_var=_form(slope, cov, slope),
        now_rate_cov=_form(now, cov, slope),
        start=_dot(first, mean),
        gain=_dot(gained, mean) + off,
        gain_var=_form(gained, cov, gained) + off_var,
        hastening=np.concatenate([shapes.hastening] * 2) * _part_that_hastens(slope, mean),
        uneven=uneven,
    )


@dataclass(frozen=True)
class _Shapes:
    """Shapes of growth, each linear in three coefficients: volume at the start, rate, what came on top.

    Attributes
    ----------
    volume : array (M, T, 3)
        What each coefficient does to the volume at each snapshot.
    rate : array (M, 3)
        The same for the rate at the last snapshot.
    share : array (M,)
        Prior shares.
    hastening : array (M,)
        Growth of the rate, or of what came on top, per 10 000 km; 0 for the shapes that do not hasten.

    """

    volume: Floats
    rate: Floats
    share: Floats
    hastening: Floats


def _shapes(x: Floats, changes: list[int]) -> _Shapes:
    """All shapes at the distances x (T,), in 10 000 km since the life began."""
    inner = np.arange(1, max(len(x) - 1, 1))
    near = np.isin(inner, changes) | np.isin(inner + 1, changes)
    pull = np.where(near, AFTER_CHANGE, 1.0)
    pull = pull / max(pull.sum(), 1.0)
    # First the steady shape, then the bent ones, straight and hastening, and those that hasten as a whole.
    bends, whole = len(inner) * (1 + len(LATE_HASTENING)), len(HASTENING)
    of_all = np.concatenate([np.zeros(1 + bends), HASTENING])
    on_top = np.concatenate([[0.0], np.repeat((0.0, *LATE_HASTENING), len(inner)), np.zeros(whole)])
    bent = np.tile(np.maximum(x - x[inner, None], 0.0), (1 + len(LATE_HASTENING), 1))
    since = np.concatenate([np.zeros((1, len(x))), bent, np.zeros((whole, len(x)))])
    base, top = grown(of_all[:, None], x), grown(on_top[:, None], since)
    late = np.tile(pull, len(LATE_HASTENING)) / len(LATE_HASTENING)
    share = [
        [SHAPE_SHARE["steady"]],
        SHAPE_SHARE["bent"] * pull,
        SHAPE_SHARE["bent and hastening"] * late,
        np.full(whole, SHAPE_SHARE["hastening"] / whole),
    ]
    rate_on_top = np.where(since[:, -1] > 0, np.exp(on_top * since[:, -1]), 0.0)
    return _Shapes(
        volume=np.stack([np.ones_like(base), base, top], axis=2),
        rate=np.stack([np.zeros_like(of_all), np.exp(of_all * x[-1]), rate_on_top], axis=1),
        share=np.concatenate(share),
        hastening=of_all + on_top,
    )


def grown(hastening: Floats, x: Floats) -> Floats:
    """Integral of exp(a x) from 0 to x, for each a and x of two arrays that fit each other."""
    fast = hastening > 0
    return np.asarray(np.where(fast, np.expm1(hastening * x) / np.where(fast, hastening, 1.0), x))


def _part_that_hastens(slope: Floats, mean: Floats) -> Floats:
    """Part of the present rate that grows where a shape hastens, (M,): what came on top, else all of it."""
    on_top = slope[:, 2] * mean[:, 2]
    rate = _dot(slope, mean)
    part = np.clip(on_top / np.where(np.abs(rate) > 1e-9, rate, 1e-9), 0.0, 1.0)
    return np.where(slope[:, 2] > 0, part, 1.0)


def _crude_rate(volume: Floats, x: Floats) -> float:
    run = float(x[-1] - x[0]) if len(x) else 0.0
    return max(float(volume[-1] - volume[0]), 0.0) / max(run, LEAST_RUN) if run > 0 else 0.0


def _posterior(
    shapes: Floats, volume: Floats, told: NDArray[np.bool_], factor: Floats, prior: RatePrior
) -> tuple[Floats, Floats, Floats]:
    """Posterior mean (2, M, 3), covariance (2, M, 3, 3) and log marginal likelihood (2, M).

    For the usual spread of rates first, and then for the wide one.
    """
    design = factor @ shapes[:, told]
    centre = np.array([volume[0], prior.usual, 0.0])
    precision = np.array(
        [[1e-4, 1.0 / sd**2, 1.0 / prior.wide_sd**2] for sd in (prior.usual_sd, prior.wide_sd)]
    )
    left = factor @ volume - design @ centre
    gram = np.swapaxes(design, 1, 2) @ design + (precision[:, None, :, None] * np.eye(3))
    cov = np.linalg.inv(gram)
    score = (left[:, None, :] @ design)[:, 0]
    shift = (cov @ score[:, :, None])[..., 0]
    log_likelihood = 0.5 * ((score * shift).sum(axis=-1) - (left**2).sum(axis=-1))
    log_likelihood += 0.5 * (np.log(precision).sum(axis=-1)[:, None] - np.linalg.slogdet(gram)[1])
    return np.asarray(centre + shift), np.asarray(cov), np.asarray(log_likelihood)


def _dot(rows: Floats, mean: Floats) -> Floats:
    return np.asarray((rows * mean).sum(axis=1))


def _form(left: Floats, cov: Floats, right: Floats) -> Floats:
    return np.asarray(np.einsum("mi,mij,mj->m", left, cov, right))
