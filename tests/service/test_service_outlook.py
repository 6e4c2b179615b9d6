"""How far a pack still has to go: states and their thresholds, lives, missing readings, dates."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest
from scipy.stats import binom

from driftwatch.panel.build import panels
from driftwatch.panel.noise import KM
from driftwatch.panel.panel import Panel
from driftwatch.service.crossing import Crossing, due_dates
from driftwatch.service.growth import RatePrior
from driftwatch.service.outlook import Life, _Reading, fleet_rates, forecasts, km_per_day, told_on
from driftwatch.service.results import ClutchOutlook
from driftwatch.service.states import standing
from driftwatch.settings import Settings
from tests.assessment.units import profile
from tests.panel.by_hand import cell, records
from tests.reference.plain_series import fleet_with
from tests.words import plain

SETTINGS = Settings()
PACK3 = profile().clutch("pack3")  # 24 cm3 new, limit 36
FLEET = fleet_with(white_sd=0.25)
PRIORS = {c.id: RatePrior(0.1, 0.1, 1.5) for c in profile().clutches}
NAN = float("nan")


def pack(volumes, snapshots: int | None = None) -> Panel:
    values = list(np.asarray(volumes, dtype=float))
    rows = cell(values, mode="", channel="pack3", signal="clutch_volume")
    return panels(records(rows, snapshots or len(values)))[0]


def worn(rate: float, now: float, count: int = 24, seed: int = 1) -> Panel:
    """A pack that reaches `now` cm3 at a steady rate per 10 000 km; 4000 km between snapshots."""
    x = np.arange(count) * 0.4
    noise = np.random.default_rng(seed).normal(0.0, 0.25, count)
    return pack(now - rate * (x[-1] - x) + noise)


def panel_day(panel: Panel) -> date:
    """Day of the last snapshot."""
    return panel.taken_at[-1].astype("datetime64[D]").astype(object)


def outlook(panel: Panel, start: int = 0, settings: Settings = SETTINGS) -> ClutchOutlook:
    made = forecasts(panel, {"pack3": Life(start, ())}, PRIORS, FLEET, settings)[0]
    return told_on(made, panel_day(panel))


@pytest.mark.parametrize(
    ("km", "state"),
    [(4_000, "due"), (5_000, "due"), (5_001, "plan"), (15_000, "plan"), (15_001, "watch"), (40_000, "watch"),
     (40_001, "clear"), (1e9, "clear")],
)  # fmt: skip
def test_standings_at_their_thresholds(km, state):
    # A limit that is surely reached at `km`: more likely than not within any horizon that far.
    said = standing(lambda horizon: float(horizon >= km), never, reached=False, settings=SETTINGS)
    assert said.state == state
    assert ("35 %" if state != "clear" else "less likely than not within 40 000 km of the last") in plain(
        said.reason
    )


@pytest.mark.parametrize(
    ("chance", "said"),
    [(0.0, "under 1 %"), (0.004, "under 1 %"), (0.2, "20 %"), (0.9, "90 %"), (1.0, "over 99 %")],
)
def test_a_reason_claims_no_false_nought_or_certainty(chance, said):
    # Hand-solved: to the next whole per cent, but never 0 or 100.
    reason = plain(standing(lambda km: chance, never, False, SETTINGS).reason)
    assert f" {said}" in reason
    assert " 0 %" not in reason
    assert "100 %" not in reason


@pytest.mark.parametrize(
    ("now", "then", "said"),
    [
        (0.352, [0.6], "was over one half and is just over 35 %; this clears when it falls below 35 %."),
        (0.502, [], "(chance just over 50 %)"),
        (0.497, [], "(chance just under 50 %)."),
        (0.36, [0.6], "was over one half and is 36 %;"),
    ],
)
def test_a_chance_is_not_rounded_to_the_level_that_it_is_beyond(now, then, said):
    def before(km: float, back: int) -> float | None:
        return then[back - 1] if back <= len(then) else None

    assert said in plain(standing(lambda km: now, before, False, SETTINGS).reason)


def test_an_even_chance_is_not_more_likely_than_not():
    assert standing(lambda km: 0.5, never, False, SETTINGS).state == "clear"
    assert standing(lambda km: 0.51, never, False, SETTINGS).state == "due"


def never(km: float, back: int) -> float | None:
    """No forecast was made before."""
    return None


@pytest.mark.parametrize(
    ("now", "then", "state"),
    [
        (0.45, [0.6], "plan"),  # raised at the last snapshot, not yet under 0.35
        (0.45, [0.4, 0.4, 0.55], "plan"),  # raised three snapshots ago, and stood since
        (0.45, [0.4, 0.3, 0.9], "clear"),  # cleared in between
        (0.45, [0.45] * 6, "clear"),  # never raised, as far as is looked back
        (0.34, [0.9], "clear"),
        (0.45, [], "clear"),
    ],
)
def test_a_state_stands_until_its_chance_is_well_under_one_half(now, then, state):
    # Hand-solved from the two levels, 0.5 and 0.35, for the horizon of `plan`; the others are far away.
    def chance(km: float) -> float:
        return now if km == SETTINGS.plan_km else 0.0

    def before(km: float, back: int) -> float | None:
        return then[back - 1] if km == SETTINGS.plan_km and back <= len(then) else None

    said = standing(chance, before, False, SETTINGS)
    assert said.state == state
    assert ("35 %" in plain(said.reason)) == (state == "plan")


def test_forecasts_made_before_know_only_what_was_read_then():
    # The newest reading jumps back by 1 cm3; what was said before it does not change.
    panel = worn(1.0, 35.2)
    moved = replace(panel, values=panel.values.copy())
    moved.values[-1, 0] -= 1.0
    earlier = [
        _Reading(p, p.values[:, 0], Life(0, ()), PRIORS["pack3"], FLEET).chance_before(36.0, 10_000.0, 1)
        for p in (panel, moved)
    ]
    assert earlier[0] == earlier[1] > 0.3


def test_material_does_not_come_back():
    falling = outlook(worn(-0.5, 26.0))
    assert (np.diff(falling.fan_p10) >= -0.1).all()


def test_a_limit_reached_is_due_whatever_the_chances():
    assert standing(lambda km: 0.0, never, True, SETTINGS).state == "due"


def test_horizons_are_settings():
    far = SETTINGS.with_value("watch_km", 90_000)
    assert standing(lambda km: float(km >= 60_000), never, False, far).state == "watch"
    assert standing(lambda km: float(km >= 60_000), never, False, SETTINGS).state == "clear"


@pytest.mark.parametrize(
    ("rate", "left_km", "state"),
    [(1.0, 2_000.0, "due"), (1.0, 10_000.0, "plan"), (1.0, 25_000.0, "watch"), (0.5, 120_000.0, "clear")],
)
def test_a_steadily_worn_pack_gets_the_state_of_its_distance(rate, left_km, state):
    said = outlook(worn(rate, 36.0 - rate * left_km / KM))
    assert said.service == state
    quantiles = said.remaining_km
    assert quantiles["p10"] <= quantiles["p50"] <= quantiles["p90"]
    assert quantiles["p10"] <= left_km <= quantiles["p90"]
    assert said.growth_interval[0] < said.growth_cm3_per_10000km < said.growth_interval[1]


def test_used_and_volume_by_hand():
    # Hand-solved: from 27 to 33 cm3 with the limit at 36: 6 / 9 of the allowance of this life.
    said = outlook(worn(6.0 / (23 * 0.4), 33.0))
    assert said.volume_cm3 == pytest.approx(33.0, abs=0.3)
    assert said.used == pytest.approx(6.0 / 9.0, abs=0.05)
    assert said.limit_cm3 == 36.0
    assert said.limit_source == profile().limit_source


def test_a_new_life_counts_from_its_own_start():
    old = worn(1.0, 35.0, 16)
    volumes = np.concatenate([old.values[:, 0], worn(0.3, 25.0, 12, seed=2).values[:, 0]])
    panel = pack(volumes)
    fresh, naive = outlook(panel, start=16), outlook(panel, start=0)
    assert fresh.life_start == 16
    assert fresh.used < 0.25
    assert fresh.life_start_cm3 == pytest.approx(25.0 - 0.3 * 11 * 0.4, abs=0.4)
    assert fresh.service == "clear"
    assert naive.life_start_cm3 > fresh.life_start_cm3 + 1.0


def test_few_readings_are_less_sure_and_hardly_any_are_no_forecast():
    many, few = outlook(worn(0.8, 31.0, 24)), outlook(worn(0.8, 31.0, 5))
    spread = [np.diff(o.growth_interval)[0] for o in (many, few)]
    assert spread[1] > 1.5 * spread[0]
    assert forecasts(pack([30.0, 30.5]), {}, PRIORS, FLEET, SETTINGS) == []


def test_no_volumes_or_no_limit_is_no_forecast():
    trims = panels(records(cell([1.0] * 8), 8))[0]
    assert forecasts(trims, {}, PRIORS, fleet_with("apply_trim", white_sd=1.0), SETTINGS) == []
    unlimited = replace(
        profile(),
        clutches=tuple(
            replace(c, service_limit_cm3=None, limit_clearance_mm=None) for c in profile().clutches
        ),
    )
    rows = cell([30.0 + i for i in range(8)], mode="", channel="pack3", signal="clutch_volume")
    assert forecasts(panels(records(rows, 8, kind=unlimited))[0], {}, PRIORS, FLEET, SETTINGS) == []


def test_a_limit_from_the_clearance_is_that_of_the_volume():
    # Hand-solved: 120 cm2 x 1.00 mm are 12.0 cm3 over the new volume.
    by_clearance = replace(
        profile(), clutches=tuple(replace(c, service_limit_cm3=None) for c in profile().clutches)
    )
    volumes = worn(1.0, 33.0).values[:, 0]
    rows = cell(list(volumes), mode="", channel="pack3", signal="clutch_volume")
    said = outlook(panels(records(rows, 24, kind=by_clearance))[0])
    assert said.limit_cm3 == pytest.approx(36.0)
    assert said.remaining_km == outlook(worn(1.0, 33.0)).remaining_km


def test_readings_missing_here_and_there_are_no_harm():
    volumes = worn(1.0, 33.0).values[:, 0].copy()
    volumes[[3, 8, 9, 23]] = NAN
    whole, part = outlook(worn(1.0, 33.0)), outlook(pack(volumes, 24))
    assert part.service == whole.service
    assert part.remaining_km["p50"] == pytest.approx(whole.remaining_km["p50"], rel=0.35)


def test_dates_follow_the_units_own_use():
    crossed = Crossing(np.full(2000, 26_000.0), np.full(2000, 30.0), np.ones(2000), np.zeros(2000), 0.0)
    last = date(2025, 1, 1)
    due = due_dates(crossed, last, 130.0)
    assert abs(due["p50"] - (last + timedelta(days=200))).days <= 3  # hand-solved: 26 000 / 130
    assert due["p10"] < due["p50"] < due["p90"]
    assert due_dates(crossed, last, None) == {"p10": None, "p50": None, "p90": None}
    assert due_dates(crossed, last, 0.0) == {"p10": None, "p50": None, "p90": None}


def test_use_is_that_of_the_last_year():
    panel = pack([30.0] * 20)
    later = panel.odometer_km[7] + 1000.0 * np.arange(1, 13)
    slow = replace(panel, odometer_km=np.r_[panel.odometer_km[:8], later])
    assert km_per_day(panel) == pytest.approx(4000.0 / 30.0)
    assert km_per_day(slow) == pytest.approx(1000.0 / 30.0, rel=0.3)
    assert km_per_day(pack([30.0])) is None


def test_a_fan_widens_and_meets_the_present():
    said = outlook(worn(1.0, 33.0))
    assert (said.fan_p10 <= said.fan_p50).all()
    assert (said.fan_p50 <= said.fan_p90).all()
    width = said.fan_p90 - said.fan_p10
    assert width[-1] > width[0]
    assert said.fan_p50[0] == pytest.approx(said.volume_cm3, abs=0.1)


def test_fleet_rates_cover_every_pack_of_every_profile():
    rates = fleet_rates([worn(1.0, 33.0, seed=s) for s in range(4)])
    assert set(rates) == {profile().name}
    assert set(rates[profile().name]) == {c.id for c in profile().clutches}
    assert rates[profile().name]["pack3"].usual > 0.3


def test_coverage_of_the_eighty_per_cent_interval_on_steady_packs():
    # 60 packs whose true distance left is known; 80 % intervals, binomial 99.9 % bounds. Rates are drawn
    # from the prior's wide part, volumes with the noise the model is told of.
    rng = np.random.default_rng(77)
    held = 0
    for seed in range(60):
        rate, left = rng.uniform(0.5, 1.5), rng.uniform(5_000.0, 60_000.0)
        said = outlook(worn(rate, 36.0 - rate * left / KM, seed=seed)).remaining_km
        held += said["p10"] <= left <= (np.inf if said["p90"] is None else said["p90"])
    assert binom.ppf(0.0005, 60, 0.8) <= held
