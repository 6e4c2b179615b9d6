"""The reports' own sentences: causes in words, what a change should do, checks, cautions, terms.

Sentences about one finding, clutch or caution come from the assessment; these are the words around them.
"""

from __future__ import annotations

from driftwatch.assessment.results import Finding
from driftwatch.assessment.sentences import certainty
from driftwatch.wording import percent, percent_chance

#: A cause in the words of a reader who does not know the program.
CAUSE = {
    "wear": "clutch wear",
    "power": "engine power",
    "load": "load or trailer",
    "fluid": "fluid",
    "relearn": "cleared learned values",
    "rebuild": "renewed clutches",
    "pressure": "supply pressure",
    "unexplained": "not explained",
}

#: An entry of the log in words.
EVENT = {
    "power": "a change of engine power",
    "load": "a change of load",
    "fluid": "a fluid or filter service",
    "relearn": "a clearing of the learned values",
    "rebuild": "a clutch rebuild",
    "repair": "a repair",
    "other": "an event of another kind",
}

#: A signal in words.
SIGNAL = {
    "clutch_volume": "Clutch fill volume",
    "apply_trim": "Pressure trim of the oncoming clutch",
    "release_trim": "Pressure trim of the off-going clutch",
    "shift_time": "Shift time",
    "torque_cut": "Engine torque cut in the shift",
}

URGENCY = {
    "now": "Now",
    "inspect": "Inspect",
    "plan": "Plan",
    "watch": "Watch",
    "read": "Read out",
}

STATE = {
    "steady": "steady",
    "settling": "still settling",
    "changed": "changed",
    "worn": "worn",
    "attention": "needs attention",
    "too_few": "too few readings",
}

#: What a change of this kind should do, as a whole.
EXPECTED = {
    "power": (
        "A change of engine power should move the pressure trims and the torque cut of nearly every shift "
        "together, most where most torque passes, in every mode once that mode has been driven. Clutch "
        "volumes should not jump."
    ),
    "load": (
        "A heavier load should raise the oncoming clutch's trim and the shift time, more on upshifts than on "
        "downshifts, and mainly in the mode that is driven loaded. The torque cut and the clutch volumes "
        "should hardly move."
    ),
    "fluid": (
        "Fresh fluid or a new filter should move the oncoming clutch's trim and the shift time a little, the "
        "same way in every shift and mode. The off-going trim, the torque cut and the clutch volumes should "
        "hardly move."
    ),
    "relearn": (
        "After the learned values are cleared everything starts from its base value and comes back toward "
        "where it was as the shifts are driven. A clutch volume measured again should come back the same."
    ),
    "rebuild": (
        "Renewed clutches give every value a new base, and the renewed packs start a new life at a lower "
        "volume. What was learned before no longer predicts anything."
    ),
    "repair": "What this repair should move depends on what was done; the maps show only what did move.",
    "other": "No particular pattern is expected; the maps show only what did move.",
}

#: kind of change -> signal -> together (all one way), rise, little, any.
PATTERN: dict[str, dict[str, str]] = {
    "power": {
        "apply_trim": "together",
        "release_trim": "together",
        "torque_cut": "together",
        "shift_time": "any",
        "clutch_volume": "little",
    },
    "load": {
        "apply_trim": "together",
        "shift_time": "together",
        "torque_cut": "little",
        "release_trim": "any",
        "clutch_volume": "little",
    },
    "fluid": {
        "apply_trim": "together",
        "shift_time": "together",
        "release_trim": "little",
        "torque_cut": "little",
        "clutch_volume": "little",
    },
    "relearn": {"clutch_volume": "little"},
}

PATTERN_WORDS = {
    "together": "This change should move it the same way in all shifts that were driven.",
    "little": "This change should hardly move it.",
    "any": "This change may move it; no direction is expected.",
}

#: What to check on the vehicle, by kind of work item.
CHECK = {
    "clutch": "Fluid, pan and magnet for friction material; this pack's apply pressure; road test.",
    "wear": "Fluid, pan and magnet for friction material; this pack's apply pressure; road test.",
    "pressure": "Fluid level, filter, leaks; line pressure against the service literature, hot and cold.",
    "unexplained": "What was done to the vehicle (then log it); fluid, leaks, connectors; road test.",
    "authority": "Road test of the named shift; fluid; its pressure control and line pressure.",
    "overlap": "Gentle road test for binding in the named shift; release and apply pressures. If it "
    "binds, stop.",
    "data": "The readings: right vehicle, odometer and units? Then read out once more.",
    "stale": "Nothing on the vehicle yet: read the controller out.",
    "too_few": "Nothing on the vehicle yet: read the controller out.",
}

