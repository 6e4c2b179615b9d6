"""The false-alarm rate that is asked for is the rate that comes, and what is there is found."""

from __future__ import annotations

from math import log, sqrt

import numpy as np
import pytest
import ruptures

from driftwatch import segment
from driftwatch.changes.false_alarms import RATES, price_of_change, quiet_series, silent_price, simulate

#: Seeds that neither the table nor the figures in the docs were made with.
SEED = 515


def alarms(n: int, memory: float, runs: int) -> dict[float, int]:
    """How many of `runs` quiet series show a change, for three rates."""
    silent = simulate(n, runs, memory, seed=SEED + round(100 * memory))
    return {rate: int((silent >= price_of_change(n, rate)).sum()) for rate in (0.2, 0.05, 0.01)}


def most_alarms(rate: float, runs: int) -> float:
    """Bound that is passed about once in a thousand times, if the table is as right as it can be."""
    table_error = 0.15 * rate
    return runs * rate + 3.1 * sqrt(runs * rate * (1 - rate) + (runs * table_error) ** 2) + 1


@pytest.mark.parametrize(("n", "runs"), [(20, 150), (50, 80)])
@pytest.mark.parametrize("memory", [0.0, 0.7])
def test_a_small_share_of_quiet_series_show_a_change(n, runs, memory):
    for rate, count in alarms(n, memory, runs).items():
        assert count <= most_alarms(rate, runs)


@pytest.mark.prove
@pytest.mark.parametrize(("n", "runs"), [(10, 1500), (20, 1500), (50, 1000), (100, 800), (300, 500)])
@pytest.mark.parametrize("memory", [0.0, 0.3, 0.5, 0.7])
def test_false_alarm_rates_hold_over_many_series(n, runs, memory):
    for rate, count in alarms(n, memory, runs).items():
        assert count <= most_alarms(rate, runs)


def test_the_price_found_by_simulation_is_where_segment_falls_silent():
    """The quick count of the tests above is the same as asking `segment` itself."""
    rng = np.random.default_rng(SEED)
    for _ in range(15):
        values = quiet_series(40, 0.5, 0.0, rng)
        silent = silent_price(values)
        for rate in (0.5, 0.3, 0.2, 0.1, 0.05, 0.02, 0.01, 0.001):
            if silent < price_of_change(40, rate):
                assert segment(values, false_alarm_rate=rate).changes == ()


def test_prices_rise_with_the_rarity_of_alarms_and_go_on_beyond_the_table():
    for n in (8, 20, 90, 300, 1000, 5000):
        prices = [price_of_change(n, rate) for rate in (*RATES, 0.005, 0.001)]
        assert prices == sorted(prices)
        assert prices[-1] > prices[-3] + 1


def test_plain_penalties_alarm_under_memory_where_segment_does_not():
    """The usual penalty, 2 log n for known variance, assumes independent noise.

    At memory 0.5 and n = 100 it alarmed in 66 % of 600 series (simulation, not published).
    """
    rng = np.random.default_rng(SEED)
    plain = ours = 0
    for _ in range(60):
        values = quiet_series(100, 0.5, 0.0, rng)
        plain += (
            len(ruptures.KernelCPD("linear", min_size=2).fit(values[:, None]).predict(pen=2 * log(100))) > 1
        )
        ours += bool(segment(values).changes)
    assert 60 * 0.66 - 3.1 * sqrt(60 * 0.66 * 0.34) < plain < 60 * 0.66 + 3.1 * sqrt(60 * 0.66 * 0.34)
    assert ours <= most_alarms(0.05, 60)


@pytest.mark.parametrize(("memory", "size", "least"), [(0.0, 2.0, 0.7), (0.0, 3.0, 0.9), (0.5, 4.0, 0.9)])
def test_steps_are_found_at_their_place(memory, size, least):
    """Steps of `size` noise standard deviations in 80 readings, and the coverage of the confidence sets.

    The least shares are pinned, a little below what our own code reached: 84 % at 2 standard deviations,
    where a price that also holds for memory 0.7 costs some power.
    """
    rng = np.random.default_rng(SEED)
    found = near = held = 0
    runs = 50
    for _ in range(runs):
        values = quiet_series(80, memory, 0.0, rng)
        values[33:] += size
        answer = segment(values)
        found += len(answer.changes) == 1
        for detail in answer.details:
            if abs(detail.index - 33) <= 5:
                near += 1
                held += 33 in detail.index_set
    assert found >= least * runs
    assert near >= least * runs
    # 95 % sets: binomial bound at one in a thousand.
    assert held >= 0.95 * near - 3.1 * sqrt(near * 0.95 * 0.05)
