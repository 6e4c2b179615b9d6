"""What makes a row impossible: rules as data, each with a code, a condition in SQL, and the reason in words.

The store joins what it knows (units, profiles, units of measure, times) to the rows of a file and then
asks each rule, in this order, of all rows at once; the first that holds is the reason a row is given.
A condition sees the columns named in the comment above each list. In a reason, {column} stands for the
row's own value.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace

from driftwatch.intake.columns import EVENT_KINDS
from driftwatch.quantities import conversion, convertible

#: Furthest that an odometer is taken to go, in km, and the temperatures a fluid can be read at, in degC.
ODOMETER_KM = (0.0, 5_000_000.0)
FLUID_TEMP_C = (-60.0, 200.0)
#: Faster than this no vehicle goes on and on, in km a day; and what it may go beyond that within a day.
FASTEST_KM_A_DAY, A_DAY_KM = 3000.0, 2000.0
#: No such controller was built before this day.
FIRST_DAY = "1980-01-01"

#: Lowest and highest value of each signal that could be read off any machine at all, and its unit. These
#: are bounds of the possible, far outside anything normal: they find slips, not faults.
PHYSICAL = {
    "clutch_volume": (0.1, 5000.0, "cm3"),
    "apply_trim": (-3000.0, 3000.0, "kPa"),
    "release_trim": (-3000.0, 3000.0, "kPa"),
    "shift_time": (0.0, 30.0, "s"),
    "torque_cut": (0.0, 100.0, "%"),
}

#: Unit in which the amount of an event is kept: change of peak torque, and mass.
AMOUNT_UNITS = {"power": "N.m", "load": "kg"}

#: Each event kind's amount may also be given as a share.
SHARE_UNIT = "%"


#: What a rule is asked of: a whole snapshot's columns, a cell's names, or a row's own value.
HEAD, CELL, ROW = "head", "cell", "row"


@dataclass(frozen=True)
class Rule:
    """One way in which a row cannot be right."""

    code: str
    condition: str
    reason: str
    of: str = ROW

    def reason_sql(self) -> str:
        """Give the reason as an SQL expression with the row's own values put in."""
        parts = []
        for text in re.split(r"(\{\w+\})", self.reason):
            if text.startswith("{"):
                parts.append(f"left(coalesce(CAST({text[1:-1]} AS VARCHAR), ''), 80)")
            elif text:
                parts.append("'" + text.replace("'", "''") + "'")
        return " || ".join(parts)


_TIME_RULES = (
    Rule("time_missing", "at_text = ''", "the time is missing"),
    Rule("not_a_time", "at_time IS NULL", "“{at_text}” is not an ISO 8601 date or time"),
    Rule("in_the_future", "CAST(at_time AS DATE) > today", "{at_text} is in the future"),
    Rule("too_early", f"at_time < DATE '{FIRST_DAY}'", "{at_text} is before there were such controllers"),
)

_DELETED = Rule(
    "deleted_unit",
    "deleted_on IS NOT NULL",
    "the data of unit “{unit}” were deleted on {deleted_on}; `driftwatch unit readmit` takes it again",
)
_UNIT_RULES = (
    Rule("unit_missing", "unit = ''", "the unit is missing"),
    _DELETED,
    _DELETED,
    Rule("unknown_unit", "profile IS NULL", "there is no unit “{unit}” in the store"),
)


def _of(level: str, rules: tuple[Rule, ...]) -> tuple[Rule, ...]:
    return tuple(replace(rule, of=level) for rule in rules)


