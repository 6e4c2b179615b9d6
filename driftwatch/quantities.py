"""Units of measure at the door: what a file writes is turned into the profile's unit, once, by pint.

Only spellings listed here are taken. A free expression ("1e9 kPa**2") is refused, so that a slip in a
unit column is named instead of being computed with. Spellings are compared without regard to case,
blanks, dots, dashes and raised digits: `lb-ft`, `lb.ft` and `LB FT` are one unit, as are `in3` and `in³`.

Factors are those of pint, which follow the exact definitions of NIST SP 811 (2008), appendix B.
"""

from __future__ import annotations

import re
import unicodedata
from difflib import get_close_matches
from functools import lru_cache
from typing import TYPE_CHECKING, Any, NamedTuple, overload

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from driftwatch.errors import UsageError

if TYPE_CHECKING:
    import pint

#: Unit as the program writes it -> (pint's name for it, further spellings that are taken).
UNITS: dict[str, tuple[str, tuple[str, ...]]] = {
    # pressure
    "kPa": ("kilopascal", ("kilopascal", "kilopascals")),
    "psi": ("psi", ("lbf/in2", "lb/in2", "psig", "pound per square inch")),
    "bar": ("bar", ("bars",)),
    "mbar": ("millibar", ("hPa",)),
    "MPa": ("megapascal", ()),
    "Pa": ("pascal", ()),
    # volume
    "cm3": ("centimeter**3", ("cc", "ccm", "ml", "millilitre", "milliliter", "cubic centimetre")),
    "in3": ("inch**3", ("cu in", "cuin", "cubic inch", "cubic inches")),
    "L": ("liter", ("ltr", "litre", "liter", "dm3")),
    "mm3": ("millimeter**3", ("ul",)),
    # area, length
    "cm2": ("centimeter**2", ("sq cm",)),
    "mm2": ("millimeter**2", ("sq mm",)),
    "in2": ("inch**2", ("sq in",)),
    "mm": ("millimeter", ("millimetre", "millimeter")),
    "in": ("inch", ("inch", "inches")),
    # distance
    "km": ("kilometer", ("kms", "kilometre", "kilometer", "kilometres", "kilometers")),
    "mi": ("mile", ("mile", "miles")),
    "m": ("meter", ("metre", "meter")),
    # time
    "s": ("second", ("sec", "secs", "second", "seconds")),
    "ms": ("millisecond", ("msec", "millisecond", "milliseconds")),
    "min": ("minute", ("minute", "minutes")),
    # temperature
    "degC": ("degree_Celsius", ("C", "°C", "celsius")),
    "degF": ("degree_Fahrenheit", ("F", "°F", "fahrenheit")),
    "K": ("kelvin", ("kelvin",)),
    # torque, power, mass
    "N.m": ("newton*meter", ("newton metre", "newton meter")),
    "lb.ft": (
        "force_pound*foot",
        ("ft.lb", "lbs.ft", "ft.lbs", "lbf.ft", "ft.lbf", "pound foot", "pound feet"),
    ),
    "kW": ("kilowatt", ()),
    "hp": ("horsepower", ("bhp",)),
    "kg": ("kilogram", ("kgs", "kilogram", "kilograms")),
    "t": ("metric_ton", ("tonne", "tonnes", "metric ton")),
    "lb": ("pound", ("lbs", "lbm", "pound", "pounds")),
    # shares, speeds, electrical, bare numbers
    "%": ("percent", ("pct", "percent", "per cent")),
    "rpm": ("revolutions_per_minute", ("1/min", "rev/min", "r/min")),
    "A": ("ampere", ("amp", "amps")),
    "mA": ("milliampere", ()),
    "V": ("volt", ("volts",)),
    "mV": ("millivolt", ()),
    "Hz": ("hertz", ()),
    "count": ("dimensionless", ("counts", "steps", "1", "ratio")),
}

#: What a reader in the US is shown instead; everything else stays as it is.
US_DISPLAY = {
    "kPa": "psi",
    "bar": "psi",
    "MPa": "psi",
    "cm3": "in3",
    "mm": "in",
    "cm2": "in2",
    "km": "mi",
    "degC": "degF",
    "N.m": "lb.ft",
    "kW": "hp",
    "kg": "lb",
    "t": "lb",
}
SI_DISPLAY = {
    "psi": "kPa",
    "in3": "cm3",
    "in": "mm",
    "in2": "cm2",
    "mi": "km",
    "degF": "degC",
    "lb.ft": "N.m",
    "hp": "kW",
    "lb": "kg",
}
SYSTEMS = ("SI", "US")


class Conversion(NamedTuple):
    """How one unit becomes another: `value * factor + offset` (the offset is for temperatures)."""

    factor: float
    offset: float


def _key(text: str) -> str:
    """Fold a spelling: case, blanks, dots, dashes, raised digits and the degree sign do not matter."""
    folded = unicodedata.normalize("NFKC", text).lower()
    folded = folded.replace("°", "deg").replace("º", "deg").replace("\u2044", "/").replace("\u03bc", "u")
    return re.sub(r"[\s.·⋅*^_\u2010-\u2015-]+", "", folded)


