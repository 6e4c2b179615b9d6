"""Numbers, units and days as the reader writes them."""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from driftwatch.errors import UsageError
from driftwatch.settings import Settings
from driftwatch.wording import (
    Wording,
    as_read,
    as_set,
    change_as_read,
    day,
    distance,
    grouped,
    is_chosen,
    measured,
    month_name,
    own_sign,
    per_distance,
    percent,
    percent_chance,
    rate,
    rough,
    set_distance,
    shown,
    to_noise,
    to_step,
    unit_sign,
    wording,
    written,
)
from tests.words import plain

US, SI = Wording(units="us"), Wording(units="si")


@pytest.mark.parametrize(
    ("dates", "a_day", "a_month"),
    [
        ("day-first", "4 Mar 2026", "March 2026"),
        ("month-first", "Mar 4, 2026", "March 2026"),
        ("iso", "2026-03-04", "2026-03"),
    ],
)
def test_days_in_each_style(dates, a_day, a_month):
    with written(Wording(dates=dates)):
        assert day(date(2026, 3, 4)) == a_day
        assert day(np.datetime64("2026-03-04T10:00", "us")) == a_day
        assert month_name(2026, 3) == a_month
    assert day(None) == "–"


# Factors published: NIST SP 811 (2008), appendix B.9: 1 mi = 1.609344 km, 1 in3 = 16.387064 cm3,
# 1 psi = 6.894757 kPa; degrees by definition. The shown texts are hand-solved from them.
@pytest.mark.parametrize(
    ("value", "unit", "told"),
    [
        (28.4, "cm3", "1.73 in³"),
        (206.84271, "kPa", "30.0 psi"),
        (80.0, "degC", "176 °F"),
        (19.4, "degC", "67 °F"),
        (201.17, "km", "125 mi"),
        (100.0, "N.m", "73.8 lb·ft"),
        (0.35, "s", "0.35 s"),
        (12.0, "%", "12.0 %"),
        (5.0, "furlongs", "5.00 furlongs"),
    ],
)
def test_quantities_in_us_units(value, unit, told):
    with written(US):
        assert plain(measured(value, unit)) == told


def test_a_difference_of_temperatures_has_no_zero_point():
    with written(US):
        assert shown(10.0, "degC", change=True) == pytest.approx(18.0)
        assert shown(10.0, "degC") == pytest.approx(50.0)


def test_distances_rates_and_settings():
    assert plain(distance(34_210.0)) == "34 000 km"
    assert [plain(as_set(v, "N.m")) for v in (120.0, 7.25)] == ["120 N·m", "7.2 N·m"]
    assert plain(set_distance(12_345.0)) == "12 345 km"  # as it was set, to the last figure
    assert plain(per_distance("cm3")) == "cm³ per 10 000 km"
    with written(US):
        assert plain(distance(34_210.0)) == "21,000 mi"
        assert plain(set_distance(40_000.0)) == "24,900 mi"
        assert plain(per_distance("cm3")) == "in³ per 10,000 mi"
        assert plain(as_set(2600.0, "kg")) == "5,730 lb"  # 2600 / 0.45359237 = 5732
        # 1 cm3 in 10 000 km is 1.609344 cm3 in 10 000 mi, which is 0.098208 in3.
        assert rate(1.0, "cm3") == pytest.approx(1.609344 / 16.387064)
        assert grouped(-1234567.0) == "−1,234,567"
        assert percent(0.8) == "80%"


def test_a_profile_in_psi_stays_so_unless_asked():
    assert (shown(30.0, "psi"), unit_sign("psi")) == (30.0, "psi")
    with written(SI):
        assert shown(30.0, "psi") == pytest.approx(206.84271)
        assert (unit_sign("psi"), own_sign("psi")) == ("kPa", "psi")


def test_it_is_in_force_only_inside():
    assert not is_chosen()
    with written(US):
        assert is_chosen()
        with written(SI):
            assert wording() == SI
        assert wording() == US
    assert wording() == Wording()


