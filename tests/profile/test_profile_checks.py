"""Charts, limits and ranges of profiles; what contradicts itself is named."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations, pairwise

import numpy as np
import pytest

from driftwatch.profile.checks import chart, clearance_limit_cm3, notes, problems
from driftwatch.profile.load import builtin, builtin_names
from driftwatch.profile.model import Clutch, Profile, Shift, Signal

SIX = {1: "15", 2: "14", 3: "13", 4: "12", 5: "23", 6: "24"}
EIGHT = {1: "16", 2: "15", 3: "14", 4: "13", 5: "12", 6: "23", 7: "24", 8: "25"}


def packs_of(profile: Profile) -> dict[int, frozenset[str]]:
    holds, found = chart(profile)
    assert found == []
    return {gear: frozenset(p for p, on in packs.items() if on) for gear, packs in holds.items()}


def packs(digits: str) -> frozenset[str]:
    return frozenset(f"pack{d}" for d in digits)


@pytest.mark.parametrize("name", builtin_names())
def test_builtin_profiles_have_no_problem_and_say_they_are_illustrative(name):
    profile = builtin(name)
    assert problems(profile) == []
    assert profile.illustrative
    assert "illustrative" in profile.limit_source
    assert any("service literature" in note for note in notes(profile))
    assert profile.modes == ("normal", "tow", "low")
    assert {s.name for s in profile.signals} == {
        "clutch_volume",
        "apply_trim",
        "release_trim",
        "shift_time",
        "torque_cut",
    }
    assert all(c.limit_cm3 > c.new_volume_cm3 for c in profile.clutches)


@pytest.mark.parametrize("name", builtin_names())
def test_every_one_step_shift_is_of_the_single_transition_type(name):
    """Patent abstract EP 0992709 A3: "of the single transition type", one pack off and one on."""
    profile = builtin(name)
    holds = packs_of(profile)
    gears = sorted(holds)
    one_step = {(a, b) for a in gears for b in gears if abs(a - b) == 1}
    assert {s.gears for s in profile.shifts} == one_step
    for shift in profile.shifts:
        old, new = (holds[g] for g in shift.gears)
        assert new - old == {shift.applies}
        assert old - new == {shift.releases}


@pytest.mark.parametrize(("name", "expected"), [("generic-6", SIX), ("generic-8", EIGHT)])
def test_the_shifts_imply_the_chart(name, expected):
    assert packs_of(builtin(name)) == {
        gear: packs(digits) for gear, digits in expected.items()
    }  # hand-solved


def test_which_six_speed_shifts_apply_which_pack():
    """Hand-solved from the chart: a worn pack must show in these shifts and in no other."""
    applied: dict[str, set[str]] = {}
    for shift in builtin("generic-6").shifts:
        applied.setdefault(shift.applies, set()).add(shift.id)
    assert applied == {
        "pack1": {"5-4"},
        "pack2": {"3-4"},
        "pack3": {"2-3", "4-5", "6-5", "4-3"},
        "pack4": {"1-2", "5-6", "3-2"},
        "pack5": {"2-1"},
    }


def test_six_speed_double_steps():
    """Hand-solved: these skips swap one pack, those swap two."""
    holds = packs_of(builtin("generic-6"))
    single = {(a, b) for a, b in combinations(range(1, 7), 2) if b - a > 1 and len(holds[b] - holds[a]) == 1}
    assert single == {(1, 3), (2, 4), (3, 5), (4, 6), (1, 4), (2, 6)}


# --- Kinematics: the charts belong to gear sets that can exist -------------------------------------------


def ratio(sets, held, joined, n_members, output):
    """Input speed over output speed by the Willis equation; None where the members do not turn so.

    Each set is (sun, carrier, ring, ring teeth / sun teeth): (1 + k) carrier = sun + k ring. The speeds span
    the null space of these rows and of the packs' rows; member 0 is the input.
    """
    rows = []
    for sun, carrier, ring, k in sets:
        row = np.zeros(n_members)
        row[carrier] += 1 + k
        row[sun] -= 1
        row[ring] -= k
        rows.append(row)
    one = np.eye(n_members)
    rows += [one[member] for member in held] + [one[a] - one[b] for a, b in joined]
    _, scale, basis = np.linalg.svd(np.array(rows))
    assert scale[-1] > 1e-9, "more than one way to turn"
    speeds = basis[-1]
    if abs(speeds[0]) < 1e-9 or abs(speeds[output]) < 1e-9:
        return None
    return speeds[0] / speeds[output]


def six_speed(pair: str) -> float | None:
    # Members: 0 input = sun 1, 1 carrier 1 = ring 2, 2 ring 1, 3 suns 2 and 3, 4 carrier 2 = ring 3,
    # 5 output = carrier 3.
    sets = [(0, 1, 2, 1.9), (3, 4, 1, 2.1), (3, 5, 4, 2.6)]
    held = {"3": 2, "4": 1, "5": 4}
    joined = {"1": (0, 3), "2": (0, 4)}
    return ratio(sets, [held[p] for p in pair if p in held], [joined[p] for p in pair if p in joined], 6, 5)


def eight_speed(pair: str) -> float | None:
    # Members: 0 input = sun 1, 1 ring 1, 2 carrier 1 = ring 2, 3 carrier 2 = ring 3, 4 suns 2 to 4,
    # 5 carrier 3 = ring 4, 6 output = carrier 4; pack1 joins suns 2 to 4 to the input, pack2 ring 4.
    sets = [(0, 2, 1, 1.9), (4, 3, 2, 1.8), (4, 5, 3, 2.0), (4, 6, 5, 2.7)]
    held = {"3": 1, "4": 2, "5": 3, "6": 5}
    joined = {"1": (0, 4), "2": (0, 5)}
    return ratio(sets, [held[p] for p in pair if p in held], [joined[p] for p in pair if p in joined], 7, 6)


def test_seven_of_the_ten_pairs_of_the_six_speed_give_a_ratio():
    """Second implementation (own linear solve) of the chart's published number of ratios.

    EP 1413798 A3: three gear sets and five devices in pairs give at least six forward speeds and one reverse.
    """
    pairs = ["".join(p) for p in combinations("12345", 2)]
    found = {pair: six_speed(pair) for pair in pairs}
    assert {pair for pair, value in found.items() if value is None} == {"25", "34", "45"}
    forward = [found[SIX[gear]] for gear in range(1, 7)]
    assert forward == sorted(forward, reverse=True)
    assert forward[-1] > 0
    assert forward[0] == pytest.approx(1 + 2.6)  # hand-solved: ring 3 held, sun 3 driven
    assert forward[3] == pytest.approx(1.0)  # hand-solved: sun and ring driven together
    assert found["35"] < 0  # reverse


def test_the_eight_speed_chart_gives_eight_falling_ratios():
    forward = [eight_speed(EIGHT[gear]) for gear in range(1, 9)]
    assert all(value is not None for value in forward)
    assert all(a > b * 1.02 for a, b in pairwise(forward))
    assert forward[0] == pytest.approx(1 + 2.7)  # hand-solved: ring 4 held, sun 4 driven
    # Hand-solved: carrier 3 turns at 1/(1 + 2.0) with ring 3 held; output = (1 + 2.7 / 3) / 3.7.
    assert forward[1] == pytest.approx(3.7 / (1 + 2.7 / 3))
    assert forward[4] == pytest.approx(1.0)
    # Hand-solved: carrier 3 driven, ring 3 held: suns turn at 1 + 2.0; output = (3 + 2.7) / 3.7.
    assert forward[7] == pytest.approx(3.7 / 5.7)


# --- Limits ----------------------------------------------------------------------------------------------


def test_limit_from_clearance():
    """Hand-solved: 120 cm2 x 1.00 mm of clearance gained = 12.0 cm3."""
    clutch = Clutch("c", 24.0, None, 120.0, 1.7, 2.7)
    assert clutch.limit_cm3 == pytest.approx(36.0, rel=1e-12)
    assert clutch.limit_cm3 - 24.0 == pytest.approx(12.0, rel=1e-12)
    assert Clutch("c", 24.0, 40.0, 120.0, 1.7, 2.7).limit_cm3 == 40.0
    assert Clutch("c", 24.0, None, 120.0, 1.7, None).limit_cm3 is None


@pytest.mark.parametrize("name", builtin_names())
def test_builtin_limits_follow_from_their_clearances(name):
    for clutch in builtin(name).clutches:
        assert clearance_limit_cm3(clutch) == pytest.approx(clutch.limit_cm3, abs=0.05)


# --- Contradictions --------------------------------------------------------------------------------------


def changed(**what) -> list[str]:
    return problems(replace(builtin("generic-6"), **what))


def with_shift(id_, applies, releases) -> list[str]:
    shifts = builtin("generic-6").shifts
    return changed(shifts=(*(s for s in shifts if s.id != id_), Shift(id_, applies, releases)))


def with_clutch(**what) -> list[str]:
    first, *rest = builtin("generic-6").clutches
    return changed(clutches=(replace(first, **what), *rest))


@pytest.mark.parametrize(
    ("found", "words"),
    [
        (lambda: with_shift("2-3", "pack3", "pack9"), "shift 2-3: releases 'pack9'"),
        (lambda: with_shift("2-3", "pack3", "pack3"), "the same pack"),
        (lambda: with_shift("2-3", "pack5", "pack4"), "gear"),
        (lambda: with_shift("2-3", "pack3", "pack1"), "gear"),
        (lambda: with_shift("2-5", "pack3", "pack1"), "more than one pack"),
        (lambda: with_shift("3-3", "pack3", "pack4"), "same gear"),
        (lambda: with_clutch(service_limit_cm3=35.0), "must be above the new volume"),
        (lambda: with_clutch(limit_clearance_mm=1.0), "limit_clearance_mm must be above"),
        (lambda: with_clutch(id="pack2"), "clutch 'pack2' is given 2 times"),
        (lambda: with_clutch(id="2-3"), "has the name of a shift"),
        (lambda: changed(modes=("normal", "normal")), "mode 'normal' is given 2 times"),
        (lambda: changed(shifts=builtin("generic-6").shifts * 2), "shift '1-2' is given 2 times"),
        (lambda: changed(signals=(Signal("x", "kPa", 5, 5),)), "lower (5) must be below upper (5)"),
        (lambda: changed(signals=(Signal("x", "kPa", 0, 5, 4),)), "fewer than two steps"),
        (lambda: changed(signals=(Signal("x", "furlong"),)), "unit 'furlong' is not known"),
        (lambda: changed(signals=(Signal("clutch_volume", "in3"),)), "unit must be cm3"),
    ],
)
def test_what_contradicts_itself_is_named(found, words):
    sentences = found()
    assert any(words in sentence for sentence in sentences), sentences


def test_two_gears_cannot_be_held_by_the_same_packs():
    two = Profile(
        "p",
        "p",
        ("normal",),
        (Clutch("a"), Clutch("b")),
        (Shift("1-2", "a", "b"), Shift("2-3", "b", "a")),
        (Signal("shift_time", "s"),),
    )
    assert any("gears 1 and 3 would be held by the same packs" in text for text in problems(two))


def test_a_single_transition_skip_is_taken():
    shifts = (*builtin("generic-6").shifts, Shift("1-3", "pack3", "pack5"))
    profile = replace(builtin("generic-6"), shifts=shifts)
    assert problems(profile) == []
    assert any("shift 1-3: the shift back is not listed" in note for note in notes(profile))


def test_notes_name_packs_without_limit_or_without_shift():
    first, *rest = builtin("generic-6").clutches
    bare = replace(first, service_limit_cm3=None, piston_area_cm2=None)
    said = notes(replace(builtin("generic-6"), clutches=(bare, *rest, Clutch("reverse"))))
    assert any("clutch pack1: no limit is given" in text for text in said)
    assert any("clutch reverse: no shift applies it" in text for text in said)
    odd = notes(replace(builtin("generic-6"), clutches=(replace(first, service_limit_cm3=45.0), *rest)))
    assert any("the clearances would give 50 cm3" in text for text in odd)
