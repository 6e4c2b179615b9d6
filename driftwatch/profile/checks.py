"""Whether a profile makes sense as a transmission: its chart, its limits, its ranges.

`problems` are contradictions, for which a profile is refused. `notes` are what a user should know
about a profile that can be used.
"""

from __future__ import annotations

from collections import Counter, deque
from collections.abc import Iterable

from driftwatch.errors import UsageError
from driftwatch.profile.model import Clutch, Profile, Shift, Signal
from driftwatch.quantities import conversion, known_unit

#: A volume limit and the one that follows from the clearances may differ by this share of the allowance.
LIMITS_AGREE_WITHIN = 0.05

#: Gear -> pack -> True (holds), False (does not hold). A pack that no shift moves is absent.
Chart = dict[int, dict[str, bool]]


def problems(profile: Profile) -> list[str]:
    """List what contradicts itself in a profile, one sentence each; empty if it can be used."""
    found = _repeats("mode", profile.modes)
    found += _repeats("clutch", (c.id for c in profile.clutches))
    found += _repeats("shift", (s.id for s in profile.shifts))
    found += _repeats("signal", (s.name for s in profile.signals))
    shifts = {s.id for s in profile.shifts}
    for clutch in profile.clutches:
        if clutch.id in shifts:
            found.append(
                f"clutch {clutch.id}: has the name of a shift, so a reading of it would be ambiguous"
            )
        found += _clutch_problems(clutch)
    unknown = _unknown_packs(profile)
    found += unknown
    if not unknown:
        found += chart(profile)[1]
    for signal in profile.signals:
        where = f"signal {signal.name}"
        if signal.lower is not None and signal.upper is not None and signal.lower >= signal.upper:
            found.append(f"{where}: lower ({signal.lower:g}) must be below upper ({signal.upper:g})")
        elif _too_coarse(signal):
            found.append(
                f"{where}: resolution ({signal.resolution:g}) leaves fewer than two steps in its range"
            )
        if not known_unit(signal.unit):
            found.append(f"{where}: unit {signal.unit!r} is not known")
        elif signal.name == "clutch_volume" and not _is_cm3(signal.unit):
            found.append(f"{where}: unit must be cm3, as the limits are, not {signal.unit}")
    return found


def notes(profile: Profile) -> list[str]:
    """List what a user should know about a profile that can be used."""
    said = []
    if profile.illustrative:
        said.append(
            "the values are illustrative: put in the limits of your transmission's service literature"
        )
    said += [
        f"clutch {c.id}: no limit is given, so no remaining distance can be stated for it"
        for c in profile.clutches
        if c.limit_cm3 is None
    ]
    said += [text for c in profile.clutches for text in _disagreement(c)]
    applied = {s.applies for s in profile.shifts}
    said += [
        f"clutch {c.id}: no shift applies it, so its wear shows in its volume only"
        for c in profile.clutches
        if c.id not in applied
    ]
    back = {(s.gears[1], s.gears[0]) for s in profile.shifts}
    said += [f"shift {s.id}: the shift back is not listed" for s in profile.shifts if s.gears not in back]
    return said


def chart(profile: Profile) -> tuple[Chart, list[str]]:
    """Work out which packs hold in each gear, by following the shifts.

    A shift from gear a to gear b says that the applied pack holds in b and not in a, that the released one
    holds in a and not in b, and that every other pack does in b what it did in a (a single transition).
    Following these along every path must never give a pack two answers in one gear.

    Returns
    -------
    chart : dict
        Gear -> pack -> whether it holds. Packs about which the shifts say nothing are absent.
    problems : list of str
        One sentence for each contradiction.

    """
    holds: Chart = {gear: {} for shift in profile.shifts for gear in shift.gears}
    found: list[str] = []
    for shift in profile.shifts:
        old, new = shift.gears
        found += _say(holds, old, shift.applies, False, shift) + _say(holds, new, shift.applies, True, shift)
        found += _say(holds, old, shift.releases, True, shift) + _say(
            holds, new, shift.releases, False, shift
        )
    for clutch in profile.clutches:
        found += _carry(holds, clutch.id, profile.shifts)
    if not found:
        found += _counts(holds, len(profile.clutches))
    return holds, found


