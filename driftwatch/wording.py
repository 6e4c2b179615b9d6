"""Numbers, units and days as the reader writes them: one way of writing, chosen once, used by every sentence.

Everything inside the program is in km, cm3, degrees Celsius and ISO days. Where a sentence, table or chart is
put together the way of writing that is in force (`written`) says what the reader sees. It is set at the edge,
for a command or a request, in the manner of `decimal.localcontext`, and handed to worker processes.
"""

from __future__ import annotations

import math
import unicodedata
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from typing import Any, overload

import numpy as np
from numpy.typing import NDArray

from driftwatch.errors import UsageError
from driftwatch.quantities import conversion, display_unit, known_unit

#: What `units` and `dates` may be, each with what it means.
UNITS = {
    "profile": "as the profile has them, and km",
    "si": "km, cm³, °C, kPa",
    "us": "mi, in³, °F, psi",
}
DATES = {"day-first": "14 Mar 2026", "month-first": "Mar 14, 2026", "iso": "2026-03-14"}

_MONTHS = (
    "January", "February", "March", "April", "May", "June", "July", "August", "September", "October",
    "November", "December",
)  # fmt: skip
_SIGNS = {"cm3": "cm³", "in3": "in³", "cm2": "cm²", "in2": "in²", "degC": "°C", "degF": "°F", "N.m": "N·m",
          "lb.ft": "lb·ft"}  # fmt: skip
#: Units of which no report bears a part: degrees and distances are told whole.
_WHOLE = frozenset({"degC", "degF", "K", "km", "mi"})
#: Narrow and usual blank that no line breaks at.
_THIN, _BLANK = "\u202f", "\u00a0"
_ISOLATE, _POP = "\u2068", "\u2069"


@dataclass(frozen=True)
class Wording:
    """How the reader writes.

    Attributes
    ----------
    units : {"profile", "si", "us"}
    dates : {"day-first", "month-first", "iso"}

    """

    units: str = "profile"
    dates: str = "day-first"

    def __post_init__(self) -> None:
        for what, told, known in (("units", self.units, UNITS), ("dates", self.dates, DATES)):
            if told not in known:
                raise UsageError(f"{told!r} is no way to write {what}", do=f"give one of {', '.join(known)}")


_IN_FORCE: ContextVar[Wording | None] = ContextVar("wording", default=None)
_USUAL = Wording()


def wording() -> Wording:
    """Give the way of writing in force."""
    return _IN_FORCE.get() or _USUAL


def is_chosen() -> bool:
    """True inside `written`: a way of writing was chosen, and a store's own setting does not apply."""
    return _IN_FORCE.get() is not None


@contextmanager
def written(how: Wording) -> Iterator[None]:
    """Have everything written in one way while the `with` lasts."""
    token = _IN_FORCE.set(how)
    try:
        yield
    finally:
        _IN_FORCE.reset(token)


# --- days ------------------------------------------------------------------------------------------------


def as_date(value: date | np.datetime64 | datetime) -> date:
    """Give the calendar day of a date, datetime or numpy time."""
    if isinstance(value, np.datetime64):
        return date.fromisoformat(str(value.astype("datetime64[D]")))
    return value.date() if isinstance(value, datetime) else value


def day(value: date | np.datetime64 | datetime | None) -> str:
    """Give a day as `14 Mar 2026`, `Mar 14, 2026` or `2026-03-14`; an en dash where there is none."""
    if value is None:
        return "–"
    value = as_date(value)
    dates, month = wording().dates, _MONTHS[value.month - 1][:3]
    if dates == "iso":
        return value.isoformat()
    if dates == "month-first":
        return f"{month} {value.day}, {value.year}"
    return f"{value.day} {month} {value.year}"


def month_name(year: int, month: int) -> str:
    """Give `March 2026`, or `2026-03` where days are written so."""
    if wording().dates == "iso":
        return f"{year:04d}-{month:02d}"
    return f"{_MONTHS[month - 1]} {year}"


def chart_day() -> str:
    """Give the pattern of a day in a chart's hover text (d3's, which Plotly uses)."""
    return {"iso": "%Y-%m-%d", "month-first": "%b %d, %Y"}.get(wording().dates, "%d %b %Y")


# --- numbers ---------------------------------------------------------------------------------------------


def grouped(value: float, digits: int = 0) -> str:
    """Give a number with its thousands apart and a true minus sign."""
    if not math.isfinite(value):
        return "–"
    apart = "," if wording().units == "us" else _THIN
    return f"{value:,.{digits}f}".replace(",", apart).replace("-", "\u2212")


