"""Price of a change, set so that a series without changes shows one at a stated rate.

For a series without changes, the least price at which `segment` would report none is found by the same
search that `segment` uses. Over many simulated series, the quantile 1 - rate of that price is the price to
ask. The noise of the simulated series has memory 0.7, since among memories from 0 to 0.7 this one needs the
highest price; one series in four is level and the others drift, by 1, 2 or 4 noise standard deviations from
end to end. The table lies in `false_alarms.json`, and

    python -m driftwatch.changes.false_alarms driftwatch/changes/false_alarms.json

makes it anew. Prices of neighbouring lengths are averaged, which takes most of the simulation's chance out
of them. Between lengths the price is interpolated in the logarithm of the length, between rates in the
logarithm of the rate; beyond the rarest rate of the table it goes on in a straight line there.
"""

from __future__ import annotations

import json
import sys
from functools import cache
from importlib import resources
from pathlib import Path

import numpy as np

from driftwatch.changes.choose import candidates, default_min_size, scaled, weight
from driftwatch.changes.memory import Floats
from driftwatch.changes.reading import read

SEED = 20240229
MEMORY = 0.7
DRIFTS = (0.0, 1.0, 2.0, 4.0)
RATES = (0.5, 0.3, 0.2, 0.1, 0.05, 0.02, 0.01)
#: Lengths of the series simulated, and how many of each.
LENGTHS = (8, 12, 20, 50, 130, 300, 1000)
RUNS = (1500, 1500, 1200, 800, 500, 300, 100)
#: Width in the logarithm of the length over which simulated prices are averaged.
NEIGHBOURHOOD = 0.7
#: Added to each price, so that the chance left in the simulation errs on the side of fewer alarms.
MARGIN = 0.2


def price_of_change(n: int, rate: float) -> float:
    """Log-likelihood that a change in a series of n readings must add, for a false-alarm rate."""
    lengths, rates, prices = _table()
    place = np.log(max(n, 1))
    at_length = np.array([np.interp(place, np.log(lengths), row) for row in prices.T])
    logs = -np.log(rates)
    wanted = -np.log(rate)
    if wanted > logs[-1]:
        slope = (at_length[-1] - at_length[-3]) / (logs[-1] - logs[-3])
        return float(at_length[-1] + slope * (wanted - logs[-1]))
    return float(np.interp(wanted, logs, at_length))


@cache
def _table() -> tuple[Floats, Floats, Floats]:
    """Lengths (L,), falling rates (R,), and prices (L, R)."""
    stored = json.loads(
        resources.files("driftwatch.changes").joinpath("false_alarms.json").read_text("utf-8")
    )
    return np.array(stored["lengths"], dtype=float), np.array(stored["rates"]), np.array(stored["prices"])


def quiet_series(n: int, memory: float, drift: float, rng: np.random.Generator) -> Floats:
    """Series without a change: AR(1) noise of standard deviation 1 about a line that rises by `drift`."""
    noise = rng.standard_normal(n)
    scale = np.sqrt(1 - memory**2)
    for i in range(1, n):
        noise[i] = memory * noise[i - 1] + scale * noise[i]
    return np.asarray(noise + drift * np.linspace(0, 1, n))


def silent_price(values: Floats) -> float:
    """Least price of a change at which the best model of a series has none."""
    reading = read(values, None)
    n = len(reading.kept)
    options = candidates(scaled(reading, None), "auto", None, default_min_size(n))
    none = max(found.score for found, _ in options if not found.changes)
    return max(((f.score - none) / weight(len(f.changes), n) for f, _ in options if f.changes), default=0.0)


def simulate(n: int, runs: int, memory: float = MEMORY, seed: int = SEED) -> Floats:
    """Silent prices of `runs` simulated series of length n."""
    rng = np.random.default_rng([seed, n])
    return np.array(
        [silent_price(quiet_series(n, memory, DRIFTS[run % len(DRIFTS)], rng)) for run in range(runs)]
    )


def smoothed(simulated: Floats) -> Floats:
    """Average prices (L, R) of neighbouring lengths, to take the chance of the simulation out.

    Weights: runs of a length times a normal curve in the distance of the logarithms. `MARGIN` is added.
    """
    logs = np.log(LENGTHS)
    weights = np.exp(-0.5 * ((logs[:, None] - logs[None, :]) / NEIGHBOURHOOD) ** 2) * np.array(RUNS)
    return np.asarray(weights @ simulated / weights.sum(axis=1, keepdims=True) + MARGIN)


def make_table() -> dict[str, object]:
    """Simulate the whole table; a quarter of an hour."""
    simulated = np.array(
        [np.quantile(simulate(n, runs), 1 - np.array(RATES)) for n, runs in zip(LENGTHS, RUNS, strict=True)]
    ).round(3)
    return {
        "seed": SEED,
        "memory": MEMORY,
        "lengths": LENGTHS,
        "runs": RUNS,
        "rates": RATES,
        "simulated": simulated.tolist(),
        "prices": smoothed(simulated).round(3).tolist(),
    }


if __name__ == "__main__":
    Path(sys.argv[1]).write_text(json.dumps(make_table(), indent=1) + "\n", "utf-8")
