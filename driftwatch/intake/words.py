"""The words by which shops call things in the header of a sheet."""

from __future__ import annotations

import re

#: Words by which a column tells what it is of the snapshot itself; earlier ones are surer.
SNAPSHOT_WORDS = {
    "unit": (
        *("unit", "truck", "vehicle", "bus", "van", "tractor", "asset", "equipment", "machine", "car"),
        *("fleet", "transmission", "serial", "plate", "registration", "veh", "reg", "sn", "id"),
    ),
    "taken_at": (
        *("taken", "read", "datetime", "timestamp", "date", "recorded", "measured", "scanned", "reading"),
        *("checked", "visit", "when", "day", "time"),
    ),
    "odometer": (
        "odometer",
        "odo",
        "mileage",
        "miles",
        "kilometres",
        "kilometers",
        "km",
        "kms",
        "mi",
        "distance",
    ),
    "fluid_temp": ("temp", "temperature", "atf", "fluid", "oil", "sump", "tft"),
    "mode": ("mode", "program", "programme", "range", "selector"),
    "source": ("source", "tool", "reader", "scanner", "technician", "tech", "by", "operator", "initials"),
}
#: Words that say that a column is something else, although it has one of the words above.
NOT_THIS = {
    "taken_at": ("by", "tool", "temp", "next", "due", "service"),
    "fluid_temp": ("level", "type", "brand", "change", "changed", "ambient", "outside", "air", "coolant"),
    "unit": ("of",),
}

#: Words by which a column tells which signal it holds.
SIGNAL_WORDS = {
    "clutch_volume": ("volume", "vol", "fill", "capacity"),
    "apply_trim": ("apply", "applying", "app", "oncoming", "on", "engage", "engaging"),
    "release_trim": ("release", "releasing", "rel", "offgoing", "off", "disengage"),
    "shift_time": ("time", "duration", "dur"),
    "torque_cut": ("torque", "cut", "reduction", "tq", "trq", "retard"),
}
#: Words that only say that a column holds a learned pressure, of the one pack or the other.
PRESSURE_WORDS = ("pressure", "press", "trim", "adapt", "offset", "correction", "corr", "adj")
PRESSURES = ("apply_trim", "release_trim")

MODE_WORDS = {
    "normal": ("norm", "nrm", "nor", "std", "standard", "drive"),
    "tow": ("haul", "towing", "th", "trailer", "towhaul"),
    "low": ("lo", "lowrange", "4lo", "4l"),
}
COUNT_WORDS = ("count", "counts", "cnt", "learned", "learnt", "learns", "repeats", "n")

_SHIFT = re.compile(
    r"(?<!\d)(\d{1,2})(?:st|nd|rd|th)?\s*(?:-+>?|>|→|–|_|/|\bto\b)\s*(\d{1,2})(?:st|nd|rd|th)?(?!\d)",
    re.IGNORECASE,
)
_RUN_TOGETHER = re.compile(r"(?<![\d.])([1-9])([1-9])(?![\d.])")
_PACK = re.compile(
    r"(?<![a-z])(?:pack|clutch|brake|element|c|p|k|b)\s*[#_-]?\s*([a-z0-9]{1,2})(?![a-z0-9])", re.IGNORECASE
)
#: What a spreadsheet makes of `1-2` unless it is told not to.
_AS_DATE = re.compile(r"\b\d{4}-(\d\d)-(\d\d)(?:T00:00:00)?\b")


def words(text: str) -> list[str]:
    """Give the words of a name, in lower case; `tow/haul` and `t/h` are words, too."""
    folded = text.casefold().replace("tow/haul", "tow").replace("t/h", "th").replace("on-coming", "oncoming")
    return re.findall(r"[^\W_]+", folded.replace("off-going", "offgoing"))


def shift_in(text: str, shifts: set[str]) -> tuple[str, str]:
    """Find a shift in a name; give its id ("" if there is none) and what is unsure about it."""
    dated = _AS_DATE.sub(lambda m: f"{int(m[1])}-{int(m[2])}", text)
    for old, new in _SHIFT.findall(dated):
        if f"{int(old)}-{int(new)}" in shifts:
            doubt = "the spreadsheet made a date of the name" if dated != text else ""
            return f"{int(old)}-{int(new)}", doubt
    for old, new in _RUN_TOGETHER.findall(text):
        if f"{old}-{new}" in shifts:
            return f"{old}-{new}", f"{old}{new} is taken as the shift {old}-{new}"
    return "", ""


def pack_in(text: str, packs: list[str]) -> str:
    """Find a clutch pack in a name; "" if there is none."""
    told = words(text)
    for pack in packs:
        if pack.casefold() in told:
            return pack
    for tail in _PACK.findall(text):
        for pack in packs:
            if re.sub(r"^(pack|clutch|brake|c|p|k|b)[_-]?", "", pack.casefold()) == tail.casefold():
                return pack
    return ""