#: What to check where a shift or pack does otherwise than the change should do, by the way it does so.
ODD_CHECK = {
    "stayed": "{} stayed where it was while the others moved. A shift that carries little torque may hardly "
    "feel the change, so that alone is no fault. Road-test it under load before the hand-over: if it flares, "
    "slips or binds, inspect it (fluid, its pressure control, line pressure).",
    "against": "{} moved against the others. Road-test it gently, then under load; check the fluid, its "
    "pressure control and the line pressure.",
    "moved": "{} moved though this change should leave it. What else was done that day (then log it)? "
    "Road-test it; check the fluid, its pressure control and connectors.",
    "silent": "{} mode did not follow the change at all. Does the change apply in this mode? "
    "Road-test it there.",
    "pack": "{} took another volume at once. Read it out once more; then check fluid, pan and magnet for "
    "friction material, and this pack's apply pressure.",
}

#: Every report's cautions.
CAUTIONS = (
    "Learned values are indirect evidence. They show what the controller had to do, not what the parts look "
    "like; a decision to open or renew anything wants a physical check first: fluid and pan, "
    "pressures, and a "
    "road test by a trained person.",
    "Drive to relearn only where law and traffic allow, and inside the vehicle's ratings. Never at full "
    "throttle right after a change. On a bang, a flare, a slip or a temperature warning: stop and inspect.",
    "Tow and carry only what the vehicle, the hitch and the driver's licence are rated for.",
    "The maker's service literature, local law and the judgement of a licensed trade come before anything "
    "this report says.",
)

DRIVE_CAUTIONS = (
    "Only on roads and at times where law and traffic allow; a second person to read the values, "
    "not the driver.",
    "Begin gently: a quarter throttle first, then half, then three quarters, going up through the gears and "
    "coming back down. No full throttle until the lower steps have settled.",
    "Steady cruising teaches nothing: it is the repeated shift that counts.",
    "Stop and inspect on a bang, a flare, a slip, a held-back feel or a temperature warning.",
    "Loaded or towing only inside the rated masses.",
)

TERMS = {
    "learned value": "A correction the transmission's controller has taught itself so that its "
    "shifts come out right.",
    "pack": "A clutch made of several plates; two or more of them hold in every gear.",
    "fill volume": "How much fluid a clutch pack swallows before it carries. It grows as the "
    "friction material wears.",
    "trim": "The learned correction of a clutch's pressure during a shift.",
    "mode": "The driver-selected program, such as normal or tow; each keeps its own learned values.",
    "noise unit": "How far one reading usually lies from the truth by chance. Under 2 is nothing; "
    "over 3 is a real move.",
    "80 % range": "Eight times in ten the true value lies in it; one time in ten it is sooner, one "
    "in ten later.",
    "limit": "The fill volume at which this report counts a pack as due for service.",
    "snapshot": "One reading-out of the controller.",
    "settling": "The controller has begun to follow a change but has not had enough shifts to finish.",
}


_AS_ADJECTIVE = {
    "Almost certainly": "almost certain",
    "Very likely": "very likely",
    "Probably": "probable",
    "Perhaps": "perhaps",
    "Possibly, but less likely than not,": "less likely than not",
}


def sure(probability: float) -> str:
    """Give a probability with its number, on the same scale of words as the findings' own sentences."""
    return f"{_AS_ADJECTIVE[certainty(probability)]} ({percent(probability)})"


def found(finding: Finding) -> str:
    """Give a finding's own sentence with its probability as a number."""
    return f"{finding.sentence} Chance that this cause acted: {percent_chance(finding.probability)}."


def cause(name: str) -> str:
    """Give a cause in words; an unknown one as it is."""
    return CAUSE.get(name, name.replace("_", " "))


def signal(name: str) -> str:
    """Give a signal in words; a profile's own signal by its name."""
    return SIGNAL.get(name, name.replace("_", " "))
