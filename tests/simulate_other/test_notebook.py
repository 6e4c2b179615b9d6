"""The baseline's own arithmetic and rules, so that what is said of it in the scorecard is fair."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm

from tests.bench.fleets import other_world
from tests.bench.notebook import _crossing, _service, _steps, notebook
from tests.bench.notebook_rules import LOGGED, Change, name_change

SHIFTS = [f"{n}-{n + 1}" for n in range(1, 6)]


# Published: Graybill & Iyer (1994), Regression Analysis, ch. 6, thermostat readings, with the answers in the
# tests of the R package investr: 104 at 95 % is 103.995 [103.4, 104.6]; 100 at 90 % is 100.1 [99.63, 100.59]
# (100.11 solved by hand).
@pytest.mark.parametrize(
    ("level", "confidence", "answer", "digits"),
    [(104.0, 0.95, (103.4, 103.995, 104.6), 0.05), (100.0, 0.90, (99.63, 100.11, 100.59), 0.005)],
)
def test_crossing_is_the_published_inverse_prediction(level, confidence, answer, digits):
    x = np.arange(96.0, 111.0, 2.0)
    y = np.array([95.71, 98.16, 99.52, 102.09, 103.79, 106.18, 108.14, 110.21])
    fit = sm.OLS(y, sm.add_constant(x)).fit()
    tail = (1 - confidence) / 2
    # `_crossing` counts in km from now, with 10 000 km to one step of x.
    got = [_crossing(fit, level, 0.0, share) / 1e4 for share in (tail, 0.5, 1 - tail)]
    assert got == pytest.approx(answer, abs=digits)


def test_a_volume_that_does_not_grow_never_crosses():
    x = np.arange(10.0)
    fit = sm.OLS(30.0 - 0.01 * x, sm.add_constant(x)).fit()
    assert [_crossing(fit, 40.0, 9.0, share) for share in (0.1, 0.5, 0.9)] == [None, None, None]


def test_service_states_are_those_of_the_horizons():
    # From the horizons of the contract: 40 000, 15 000 and 5 000 km.
    told = [_service(km) for km in (None, 40_001, 40_000, 15_001, 15_000, 5_001, 5_000, 0.0)]
    assert told == ["clear", "clear", "watch", "watch", "plan", "plan", "due", "due"]


def test_a_step_is_a_step_and_a_line_is_none():
    noise = np.random.default_rng(3).normal(0.0, 0.3, 24)
    assert _steps(np.where(np.arange(24) < 10, 0.0, 5.0) + noise, 0.3) == [10]
    assert _steps(np.linspace(0.0, 10.0, 24) + noise, 0.3) == []
    assert _steps(noise, 0.3) == []


def change(off_log: dict[str, float] | None = None, **sizes: float) -> Change:
    """A change of so many noise units in each shift, by signal; `tow_` where tow differs from normal."""
    cells = {
        (signal, mode, shift): sizes.get(f"tow_{signal}", sizes.get(signal, 0.0)) if mode == "tow" else size
        for signal in ("apply_trim", "release_trim", "shift_time", "torque_cut")
        for mode in ("normal", "tow")
        for shift in SHIFTS
        for size in [sizes.get(signal, 0.0)]
    }
    moved = pd.Series(cells)
    moved.index.names = ["signal", "mode", "channel"]
    return Change(5, moved, moved, moved, False, off_log or {}, False)


@pytest.mark.parametrize(
    ("cause", "sizes"),
    [
        ("power", {"apply_trim": 6, "release_trim": 5, "torque_cut": 4}),
        ("load", {"tow_apply_trim": 6, "tow_shift_time": 4, "apply_trim": 0.5}),
        ("fluid", {"apply_trim": -3, "shift_time": -3}),
        ("pressure", {"apply_trim": 6, "release_trim": 3}),
    ],
)
def test_rules_name_the_rows_of_the_table_of_causes(cause, sizes):
    assert [name for name, _ in name_change(change(**sizes))] == [cause]
    logged = name_change(change({cause: 0.0}, **sizes))
    assert logged == [(cause, LOGGED)]


def test_cells_that_each_go_their_own_way_are_a_rebuild():
    made = change(apply_trim=1.0)
    own = pd.Series(np.random.default_rng(1).normal(0.0, 8.0, len(made.moved)), index=made.moved.index)
    assert [name for name, _ in name_change(Change(5, own, own, own, False, {}, False))] == ["rebuild"]
    assert [name for name, _ in name_change(Change(5, own, own, own / 10, False, {}, False))] == ["relearn"]


def test_it_names_every_pack_that_is_clearly_worn():
    known = other_world("generic-6", 8, 3, "usual")
    said = notebook(known.records(known.day_at(1.0)))
    assert [unit.unit for unit in said] == [f"V{n:04d}" for n in range(1, 9)]
    worn = known.packs.groupby(["unit", "clutch"]).last()
    for unit in said:
        found = {f.clutch for f in unit.findings if f.cause == "wear" and f.probability >= 0.5}
        clearly = {
            c
            for c in ("pack1", "pack2", "pack3", "pack4", "pack5")
            if worn.loc[(unit.unit, c), "used"] > 0.36
        }
        assert clearly <= found
        assert {o.clutch for o in unit.clutches} == set(known.fleet.packs["clutch"])
