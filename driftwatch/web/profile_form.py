"""A profile as a form: its texts, limits, shifts and ranges, and back."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from driftwatch.days import as_number
from driftwatch.profile.load import parse_raw, to_toml
from driftwatch.profile.model import Clutch, Profile, Shift, Signal
from driftwatch.web.sheet import plain_number

#: What a clutch can say of its limit, in the order of its fields, in words. A field of the form is named
#: after it and the place of the pack.
CLUTCH_FIELDS = {
    "new_volume_cm3": "New volume, cm³",
    "service_limit_cm3": "Service limit, cm³",
    "piston_area_cm2": "Piston area, cm²",
    "new_clearance_mm": "New clearance, mm",
    "limit_clearance_mm": "Limit clearance, mm",
}
SIGNAL_FIELDS = {"lower": "Lowest", "upper": "Highest", "resolution": "Step"}
TEXTS = ("title", "limit_source", "note")


def fields_of(profile: Profile) -> dict[str, str]:
    """Give a profile as the fields of the form."""
    told = {name: str(getattr(profile, name)) for name in TEXTS}
    told["illustrative"] = "yes" if profile.illustrative else ""
    for k, clutch in enumerate(profile.clutches):
        told |= {f"{name} {k}": _shown(getattr(clutch, name)) for name in CLUTCH_FIELDS}
    for k, shift in enumerate(profile.shifts):
        told |= {f"applies {k}": shift.applies, f"releases {k}": shift.releases}
    for k, signal in enumerate(profile.signals):
        told |= {f"{name} {k}": _shown(getattr(signal, name)) for name in SIGNAL_FIELDS}
    return told


def profile_from(base: Profile, told: Mapping[str, str]) -> Profile:
    """Put a profile together from its form; names, modes and units of measure stay as they were.

    Raises
    ------
    UsageError
        If a number is none.
    ProfileError
        If a text or number is outside what a profile can hold. Whether it makes sense as a transmission is
        asked by `driftwatch.profile.checks.problems`.

    """
    clutches = tuple(
        Clutch(
            c.id, *(_number(told, f"{name} {k}", f"{c.id}: {word}") for name, word in CLUTCH_FIELDS.items())
        )
        for k, c in enumerate(base.clutches)
    )
    shifts = tuple(
        Shift(s.id, told.get(f"applies {k}", s.applies), told.get(f"releases {k}", s.releases))
        for k, s in enumerate(base.shifts)
    )
    signals = tuple(_signal(s, k, told) for k, s in enumerate(base.signals))
    made = _made(base, told, clutches, shifts, signals)
    return parse_raw(to_toml(made), f"profile {base.name}")


def _signal(base: Signal, k: int, told: Mapping[str, str]) -> Signal:
    lower, upper, step = (
        _number(told, f"{name} {k}", f"{base.name}: {word}") for name, word in SIGNAL_FIELDS.items()
    )
    return replace(base, lower=lower, upper=upper, resolution=step)


def _made(
    base: Profile,
    told: Mapping[str, str],
    clutches: tuple[Clutch, ...],
    shifts: tuple[Shift, ...],
    signals: tuple[Signal, ...],
) -> Profile:
    title, source, note = (told.get(name, "").strip() for name in TEXTS)
    return replace(
        base,
        title=title or base.name,
        limit_source=source,
        note=note,
        illustrative=told.get("illustrative") == "yes",
        clutches=clutches,
        shifts=shifts,
        signals=signals,
    )


def _number(told: Mapping[str, str], key: str, what: str) -> float | None:
    text = told.get(key, "").strip()
    return as_number(plain_number(text), what) if text else None


def _shown(value: float | None) -> str:
    return "" if value is None else f"{value:g}"
