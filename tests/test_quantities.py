"""Conversions against the printed factors of NIST SP 811 (2008), appendix B, and exact definitions."""

from __future__ import annotations

import doctest

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from driftwatch import quantities
from driftwatch.errors import UsageError
from driftwatch.quantities import (
    SI_DISPLAY,
    UNITS,
    US_DISPLAY,
    conversion,
    convertible,
    display_unit,
    known_unit,
    to_unit,
    unit_name,
)

SP811 = "NIST SP 811 (2008), appendix B"
#: value, unit, wanted unit, expected, source. Text: published, met to half a unit of its last printed digit.
#: Number: hand-solved from the exact definition, met to rel 1e-12.
FIGURES = [
    (1.0, "psi", "kPa", "6.894757", SP811),
    (1.0, "psi", "kPa", 6.894757293168361, "0.45359237 kg x 9.80665 m/s2 / (0.0254 m)^2"),
    (1.0, "in3", "cm3", "16.38706", SP811),
    (1.0, "in3", "cm3", 16.387064, "2.54^3"),
    (1.0, "mi", "km", 1.609344, SP811 + ", exact"),
    (1.0, "lb.ft", "N.m", "1.355818", SP811),
    (1.0, "lb.ft", "N.m", 0.45359237 * 9.80665 * 0.3048, "pound x standard gravity x foot"),
    (1.0, "hp", "kW", "0.7456999", SP811 + ", 550 ft.lbf/s"),
    (200.0, "degF", "degC", (200 - 32) / 1.8, SP811 + ", (t - 32)/1.8"),
    (12.0, "cm3", "in3", 12 / 2.54**3, "2.54^3"),
    (12.0, "cm3", "in3", "0.732285", "the same, printed"),
    (1.0, "bar", "kPa", 100.0, SP811 + ", exact"),
    (1.0, "lb", "kg", 0.45359237, SP811 + ", exact"),
    (0.85, "s", "ms", 850.0, "definition"),
    (1.0, "L", "cm3", 1000.0, "definition"),
    (300.0, "K", "degC", 26.85, "273.15"),
]


@pytest.mark.parametrize(("value", "old", "new", "expected", "source"), FIGURES)
def test_figures_of_the_standard(value, old, new, expected, source):
    got = to_unit(value, old, new)
    if isinstance(expected, str):
        half_digit = 0.5 * 10.0 ** -len(expected.split(".")[1])
        assert abs(got - float(expected)) <= half_digit, source
    else:
        assert got == pytest.approx(expected, rel=1e-12), source


@pytest.mark.parametrize(
    ("spelling", "name"),
    [
        ("kPa", "kPa"),
        ("KPA", "kPa"),
        ("PSI", "psi"),
        ("lbf/in²", "psi"),
        ("cc", "cm3"),
        ("cm³", "cm3"),
        ("cm^3", "cm3"),
        ("mL", "cm3"),
        ("cu. in.", "in3"),
        ("in³", "in3"),
        ("Sec", "s"),
        ("msec", "ms"),
        ("°F", "degF"),
        ("° C", "degC"),
        ("deg F", "degF"),
        ("℃", "degC"),
        ("F", "degF"),
        ("N·m", "N.m"),
        ("Nm", "N.m"),
        ("ft-lb", "lb.ft"),
        ("lb ft", "lb.ft"),
        ("ft‑lbs", "lb.ft"),
        ("lbs", "lb"),
        ("pct", "%"),
        ("%", "%"),
        ("miles", "mi"),
    ],
)
def test_spellings_of_the_trade(spelling, name):
    assert known_unit(spelling)
    assert unit_name(spelling) == name


@pytest.mark.parametrize(
    "text", ["", " ", "furlong", "kPa**2", "1e9", "2 kPa", "__import__('os')", "ton", "nan"]
)
def test_what_is_not_a_unit_is_refused_in_one_line(text):
    assert not known_unit(text)
    with pytest.raises(UsageError) as refused:
        unit_name(text)
    assert "\n" not in str(refused.value)


def test_a_slip_is_answered_with_the_nearest_unit():
    with pytest.raises(UsageError, match="did you mean 'kPa'"):
        unit_name("kPaa")


def test_different_kinds_do_not_convert():
    assert not convertible("psi", "cm3")
    assert not convertible("psi", "no such unit")
    assert convertible("psi", "bar")
    with pytest.raises(UsageError, match="psi cannot be turned into cm3"):
        to_unit(1.0, "psi", "cm3")
    with pytest.raises(UsageError):
        to_unit(1.0, "lb", "lb.ft")


def test_a_column_with_mixed_units_is_converted_row_by_row():
    values = to_unit([1.0, 100.0, np.nan, 1.0], ["psi", "kPa", "bar", "bar"], "kPa")
    np.testing.assert_allclose(values, [6.894757293168361, 100.0, np.nan, 100.0], rtol=1e-12)  # hand-solved


def test_shapes_and_index_are_kept():
    series = pd.Series([32.0, 212.0], index=[7, 9], name="t")
    converted = to_unit(series, "degF", "degC")
    assert list(converted.index) == [7, 9]
    np.testing.assert_allclose(converted, [0.0, 100.0], atol=1e-12)
    assert isinstance(to_unit(1, "mi", "km"), float)
    assert to_unit(np.ones((2, 3)), "mi", "km").shape == (2, 3)
    assert to_unit([], [], "kPa").shape == (0,)


def test_no_spelling_stands_for_two_units():
    spelled = {(quantities._key(text), name) for name, (_, more) in UNITS.items() for text in (name, *more)}
    assert len({text for text, _ in spelled}) == len(spelled)


@given(st.sampled_from(sorted(UNITS)), st.sampled_from(sorted(UNITS)), st.floats(-1e6, 1e6))
def test_there_and_back(old, new, value):
    if convertible(old, new):
        assert to_unit(to_unit(value, old, new), new, old) == pytest.approx(value, rel=1e-12, abs=1e-9)


@given(st.text(max_size=30))
def test_any_text_is_a_unit_or_a_usage_error(text):
    if known_unit(text):
        assert conversion(text, text).factor == 1.0
    else:
        with pytest.raises(UsageError):
            conversion(text, "kPa")


def test_display_in_the_readers_system():
    assert [display_unit(u, "US") for u in ("kPa", "km", "%", "s")] == ["psi", "mi", "%", "s"]
    assert [display_unit(u, "SI") for u in ("kPa", "mi", "lb-ft")] == ["kPa", "km", "N.m"]
    with pytest.raises(UsageError):
        display_unit("kPa", "imperial")


def test_every_display_pair_measures_the_same_thing():
    for old, new in (*US_DISPLAY.items(), *SI_DISPLAY.items()):
        assert convertible(old, new), (old, new)


def test_examples_in_the_docstrings():
    assert doctest.testmod(quantities).failed == 0