# Rules of a snapshot (HEAD) see the text of the file's columns (blank if it has none), and
#   at_text, at_time    time as written; as local time, NULL if it is none
#   today               the day in the store's zone
#   profile, in_service_on, deleted_on   of the unit, NULL if not known
#   odometer_number, temp_number         NULL if the text is no number
#   odometer_text, temp_text             whichever of the two columns is filled
#   odometer_stored, temp_stored         in km, degC
# Rules of a cell (CELL) see mode, channel, signal, value_unit, and
#   known_signal        the profile's spelling, NULL if it has no such signal; so known_channel, known_mode
#   per_pack            whether the signal belongs to a pack
#   measure             'fits', 'unknown' or 'misfit': the unit of measure against the signal's
# Rules of a row (ROW) see value_blank, value_number, value_stored, learn_blank, learn_number, entered_stored,
#   low, high           bounds of the possible in the profile's unit, NULL if there are none
_WHOLE_SNAPSHOT = (
    *_UNIT_RULES,
    *_TIME_RULES,
    Rule(
        "before_service",
        "CAST(at_time AS DATE) < in_service_on",
        "{at_text} is before the unit went into service, on {in_service_on}",
    ),
    Rule(
        "two_odometers",
        "odometer_km <> '' AND odometer_mi <> ''",
        "odometer_km and odometer_mi are both filled",
    ),
    Rule("odometer_missing", "odometer_text = ''", "the odometer is missing"),
    Rule("odometer_not_a_number", "odometer_number IS NULL", "odometer “{odometer_text}” is not a number"),
    Rule(
        "odometer_impossible",
        f"odometer_stored NOT BETWEEN {ODOMETER_KM[0]} AND {ODOMETER_KM[1]}",
        "odometer {odometer_text} is outside what is possible",
    ),
    Rule(
        "entered_not_a_number",
        "(odometer_entered <> '' AND odometer_entered_number IS NULL) "
        "OR (fluid_temp_entered <> '' AND temp_entered_number IS NULL)",
        "what was entered, “{odometer_entered}” and “{fluid_temp_entered}”, is not a number",
    ),
)
_CELL = (
    Rule("signal_missing", "signal = ''", "the signal is missing"),
    Rule("unknown_signal", "known_signal IS NULL", "profile {profile} has no signal “{signal}”"),
    Rule("channel_missing", "channel = ''", "the channel is missing"),
    Rule(
        "unknown_channel",
        "known_channel IS NULL AND per_pack",
        "profile {profile} has no clutch pack “{channel}”, and {known_signal} belongs to a pack",
    ),
    Rule(
        "unknown_channel",
        "known_channel IS NULL",
        "profile {profile} has no shift “{channel}”, and {known_signal} belongs to a shift",
    ),
    Rule("mode_not_blank", "per_pack AND mode <> ''", "{known_signal} has no mode, but “{mode}” is given"),
    Rule("mode_missing", "NOT per_pack AND mode = ''", "the mode is missing"),
    Rule("unknown_mode", "NOT per_pack AND known_mode IS NULL", "profile {profile} has no mode “{mode}”"),
)
_VALUE = (
    Rule("value_missing", "value_blank", "the value is missing"),
    Rule("value_not_a_number", "value_number IS NULL", "value “{value}” is not a number"),
)
_MEASURE = (
    Rule("unknown_measure", "measure = 'unknown'", "unit of measure “{value_unit}” is not known"),
    Rule("measure_misfit", "measure = 'misfit'", "{known_signal} cannot be measured in {value_unit}"),
)
_POSSIBLE = (
    Rule(
        "value_impossible",
        "NOT isfinite(value_stored) OR value_stored < low OR value_stored > high",
        "{known_signal} of {value} {value_unit} is outside what is possible",
    ),
    Rule(
        "entered_misfit",
        "NOT entered_blank AND (entered_stored IS NULL OR abs(entered_stored - value_stored) "
        "> 1e-6 * greatest(1e-6, abs(value_stored)))",
        "value {value} and value_entered {value_entered} {unit_entered} do not say the same",
    ),
    Rule(
        "learn_count_not_a_number",
        "NOT learn_blank AND learn_number IS NULL",
        "learn count “{learn_count}” is not a number",
    ),
    Rule("learn_count_impossible", "learn_number < 0", "learn count {learn_count} is below zero"),
)
_TEMPERATURE = (
    Rule(
        "two_temperatures",
        "fluid_temp_c <> '' AND fluid_temp_f <> ''",
        "fluid_temp_c and fluid_temp_f are both filled",
    ),
    Rule(
        "temperature_not_a_number",
        "temp_text <> '' AND temp_number IS NULL",
        "fluid temperature “{temp_text}” is not a number",
    ),
    Rule(
        "temperature_impossible",
        f"temp_stored NOT BETWEEN {FLUID_TEMP_C[0]} AND {FLUID_TEMP_C[1]}",
        "fluid temperature {temp_text} is outside what is possible",
    ),
)
SNAPSHOT_RULES = (
    *_of(HEAD, _WHOLE_SNAPSHOT),
    *_of(CELL, _CELL),
    *_of(ROW, _VALUE),
    *_of(CELL, _MEASURE),
    *_of(ROW, _POSSIBLE),
    *_of(HEAD, _TEMPERATURE),
)