_NAMES = {_key(text): name for name, (_, others) in UNITS.items() for text in (name, *others)}


def known_unit(text: str) -> bool:
    """Say whether a unit's spelling is taken."""
    return _key(text) in _NAMES


def unit_name(text: str) -> str:
    """Give the one way in which the program writes a unit.

    Raises
    ------
    UsageError
        If the spelling is not known; the nearest known one is named.

    Examples
    --------
    >>> unit_name("ft-lbs"), unit_name("CC"), unit_name("°F")
    ('lb.ft', 'cm3', 'degF')

    """
    name = _NAMES.get(_key(text))
    if name is None:
        near = get_close_matches(_key(text), _NAMES, n=1)
        hint = (
            f"did you mean {_NAMES[near[0]]!r}?"
            if near
            else "write one such as kPa, psi, cm3, in3, s, ms or %"
        )
        raise UsageError(f"unit {text[:40]!r} is not known", do=hint)
    return name


@lru_cache(maxsize=1)
def _registry() -> pint.UnitRegistry[Any]:
    import pint  # takes a third of a second: only when something is to be converted

    return pint.UnitRegistry()


@lru_cache(maxsize=1024)
def _between(old: str, new: str) -> Conversion:
    if old == new:
        return Conversion(1.0, 0.0)
    import pint

    registry = _registry()
    a, b = registry.Unit(UNITS[old][0]), registry.Unit(UNITS[new][0])
    try:
        offset = float(registry.Quantity(0.0, a).to(b).magnitude)
        if "deg" in old or "deg" in new:
            # A step of one degree, without the zero point: exact, where a difference of two readings is not.
            a, b = (registry.Unit(UNITS[n][0].replace("degree_", "delta_degree_")) for n in (old, new))
        factor = float(registry.Quantity(1.0, a).to(b).magnitude)
    except pint.DimensionalityError:
        raise UsageError(f"{old} cannot be turned into {new}", do="they measure different things") from None
    return Conversion(factor, offset)


def conversion(from_unit: str, to_unit: str) -> Conversion:
    """Give factor and offset from one unit to another, for use on whole columns or in SQL.

    Parameters
    ----------
    from_unit, to_unit : str
        Any spelling taken by `known_unit`.

    Raises
    ------
    UsageError
        If a unit is not known, or the two measure different things.

    Examples
    --------
    >>> conversion("mi", "km")
    Conversion(factor=1.609344, offset=0.0)

    """
    return _between(unit_name(from_unit), unit_name(to_unit))


def convertible(from_unit: str, to_unit: str) -> bool:
    """Say whether both units are known and measure the same kind of thing."""
    try:
        conversion(from_unit, to_unit)
    except UsageError:
        return False
    return True


@overload
def to_unit(values: float, from_unit: str, to_unit: str) -> float: ...


@overload
def to_unit(values: pd.Series[Any], from_unit: str | ArrayLike, to_unit: str) -> pd.Series[Any]: ...


@overload
def to_unit(values: ArrayLike, from_unit: str | ArrayLike, to_unit: str) -> NDArray[np.float64]: ...


def to_unit(values: Any, from_unit: Any, to_unit: str) -> Any:
    """Convert a number, an array or a column.

    Parameters
    ----------
    values : float or array_like
        Values in `from_unit`; NaN stays NaN.
    from_unit : str or array_like of str
        One unit for all, or one for each value; each distinct spelling is looked up once.
    to_unit : str
        The unit wanted.

    Returns
    -------
    float, Series or array
        A number for a number, a Series (same index) for a Series, otherwise an array.

    Raises
    ------
    UsageError
        If a unit is not known, or measures something else.

    Examples
    --------
    >>> round(to_unit(120.0, "psi", "kPa"), 4)
    827.3709
    >>> to_unit([212.0, 32.0], "degF", "degC").round(6).tolist()
    [100.0, 0.0]

    """
    numbers = np.asarray(values, dtype=np.float64)
    if isinstance(from_unit, str):
        factor, offset = conversion(from_unit, to_unit)
        converted: Any = numbers * factor + offset
    else:
        distinct, which = np.unique(np.asarray(from_unit, dtype=str), return_inverse=True)
        pairs = np.array([conversion(str(text), to_unit) for text in distinct]).reshape(-1, 2)
        converted = numbers * pairs[which.reshape(-1), 0] + pairs[which.reshape(-1), 1]
    if isinstance(values, pd.Series):
        return pd.Series(converted, index=values.index, name=values.name)
    return float(converted) if np.ndim(converted) == 0 else converted


def display_unit(unit: str, system: str = "SI") -> str:
    """Give the unit that a reader of that system of units is used to.

    Parameters
    ----------
    unit : str
        Any known unit; one that has no counterpart in the other system stays.
    system : str
        "SI" or "US".

    Examples
    --------
    >>> display_unit("kilometres", "US"), display_unit("s", "US")
    ('mi', 's')

    """
    if system not in SYSTEMS:
        raise UsageError(f"there is no system of units {system!r}", do="write SI or US")
    known = unit_name(unit)
    return (US_DISPLAY if system == "US" else SI_DISPLAY).get(known, known)
