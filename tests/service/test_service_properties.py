"""What growth and the distance to the limit must not depend on; and series that hardly say anything."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from driftwatch.panel.noise import KM, MONTH
from driftwatch.panel.panel import Panel
from driftwatch.service.crossing import Crossing, crossing
from driftwatch.service.growth import Growth, RatePrior, fit_growth, rate_priors
from driftwatch.service.outlook import Life, forecasts, told_on
from driftwatch.settings import Settings
from tests.assessment.units import profile
from tests.reference.plain_series import fleet_with, series

few = settings(derandomize=True, deadline=None, max_examples=10, database=None)
PRIOR = RatePrior(0.3, 0.15, 2.0)
COUNT, LIMIT, SD = 20, 36.0, 0.25
DISTANCE = 0.4 * np.arange(COUNT)
NAN = float("nan")

stories = st.tuples(st.integers(0, 500), st.floats(0.05, 1.2))


def volumes(seed: int, rate: float) -> np.ndarray:
    return 27.0 + rate * DISTANCE + np.random.default_rng(seed).normal(0.0, SD, COUNT)


def grown(values: np.ndarray, by: float = 1.0, km: float = 60_000.0, months: float = 0.0) -> Growth:
    """Growth of one pack, with all quantities in a unit `by` times as fine."""
    prior = RatePrior(by * PRIOR.usual, by * PRIOR.usual_sd, by * PRIOR.wide_sd)
    days = (np.arange(len(values)) + months) * MONTH
    fleet = fleet_with(white_sd=SD * by)
    return fit_growth(np.asarray(values), km + KM * DISTANCE[: len(values)], days, [], prior, fleet)


def ahead(growth: Growth, limit: float = LIMIT) -> Crossing:
    return crossing(growth, limit)


def quantiles(crossed: Crossing) -> list[float]:
    return [np.inf if v is None else v for v in crossed.quantiles().values()]


@few
@given(stories, st.floats(-20.0, 200.0))
def test_only_the_way_to_the_limit_counts(story, shift):
    values = volumes(*story)
    plain, moved = ahead(grown(values)), ahead(grown(values + shift), LIMIT + shift)
    assert quantiles(moved) == pytest.approx(quantiles(plain), rel=1e-5)


@few
@given(stories, st.sampled_from([0.0610237440947323, 0.2]))
def test_in_another_unit_of_volume_the_distance_is_the_same(story, by):
    # Profiles have cm3 only. The prior sd of the volume at the start, 100 of the unit, is not scaled: in a
    # coarser unit it is wider still, and says as little.
    values = volumes(*story)
    plain, turned = ahead(grown(values)), ahead(grown(by * values, by), by * LIMIT)
    assert quantiles(turned) == pytest.approx(quantiles(plain), rel=2e-3)


@few
@given(stories, st.floats(-30_000.0, 500_000.0), st.floats(-40.0, 40.0))
def test_where_the_odometer_and_the_calendar_begin_does_not_matter(story, km, months):
    values = volumes(*story)
    plain, moved = ahead(grown(values)), ahead(grown(values, km=60_000.0 + km, months=months))
    assert quantiles(moved) == pytest.approx(quantiles(plain), rel=1e-6)


@few
@given(stories, st.floats(0.1, 3.0))
def test_a_nearer_limit_is_reached_sooner(story, by):
    growth = grown(volumes(*story))
    assert all(a <= b for a, b in zip(*(quantiles(ahead(growth, LIMIT + k)) for k in (0.0, by)), strict=True))


@few
@given(stories)
def test_chances_rise_with_the_distance_and_weights_are_shares(story):
    growth = grown(volumes(*story))
    assert growth.weight.sum() == pytest.approx(1.0)
    assert (growth.weight >= 0.0).all()
    chances = [ahead(growth).chance(km) for km in (0.0, 5e3, 15e3, 40e3, 1e5, 1e6)]
    assert chances == sorted(chances)
    assert 0.0 <= chances[0] <= chances[-1] <= 1.0


@few
@given(stories, st.floats(0.1, 0.5))
def test_missing_readings_make_growth_less_sure(story, share):
    values = volumes(*story)
    holes = values.copy()
    inner = np.arange(1, COUNT - 1)
    holes[inner[np.random.default_rng(story[0]).random(COUNT - 2) < share]] = NAN
    # Of the steady shape with the usual prior, whose variance does not depend on the values.
    whole, part = (grown(v) for v in (values, holes))
    assert part.rate_var[0] >= whole.rate_var[0] * (1.0 - 1e-9)
    assert np.isfinite(quantiles(ahead(part))[:2]).any() or part.rate @ part.weight < 0.1


@few
@given(stories)
def test_rounded_volumes_are_the_same_growth_within_its_error(story):
    values = volumes(*story)
    plain, rounded = grown(values), grown(np.round(values / 0.1) * 0.1)
    rates = [float(g.weight @ g.rate) for g in (plain, rounded)]
    sd = np.sqrt(plain.weight @ (plain.rate_var + (plain.rate - rates[0]) ** 2))
    assert abs(rates[1] - rates[0]) < sd


def test_a_constant_volume_is_no_growth_and_a_limit_far_off():
    growth = grown(np.full(COUNT, 27.0))
    rate = float(growth.weight @ growth.rate)
    assert 0.0 <= rate < 0.1  # the prior of 0.3 pulls, 20 readings hold against it
    assert ahead(growth).chance(40_000.0) < 0.01


@pytest.mark.parametrize("count", [2, 3])
def test_hardly_any_readings_leave_growth_to_the_prior(count):
    growth = grown(volumes(1, 0.3)[:count])
    assert np.isfinite(growth.weight).all()
    sd = float(np.sqrt(growth.weight @ growth.rate_var))
    assert sd > 0.5 * PRIOR.usual_sd
    assert float(growth.weight @ growth.rate) == pytest.approx(PRIOR.usual, abs=2.0 * sd)


@few
@given(st.integers(0, 500), st.sampled_from([0.0, 1e-4, 1e-3, 1e-2, 0.09]))
def test_where_the_odometer_hardly_moves_a_readings_error_is_no_growth(seed, run):
    # The whole history covers 0 to 900 km. Nothing is known of the growth then but what is usual.
    values = volumes(seed, 0.0)
    at = 60_000.0 + KM * run * DISTANCE / DISTANCE[-1]
    growth = fit_growth(values, at, np.arange(COUNT) * MONTH, [], PRIOR, fleet_with(white_sd=SD))
    assert ahead(growth, 27.0 + 5.0).chance(20_000.0) < 0.25


def packs(values: np.ndarray) -> Panel:
    return series(values, distance=DISTANCE[: len(values)])


def told(panel: Panel, order: tuple[int, ...] | None = None) -> dict[str, object]:
    """What is said of each pack, the cells perhaps in another order."""
    if order is not None:
        cells = list(order)
        panel = replace(
            panel,
            cells=tuple(panel.cells[i] for i in cells),
            values=panel.values[:, cells],
            usable=panel.usable[:, cells],
            slips=panel.slips[:, cells],
            learn_counts=panel.learn_counts[:, cells],
        )
    rates = {c.id: PRIOR for c in profile().clutches}
    lives = {c.channel: Life(0, ()) for c in panel.cells}
    day = panel.taken_at[-1].astype("datetime64[D]").astype(object)
    said = [told_on(p, day) for p in forecasts(panel, lives, rates, fleet_with(white_sd=SD), Settings())]
    return {o.clutch: (o.remaining_km, o.service, o.used, o.due_on) for o in said}


@few
@given(st.integers(0, 500), st.permutations(range(4)))
def test_order_of_the_packs_does_not_matter(seed, order):
    values = np.stack([volumes(seed + i, 0.3 * i) for i in range(4)], axis=1)
    assert told(packs(values), tuple(order)) == told(packs(values))


def test_a_pack_with_the_same_readings_as_another_is_said_the_same_of_and_changes_nothing():
    one, two = volumes(1, 0.8), volumes(2, 0.2)
    alone, both = told(packs(np.stack([one], axis=1))), told(packs(np.stack([one, one, two], axis=1)))
    first, second = (c.id for c in profile().clutches[:2])
    assert both[first] == alone[first]
    limits = [profile().clutch(p).limit_cm3 for p in (first, second)]
    assert (both[second] == both[first]) == (limits[0] == limits[1])


def test_no_readings_or_two_are_no_forecast():
    assert told(packs(np.full((COUNT, 1), NAN))) == {}
    assert told(packs(volumes(1, 0.5)[:2, None])) == {}
    assert len(told(packs(volumes(1, 0.5)[:3, None]))) == 1


def test_dates_move_with_the_calendar():
    panel = packs(volumes(1, 0.8)[:, None])
    later = replace(panel, taken_at=panel.taken_at + np.timedelta64(1000, "D"))
    for a, b in zip(told(panel).values(), told(later).values(), strict=True):
        assert b[0] == a[0]
        assert [d + timedelta(days=1000) for d in a[3].values() if d] == [d for d in b[3].values() if d]
        assert all(isinstance(d, date) for d in a[3].values() if d)


# --- what the fleet says of a pack's usual growth -----------------------------------------------------------


@few
@given(
    st.lists(st.floats(0.0, 1.0), min_size=1, max_size=12),
    st.permutations(range(12)),
    st.sampled_from([0.0610237440947323, 1000.0]),
)
def test_usual_growth_depends_on_neither_order_nor_unit(slopes, order, by):
    sizes = {"a": 30.0, "b": 55.0}
    mixed = [slopes[i] for i in order if i < len(slopes)]
    plain = rate_priors({"a": slopes, "b": []}, sizes)
    same = rate_priors({"a": mixed, "b": []}, sizes)
    turned = rate_priors({"a": [by * s for s in slopes], "b": []}, {k: by * v for k, v in sizes.items()})
    assert same == plain
    for pack, prior in plain.items():
        want = [by * prior.usual, by * prior.usual_sd, by * prior.wide_sd]
        assert [turned[pack].usual, turned[pack].usual_sd, turned[pack].wide_sd] == pytest.approx(want)


def test_a_fleet_that_says_nothing_still_gives_every_pack_a_prior():
    prior = rate_priors({"a": [], "b": []}, {"a": 30.0, "b": 55.0})
    assert set(prior) == {"a", "b"}
    assert all(p.usual_sd > 0.0 and p.wide_sd > p.usual_sd for p in prior.values())