def _say(holds: Chart, gear: int, pack: str, value: bool, shift: Shift) -> list[str]:
    if holds[gear].setdefault(pack, value) == value:
        return []
    word = "hold" if value else "not hold"
    return [f"shift {shift.id}: {pack} would have to {word} in gear {gear}, against another shift"]


def _carry(holds: Chart, pack: str, shifts: tuple[Shift, ...]) -> list[str]:
    """Carry what is known of a pack in one gear over to the gears reached by shifts that leave it alone."""
    still = [s for s in shifts if pack not in (s.applies, s.releases)]
    waiting = deque(gear for gear in holds if pack in holds[gear])
    while waiting:
        gear = waiting.popleft()
        for shift in still:
            if gear in shift.gears:
                other = shift.gears[1] if gear == shift.gears[0] else shift.gears[0]
                if pack not in holds[other]:
                    holds[other][pack] = holds[gear][pack]
                    waiting.append(other)
                elif holds[other][pack] != holds[gear][pack]:
                    return [
                        f"shift {shift.id}: {pack} holds in one of its gears and not in the other, "
                        "so more than one pack would have to come on or go off"
                    ]
    return []


def _counts(holds: Chart, n_packs: int) -> list[str]:
    """No two gears may be held by the same packs, where all packs are known."""
    known = {gear: frozenset(p for p, on in packs.items() if on) for gear, packs in holds.items()}
    full = [gear for gear in sorted(holds) if len(holds[gear]) == n_packs]
    return [
        f"gears {a} and {b} would be held by the same packs ({'+'.join(sorted(known[a]))})"
        for i, a in enumerate(full)
        for b in full[i + 1 :]
        if known[a] == known[b]
    ]


def _repeats(what: str, names: Iterable[str]) -> list[str]:
    return [f"{what} {name!r} is given {n} times" for name, n in Counter(names).items() if n > 1]


def _unknown_packs(profile: Profile) -> list[str]:
    ids = {c.id for c in profile.clutches}
    found = []
    for shift in profile.shifts:
        for word, pack in (("applies", shift.applies), ("releases", shift.releases)):
            if pack not in ids:
                found.append(f"shift {shift.id}: {word} {pack!r}, which is not a clutch of this profile")
        if shift.applies == shift.releases:
            found.append(f"shift {shift.id}: applies and releases the same pack")
        if shift.gears[0] == shift.gears[1]:
            found.append(f"shift {shift.id}: leaves and enters the same gear")
    return found


def _clutch_problems(clutch: Clutch) -> list[str]:
    found = []
    new, limit = clutch.new_volume_cm3, clutch.limit_cm3
    where = f"clutch {clutch.id}"
    if new is not None and limit is not None and limit <= new:
        found.append(f"{where}: the service limit ({limit:g} cm3) must be above the new volume ({new:g} cm3)")
    if (
        clutch.new_clearance_mm is not None
        and clutch.limit_clearance_mm is not None
        and clutch.limit_clearance_mm <= clutch.new_clearance_mm
    ):
        found.append(f"{where}: limit_clearance_mm must be above new_clearance_mm")
    return found


def _disagreement(clutch: Clutch) -> list[str]:
    """Say so where the volume limit in use and the clearances given beside it do not fit each other."""
    derived, stated, new = clearance_limit_cm3(clutch), clutch.service_limit_cm3, clutch.new_volume_cm3
    if derived is None or stated is None or new is None:
        return []
    if abs(derived - stated) <= LIMITS_AGREE_WITHIN * (stated - new):
        return []
    return [
        f"clutch {clutch.id}: service_limit_cm3 ({stated:g}) is used, though the clearances would give "
        f"{derived:g} cm3"
    ]


def clearance_limit_cm3(clutch: Clutch) -> float | None:
    """Limit that follows from piston area and clearances alone; None if one of them is not given."""
    return Clutch(
        clutch.id,
        clutch.new_volume_cm3,
        None,
        clutch.piston_area_cm2,
        clutch.new_clearance_mm,
        clutch.limit_clearance_mm,
    ).limit_cm3


def _too_coarse(signal: Signal) -> bool:
    if signal.resolution is None or signal.lower is None or signal.upper is None:
        return False
    return signal.resolution > (signal.upper - signal.lower) / 2


def _is_cm3(unit: str) -> bool:
    try:
        return conversion(unit, "cm3") == (1.0, 0.0)
    except UsageError:
        return False