def number(value: float | None) -> str:
    """Give a measured value with about three figures."""
    if value is None or not math.isfinite(value):
        return "–"
    size = abs(value)
    if size < 5e-4:
        return "0"
    return grouped(value, 0 if size >= 100 else 1 if size >= 10 else 2 if size >= 0.095 or size == 0 else 3)


def rough(value: float | None) -> str:
    """Give an estimate with about two figures."""
    if value is None or not math.isfinite(value):
        return "–"
    size = abs(value)
    return grouped(value, 0 if size >= 10 else 1 if size >= 1 else 2 if size >= 0.1 else 3)


def signed(value: float | None) -> str:
    """Give a measured change with its sign always shown."""
    if value is None or not math.isfinite(value):
        return "–"
    return ("+" if value > 0 else "") + number(value)


def to_noise(value: float | None, sd: float | None) -> str:
    """Give a change, its sign shown, with as many places as its noise, of standard deviation `sd`, bears."""
    if value is None or not math.isfinite(value):
        return "–"
    if not sd or not math.isfinite(sd):
        return signed(value)
    places = max(math.ceil(-math.log10(abs(sd) / 3.0)), 0)
    if round(value, places) == 0:
        return grouped(0.0, places)
    return ("+" if value > 0 else "") + grouped(value, places)


def percent(value: float | None) -> str:
    """Give a share in whole per cent, never a false 0 or 100."""
    if value is None or not math.isfinite(value):
        return "–"
    mark = "%" if wording().units == "us" else f"{_THIN}%"
    if 0 < value < 0.01:
        return f"under 1{mark}"
    if 0.99 < value < 1:
        return f"over 99{mark}"
    return f"{round(100 * value)}{mark}"


def percent_chance(value: float) -> str:
    """Give a probability in whole per cent, never 0 or 100: no readings can tell either."""
    return percent(min(max(value, 0.001), 0.999))


def chart_separators() -> str:
    """Give the decimal sign and the sign between thousands, as a chart takes them."""
    return ".," if wording().units == "us" else f".{_THIN}"


# --- quantities ------------------------------------------------------------------------------------------


@overload
def shown(values: float, unit: str, change: bool = False) -> float: ...


@overload
def shown(values: NDArray[np.float64], unit: str, change: bool = False) -> NDArray[np.float64]: ...


def shown(values: Any, unit: str, change: bool = False) -> Any:
    """Turn values into the reader's unit; those of a unit without a counterpart stay as they are.

    Parameters
    ----------
    values : float or array
        In `unit`.
    unit : str
        As the program writes it (`km`, `cm3`, `kPa`).
    change : bool
        True for a difference: the zero point of a temperature then plays no part.

    """
    wanted = _shown_unit(unit)
    if wanted == unit:
        return values
    into = conversion(unit, wanted)
    return values * into.factor + (0.0 if change else into.offset)


def unit_sign(unit: str) -> str:
    """Give the sign of the reader's unit: `cm³` or `in³` for `cm3`; a unit that is not known as it is."""
    return own_sign(_shown_unit(unit))


def own_sign(unit: str) -> str:
    """Give the sign of a unit itself, whatever the reader's is: for what is typed, and as it was read."""
    return _SIGNS.get(unit, name(unit))


def measured(value: float | None, unit: str, change: bool = False) -> str:
    """Give a value in the reader's unit, with its sign; degrees and distances whole."""
    if value is None or not math.isfinite(value):
        return "–"
    there = shown(value, unit, change)
    told = grouped(round(there) + 0.0) if _shown_unit(unit) in _WHOLE else number(there)
    return f"{told}{_BLANK}{unit_sign(unit)}"


def places(step: float | None, unit: str | None = None) -> int | None:
    """Give the decimals that steps of this size bear; None where the step is not known.

    Parameters
    ----------
    step : float or None
        Resolution of a signal, as its profile says.
    unit : str, optional
        Its unit, where it is shown in the reader's: the decimals are then those of the step turned into it.

    """
    if not step or not math.isfinite(step):
        return None
    there = step if unit is None else abs(shown(step, unit, change=True))
    if there != step:
        return max(math.ceil(-math.log10(there)), 0)
    exponent = Decimal(f"{step:.6g}").normalize().as_tuple().exponent
    return max(-exponent, 0) if isinstance(exponent, int) else 0