# Columns: unit, profile_text (as written), in_service_on, site, note; at_text and at_time (of in_service_on),
# today; deleted_on; known_profile (NULL if unknown); stored_profile (the unit's so far, NULL if it is new);
# has_readings; twice (the file says different things of the unit).
UNIT_RULES = (
    Rule("unit_missing", "unit = ''", "the unit is missing"),
    _DELETED,
    Rule(
        "not_a_time", "at_text <> '' AND at_time IS NULL", "in_service_on “{at_text}” is not an ISO 8601 date"
    ),
    Rule("in_the_future", "CAST(at_time AS DATE) > today", "in_service_on {at_text} is in the future"),
    Rule("unit_twice", "twice", "unit “{unit}” is in the file more than once, with different content"),
    Rule(
        "profile_changed",
        "has_readings AND stored_profile <> known_profile",
        "unit “{unit}” already has readings under profile {stored_profile}",
    ),
)

# Columns: unit, profile, at_text, at_time, today, deleted_on as for snapshots; kind_l (kind in lower case),
# amount_number, amount_measure, twice.
EVENT_RULES = (
    *_UNIT_RULES,
    *_TIME_RULES,
    Rule("kind_missing", "kind_l = ''", "the kind is missing"),
    Rule(
        "unknown_kind",
        f"kind_l NOT IN ({', '.join(repr(kind) for kind in EVENT_KINDS)})",
        "“{kind}” is no kind of event: " + ", ".join(EVENT_KINDS),
    ),
    Rule(
        "amount_not_a_number", "amount <> '' AND amount_number IS NULL", "amount “{amount}” is not a number"
    ),
    Rule("unknown_measure", "amount_measure = 'unknown'", "unit of measure “{amount_unit}” is not known"),
    Rule(
        "measure_misfit",
        "amount_measure = 'misfit'",
        "the amount of {kind_l} cannot be measured in {amount_unit}",
    ),
    Rule("event_twice", "twice", "the same event is in the file more than once, with different content"),
)

# Rules over several rows of a file; their conditions are worked out where the rows are grouped.
ODOMETER_CONFLICT = Rule(
    "odometer_conflict",
    "",
    "the rows of this snapshot give different odometers, this one {odometer_stored} km",
)
TEMPERATURE_CONFLICT = Rule(
    "temperature_conflict",
    "",
    "the rows of this snapshot give different temperatures, this one {temp_stored} degC",
)
ODOMETER_TOO_FAST = "odometer_too_fast"
UNITS_SWAPPED = "units_swapped"
CELL_TWICE = Rule("cell_twice", "", "this cell is in the file more than once, with different values")
ODOMETER_BACKWARDS = "odometer_backwards"


def physical_bounds(signal: str, unit: str) -> tuple[float | None, float | None]:
    """Give the bounds of the possible for a signal, in the profile's unit; (None, None) if there are none."""
    if signal not in PHYSICAL:
        return None, None
    low, high, base = PHYSICAL[signal]
    if not convertible(base, unit):
        return None, None
    factor, offset = conversion(base, unit)
    return low * factor + offset, high * factor + offset