def test_a_way_of_writing_that_is_none_is_refused_in_one_line():
    for made in ({"units": "furlongs"}, {"dates": "roman"}):
        with pytest.raises(UsageError, match="give one of") as refused:
            Wording(**made)
        assert "\n" not in str(refused.value)
    with pytest.raises(UsageError):
        Settings().with_value("units", "imperial")
    assert Settings().with_value("units", "us").wording == US


@given(st.floats(0.0, 1.0))
def test_no_share_short_of_certain_is_said_to_be(share):
    told = plain(percent(share))
    assert (told == "100 %") == (share == 1.0)
    assert (told == "0 %") == (share == 0.0)


@given(st.floats(0.0, 1.0))
def test_no_chance_is_said_to_be_none_or_certain(probability):
    told = plain(percent_chance(probability))
    assert told not in ("0 %", "100 %")
    assert told == plain(percent(probability)) or probability in (0.0, 1.0)


@given(st.floats(1e-3, 1e7))
def test_a_rough_number_is_within_five_per_cent(value):
    told = float(plain(rough(value)).replace(" ", ""))
    assert told == pytest.approx(value, rel=0.5 if value < 0.01 else 0.051)


@pytest.mark.parametrize(
    ("value", "sd", "said"),
    [
        # Hand-solved: the last place is the first that is no coarser than a third of the noise.
        (-0.0021, 0.33, "0.0"),
        (0.26, 0.33, "+0.3"),
        (28.17, 3.3, "+28"),
        (-0.0132, 0.0052, "\u22120.013"),
        (8.4987, 0.3, "+8.5"),
        (-0.04, 0.3, "0.0"),
        (1234.4, 900.0, "+1\u202f234"),
        # Of unknown noise, three figures.
        (0.2345, None, "+0.23"),
        (0.2345, 0.0, "+0.23"),
        (None, 0.3, "–"),
        (float("nan"), 0.3, "–"),
    ],
)
def test_a_change_has_the_places_that_its_noise_bears(value, sd, said):
    assert to_noise(value, sd) == said


# Hand-solved; the factors of the converted ones are those above.
@pytest.mark.parametrize(
    ("value", "step", "text"),
    [
        (37.0, 1.0, "37"), (-8.0, 1.0, "\u22128"), (0.5, 0.005, "0.500"), (35.4, 0.1, "35.4"),
        (0.555, 0.005, "0.555"), (27.5, 0.5, "27.5"), (-0.0, 0.1, "0.0"), (1234.0, 1.0, "1\u202f234"),
        (20.684, 1.0, "20.7"), (3.0, None, "3"), (-6.6, None, "\u22126.6"), (120.0, None, "120"),
        (None, 1.0, "–"),
    ],
)  # fmt: skip
def test_a_value_is_shown_with_the_decimals_of_its_steps(value, step, text):
    assert as_read(value, step) == text


@pytest.mark.parametrize(
    ("value", "step", "unit", "text"),
    [
        (28.0, 1.0, "kPa", "4.1"),  # a step is 0.145 psi: one decimal bears it
        (26.1, 0.1, "cm3", "1.593"),  # a step is 0.0061 in3
        (0.535, 0.005, "s", "0.535"),  # no counterpart: as it is
        (28.4, 1.0, "kPa", "4.12"),  # on none of its steps
    ],
)
def test_a_value_in_another_unit_has_the_decimals_of_the_step_there(value, step, unit, text):
    with written(US):
        assert as_read(value, step, unit) == text
    assert as_read(value, step, unit) == as_read(value, step)


def test_a_difference_has_its_sign():
    told = [change_as_read(v, 0.1) for v in (0.3, -0.3, 0.0, 1e-12)]
    assert told == ["+0.3", "\u22120.3", "0.0", "0.0"]
    with written(US):
        assert change_as_read(10.0, 1.0, "degC") == "+18"


def test_an_estimate_is_rounded_to_the_steps_of_single_readings():
    assert [to_step(v, 1.0, "kPa") for v in (21.37, -0.2, None)] == ["21", "0", "–"]
    assert to_step(31.648, 0.1, "cm3") == "31.6"
    assert to_step(31.648, None, "cm3") == "31.6"
    with written(US):
        assert to_step(36.0, 0.1, "cm3") == "2.197"