def as_read(value: float | None, step: float | None, unit: str | None = None) -> str:
    """Give a value that was read, with the decimals that the controller's own steps have; a dash for none.

    Parameters
    ----------
    value : float or None
        As it is stored.
    step : float or None
        Resolution of its signal, as the profile says. Without one, and for a value that is on none of its
        decimals, about three figures are shown, and no zeros that nobody has read.
    unit : str, optional
        Its unit, to show it in the reader's; without one it is shown in its own.

    """
    return _of_steps(value, step, unit, change=False)


def change_as_read(value: float | None, step: float | None, unit: str | None = None) -> str:
    """Give a difference of two readings, with its sign; as `as_read`."""
    text = _of_steps(value, step, unit, change=True)
    return f"+{text}" if value is not None and value > 0 and text.strip("0.") else text


def to_step(value: float | None, step: float | None, unit: str) -> str:
    """Give an estimate in the reader's unit, rounded to the decimals that single readings of it have."""
    if value is None or not math.isfinite(value):
        return "–"
    digits, there = places(step, unit), shown(value, unit)
    return number(there) if digits is None else grouped(round(there, digits) + 0.0, digits)


def _of_steps(value: float | None, step: float | None, unit: str | None, change: bool) -> str:
    if value is None or not math.isfinite(value):
        return "–"
    there = value if unit is None else shown(value, unit, change)
    own, digits = places(step), places(step, unit)
    if own is None or digits is None or not math.isclose(value, round(value, own), rel_tol=0.0, abs_tol=1e-6):
        return _without_zeros(number(there))
    return grouped(round(there, digits) + 0.0, digits)


def _without_zeros(text: str) -> str:
    """Cut the zeros at the end of a decimal fraction."""
    return text.rstrip("0").rstrip(".") if "." in text else text


def distance(km: float | None) -> str:
    """Give a distance rounded as coarsely as it is known (hundreds; thousands above 20 000)."""
    if km is None or not math.isfinite(km):
        return "–"
    value = shown(km, "km")
    step = 1000 if abs(value) >= 20000 else 100
    return f"{grouped(round(value / step) * step)}{_BLANK}{unit_sign('km')}"


def as_set(value: float, unit: str) -> str:
    """Give an amount that somebody has set or logged, as it was; about three figures of it in another unit.

    An amount is a change or a length: where it is one of temperature, the zero point plays no part.
    """
    there = shown(value, unit, change=True)
    if there == value:
        told = grouped(value, 0 if value == round(value) else 1)
    else:
        told = grouped(float(f"{there:.3g}"), 0 if abs(there) >= 100 else 1)
    return f"{told}{_BLANK}{unit_sign(unit)}".strip()


def set_distance(km: float) -> str:
    """Give a distance that somebody has set; see `as_set`."""
    return as_set(km, "km")


def per_distance(unit: str) -> str:
    """Give the sign of a rate over 10 000 of the reader's distances: `cm³ per 10 000 km`."""
    return f"{unit_sign(unit)} per {grouped(10000)}{_BLANK}{unit_sign('km')}"


def rate(per_10000km: float, unit: str) -> float:
    """Turn a rate per 10 000 km into one per 10 000 of the reader's distances, in the reader's unit."""
    return shown(per_10000km, unit, change=True) / shown(1.0, "km")


def _shown_unit(unit: str) -> str:
    if wording().units == "profile" or not known_unit(unit):
        return unit
    return display_unit(unit, wording().units.upper())


# --- text ------------------------------------------------------------------------------------------------


def listed(items: list[str] | tuple[str, ...], most: int | None = None) -> str:
    """Join as `a, b and c`; beyond `most`, say how many more."""
    items = list(items)
    if most is not None and len(items) > most:
        return ", ".join(items[:most]) + f" and {len(items) - most} more"
    return items[0] if len(items) == 1 else ", ".join(items[:-1]) + " and " + items[-1] if items else "none"


def name(text: object) -> str:
    """Give a user's own text safe to put inside a sentence.

    Control characters become spaces; text with right-to-left letters or direction marks is isolated, so
    that it cannot turn the words around it.
    """
    clean = "".join(" " if unicodedata.category(c) in ("Cc", "Cs", "Zl", "Zp") else c for c in str(text))
    turning = {"R", "AL", "AN", "LRE", "RLE", "LRO", "RLO", "PDF", "LRI", "RLI", "FSI", "PDI"}
    if any(unicodedata.bidirectional(c) in turning for c in clean):
        clean = "".join(c for c in clean if unicodedata.bidirectional(c) not in turning - {"R", "AL", "AN"})
        return f"{_ISOLATE}{clean}{_POP}"
    return clean
