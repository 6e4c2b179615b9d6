"""What logged work did to a fleet: known directions recovered, wrong entries not believed, cases by hand.

The units are those of a quiet simulated fleet; where work was done, a known change is added to their readings
from that day on.
"""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import brentq

from driftwatch.causes.learned import (
    LEAST_EVENTS,
    USUAL_ENTRIES,
    Group,
    LearnedSignature,
    _change,
    _group,
    _share_right,
    learn_from_log,
    with_learned,
)
from driftwatch.causes.prior import LOG_IS_RIGHT
from driftwatch.causes.signature_fit import CELLS_DIFFER, LEARNED_SHARE, LEAST_SPREAD
from driftwatch.causes.signatures import families
from driftwatch.changes.evidence import Effects, log_factors, sharing, stack
from driftwatch.panel.build import panels
from driftwatch.panel.noise import Fleet
from driftwatch.panel.panel import Event, Floats, Panel
from driftwatch.simulate import Action, LogEntry
from tests.assessment.units import known, learned_from, plan, quiet_records, records_of
from tests.panel.by_hand import cell, records

SIZE = 5.0


@lru_cache(maxsize=1)
def fleet_units() -> list[Panel]:
    return panels(quiet_records())


@lru_cache(maxsize=1)
def direction() -> dict[Group, float]:
    """Apply, release and torque cut of every group move alike, give or take; root mean square one."""
    rng = np.random.default_rng(1)
    groups = sorted({_group(c) for p in fleet_units() for c in p.cells if c.mode})
    moved = ("apply_trim", "release_trim", "torque_cut")
    size = np.array([rng.normal(1.0, 0.3) if g[0] in moved else 0.2 for g in groups])
    return dict(zip(groups, (size / np.sqrt(np.mean(size**2))).tolist(), strict=True))


def worked(panel: Panel, size: float, kind: str = "power", way: dict[Group, float] | None = None) -> Panel:
    """Add a change of `size` noise sd, and its entry, in the middle of a history."""
    way = direction() if way is None else way
    at = panel.taken_at[len(panel.days) // 2] - np.timedelta64(2, "D")
    sd = np.array([known().fleet.noise[c.signal].sd for c in panel.cells])
    change = size * sd * np.array([way[_group(c)] if c.mode else 0.0 for c in panel.cells])
    values = panel.values + (panel.taken_at > at)[:, None] * change
    return replace(panel, values=values, events=(Event("E1", at, kind),))


def sized(count: int) -> list[float]:
    return [SIZE * s for s in np.linspace(0.8, 1.2, count)]


def ways(signature: LearnedSignature) -> tuple[Floats, Floats, Floats]:
    """True direction, learned direction and its error, over the groups."""
    parts = (direction(), signature.direction, signature.error)
    return tuple(np.array([part[g] for g in direction()]) for part in parts)  # type: ignore[return-value]


def signatures(made: list[Panel]) -> dict[str, LearnedSignature]:
    return learn_from_log(made, known().fleet).signatures


# --- from events to a signature -----------------------------------------------------------------------------


def test_the_direction_that_was_put_in_comes_out():
    made = [worked(p, s) for p, s in zip(fleet_units()[:6], sized(6), strict=True)]
    learned = signatures(made)
    assert set(learned) == {"power"}
    truth, seen, error = ways(learned["power"])
    # 24 groups, errors from five spare events: Student's t, the largest of them within six.
    assert (np.abs(seen - truth) < 6.0 * error).all()
    assert np.abs(seen - truth).max() < 0.2
    assert learned["power"].magnitude == pytest.approx(SIZE, rel=0.1)
    assert 5.0 < learned["power"].events <= 6.0


def test_entries_without_effect_are_not_believed_and_do_not_blur_what_is_learned():
    units = fleet_units()
    real = [worked(p, s) for p, s in zip(units[:6], sized(6), strict=True)]
    empty = [worked(p, 0.0) for p in units[6:12]]
    assert signatures(empty) == {}
    learned = signatures([*real, *empty])["power"]
    assert learned.events < 7.0
    truth, seen, _ = ways(learned)
    assert np.abs(seen - truth).max() < 0.2


def test_entries_of_another_cause_than_acted_are_not_believed():
    # Power acted, the log says fluid: the readings look like power, so nothing is learned of fluid.
    made = [worked(p, s, "fluid") for p, s in zip(fleet_units()[:6], sized(6), strict=True)]
    assert signatures(made) == {}


def test_of_too_few_events_nothing_is_learned():
    assert LEAST_EVENTS == 3.0
    made = [worked(p, SIZE) for p in fleet_units()[:2]]
    assert signatures(made) == {}
    assert signatures(fleet_units()) == {}
    assert signatures([]) == {}


def test_events_of_a_simulated_fleet_teach_what_its_controllers_do():
    # The simulator's load change moves tow and hardly normal; nothing tells the program how far, but this.
    log = (LogEntry(360.0, "load", 900.0, "kg"),)
    made = [records_of(plan(Action("load", 360.0, 25.0, mode="tow"), log=log), seed) for seed in range(5)]
    learned = signatures([panels(r)[0] for r in made])["load"]
    tow, normal = (learned.direction["apply_trim", mode, True] for mode in ("tow", "normal"))
    assert tow > 5.0 * abs(normal)
    assert learned.magnitude > 0.0
    assert abs(learned.direction["torque_cut", "tow", True]) < 0.1 * tow


def test_a_fleet_learns_only_from_its_own_transmission_type():
    logged = learned_from(quiet_records()).logged
    assert set(logged) == {"generic-6"}
    assert logged["generic-6"].signatures == {}
    # The few entries of a fleet to which nothing happened are all wrong.
    assert logged["generic-6"].right < LOG_IS_RIGHT


# --- what must not matter -----------------------------------------------------------------------------------

few = settings(derandomize=True, deadline=None, max_examples=5, database=None)
KPA_PER_PSI = 6.894757293168361  # NIST SP 811


@lru_cache(maxsize=1)
def six_events() -> tuple[Panel, ...]:
    return tuple(worked(p, s) for p, s in zip(fleet_units()[:6], sized(6), strict=True))


def alike(one: LearnedSignature, other: LearnedSignature, sign: float = 1.0) -> None:
    """Both say the same, up to a sign of what is moved."""
    for group, size in one.direction.items():
        said = other.magnitude * other.direction[group]
        assert said == pytest.approx(sign * one.magnitude * size, rel=1e-5, abs=1e-6)
        assert other.error[group] == pytest.approx(one.error[group], rel=1e-5, abs=1e-6)
    assert other.spread == pytest.approx(one.spread, rel=1e-5)
    assert other.events == pytest.approx(one.events, rel=1e-5)


@few
@given(st.permutations(range(6)), st.floats(-300.0, 300.0))
def test_neither_order_of_the_units_nor_level_of_the_values_matters_to_what_is_learned(order, shift):
    plain = signatures(list(six_events()))["power"]
    mixed = [replace(six_events()[i], values=six_events()[i].values + shift) for i in order]
    alike(plain, signatures(mixed)["power"])


def test_work_that_acts_the_other_way_is_learned_with_the_other_sign():
    turned = [replace(p, values=-p.values) for p in six_events()]
    # With its temperature coefficients turned round as well, the noise is what it was.
    noise = {n: replace(k, temperature=-k.temperature) for n, k in known().fleet.noise.items()}
    learned = learn_from_log(turned, replace(known().fleet, noise=noise)).signatures["power"]
    alike(signatures(list(six_events()))["power"], learned, sign=-1.0)


def in_psi(panel: Panel, fleet: Fleet) -> tuple[Panel, Fleet]:
    """The same with trims in psi, noise and all."""
    trims = ("apply_trim", "release_trim")
    by = np.array([1.0 / KPA_PER_PSI if c.signal in trims else 1.0 for c in panel.cells])
    sizes = ("white_sd", "learning_sd", "wander_sd", "common_white_sd", "common_wander_sd", "mode_wander_sd",
             "season_sd", "temperature", "resolution", "slope", "slope_sd", "slope_common_sd")  # fmt: skip
    noise = {
        name: replace(kind, **{s: getattr(kind, s) / KPA_PER_PSI for s in sizes}) if name in trims else kind
        for name, kind in fleet.noise.items()
    }
    return replace(panel, values=panel.values * by), replace(fleet, noise=noise)


def test_in_another_unit_the_same_is_learned():
    fleet = known().fleet
    turned = [in_psi(p, fleet) for p in six_events()]
    learned = learn_from_log([p for p, _ in turned], turned[0][1])
    plain = learn_from_log(list(six_events()), fleet)
    alike(plain.signatures["power"], learned.signatures["power"])
    assert learned.right == pytest.approx(plain.right, abs=1e-9)


@pytest.mark.parametrize("share", [0.1, 0.3])
def test_readings_missing_here_and_there_leave_the_direction(share):
    rng = np.random.default_rng(2)
    holes = [replace(p, usable=p.usable & (rng.random(p.values.shape) > share)) for p in six_events()]
    truth, seen, error = ways(signatures(holes)["power"])
    assert np.isfinite(error).all()
    assert np.abs(seen - truth).max() < 0.25


@pytest.mark.parametrize("count", [1, 2])
def test_of_constant_values_or_hardly_any_snapshots_nothing_is_learned(count):
    usual = learn_from_log([], known().fleet).right
    constant = [replace(p, values=np.full_like(p.values, 3.0)) for p in six_events()]
    flat = learn_from_log(constant, known().fleet)
    assert flat.signatures == {}
    assert flat.right < usual  # nothing moved, so the entries are believed less
    middle = len(six_events()[0].days) // 2
    here = slice(middle - 1, middle - 1 + count)
    of_times = ("taken_at", "days", "odometer_km", "fluid_temp_c")
    by_snapshot = (*of_times, "values", "learn_counts", "usable", "slips")
    short = [replace(p, **{n: getattr(p, n)[here] for n in by_snapshot}) for p in six_events()]
    learned = learn_from_log(short, known().fleet)
    assert (learned.signatures, learned.right) == ({}, usual)


# --- how far the log is right -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("evidence", "right"),
    [
        # Hand-solved: six usual entries of which 0.7 act, and the given ones, which surely did or did not.
        ([], 0.7),
        ([50.0] * 9, (4.2 + 9.0) / 15.0),
        ([-50.0] * 9, 4.2 / 15.0),
        ([50.0, 50.0, -50.0], (4.2 + 2.0) / 9.0),
        # Entries of which the readings say nothing leave it as it is.
        ([0.0] * 20, 0.7),
    ],
)
def test_the_share_of_entries_that_acted(evidence, right):
    assert (USUAL_ENTRIES, LOG_IS_RIGHT) == (6.0, 0.7)
    assert _share_right(np.array(evidence)) == pytest.approx(right, abs=1e-6)


def test_small_work_that_is_usual_in_a_fleet_does_not_count_against_its_log():
    # Hand-solved: as above, if each entry is told rightly. Alone, changes of 0.6 sd say nothing either way.
    made = [worked(p, 0.6 * s) for p, s in zip(fleet_units()[:12], np.linspace(0.8, 1.2, 12), strict=True)]
    all_acted = (USUAL_ENTRIES * LOG_IS_RIGHT + 12.0) / (USUAL_ENTRIES + 12.0)
    assert learn_from_log(made, known().fleet).right == pytest.approx(all_acted, abs=0.01)
    half = [*made[:6], *(worked(p, 0.0) for p in fleet_units()[6:12])]
    assert learn_from_log(half, known().fleet).right < LOG_IS_RIGHT


def test_a_share_of_half_sure_entries_is_where_it_does_not_move():
    # Second implementation: the fixed point r = (4.2 + sum of beliefs at r) / (6 + n), by Brent's method.
    evidence = np.array([2.0, 1.0, 3.0, -1.0, 2.5, -0.5, 4.0])

    def gap(r: float) -> float:
        believed = 1.0 / (1.0 + np.exp(-(np.log(r / (1.0 - r)) + evidence)))
        return float((4.2 + believed.sum()) / 13.0 - r)

    assert _share_right(evidence) == pytest.approx(brentq(gap, 0.01, 0.99), abs=1e-3)


def test_a_careful_log_is_believed_further_than_one_of_which_little_shows():
    units = fleet_units()
    real = [worked(p, s) for p, s in zip(units[:8], sized(8), strict=True)]
    empty = [worked(p, 0.0) for p in units[8:16]]
    careful, careless, both = (
        learn_from_log(made, known().fleet).right for made in (real, empty, [*real, *empty])
    )
    # Hand-solved bounds: all eight believed, or all but one; none believed, or two.
    assert 11.2 / 14.0 < careful <= 12.2 / 14.0
    assert 4.2 / 14.0 <= careless < 6.2 / 14.0
    assert careless < both < careful


# --- the steps, by hand -------------------------------------------------------------------------------------


def with_events(*at: float) -> Panel:
    """One cell of twelve readings 0, 1, 2, ...; entries so many snapshots after the first."""
    panel = panels(records(cell([float(i) for i in range(12)]), 12))[0]
    times = [panel.taken_at[0] + np.timedelta64(round(a * 30 * 86_400), "s") for a in at]
    return replace(panel, events=tuple(Event("E", t, "power") for t in times))


def change_at(panel: Panel) -> Floats | None:
    return _change(panel, known().fleet, panel.events[0].happened_at)


def test_a_change_is_taken_from_medians_before_and_after_without_the_first_reading_after():
    # Hand-solved: readings 3, 4, 5 before; 6 is still learning; 7, 8, 9 after: 8 - 4. At the ends, what there
    # is.
    assert change_at(with_events(5.5)) == pytest.approx([4.0])
    assert change_at(with_events(0.5)) == pytest.approx([3.0])  # 2, 3, 4 after 0
    assert change_at(with_events(9.5)) == pytest.approx([3.0])  # 11 after 7, 8, 9


def test_an_entry_beside_another_one_or_at_the_ends_teaches_nothing():
    assert change_at(with_events(5.5, 7.0)) is None  # 45 days
    assert change_at(with_events(5.5, 7.6)) is not None  # 63 days
    assert change_at(with_events(-0.5)) is None
    assert change_at(with_events(10.5)) is None


# --- from a signature to families ---------------------------------------------------------------------------


def signature() -> LearnedSignature:
    return LearnedSignature(direction(), dict.fromkeys(direction(), 0.05), SIZE, 1.0, 6.0)


def test_where_nothing_was_learned_a_units_families_are_as_they_were():
    panel, fleet = fleet_units()[0], known().fleet
    general = families(panel, fleet)
    assert with_learned(general, panel, fleet, {}) is general


def test_what_was_learned_shares_the_prior_odds_of_its_cause():
    panel, fleet = fleet_units()[0], known().fleet
    general = families(panel, fleet)
    both = with_learned(general, panel, fleet, {"power": signature()})
    assert [f.pattern.name for f in both[: len(general)]] == [f.pattern.name for f in general]
    assert both[len(general)].share == LEARNED_SHARE
    for causes in {f.causes for f in general}:
        before, after = (sum(f.share for f in every if f.causes == causes) for every in (general, both))
        assert after == pytest.approx(before)


def test_the_pattern_of_a_signature_by_hand():
    # Hand-solved: a cell of direction d lies about 5 d, give or take d of the events' spread of 1 and, with
    # root mean square magnitude sqrt(26), 0.3 d and the error 0.05 of its own, and a tenth. Packs hardly.
    panel, fleet = fleet_units()[0], known().fleet
    pattern = with_learned(families(panel, fleet), panel, fleet, {"power": signature()})[-1].pattern
    sd = np.array([fleet.noise[c.signal].sd for c in panel.cells])
    pack = np.array([not c.mode for c in panel.cells])
    d = np.array([direction()[_group(c)] if c.mode else 0.0 for c in panel.cells])
    assert (CELLS_DIFFER, LEAST_SPREAD) == (0.3, 0.1)
    own = np.sqrt(26.0) * np.sqrt((0.3 * d) ** 2 + 0.05**2) + 0.1
    np.testing.assert_allclose(pattern.mean, 5.0 * d * sd)
    np.testing.assert_allclose(pattern.basis[:, 0], d * sd)
    np.testing.assert_allclose(pattern.spread[~pack], (own * sd)[~pack])
    np.testing.assert_allclose(pattern.spread[pack], 0.03 * sd[pack])


def test_changes_as_they_were_learned_fit_better_than_by_the_general_family_and_turned_round_worse():
    # In the mean over draws from what was learned nothing fits better (Gibbs' inequality).
    panel, fleet = fleet_units()[0], known().fleet
    every = with_learned(families(panel, fleet), panel, fleet, {"power": signature()})
    general, own = next(f for f in every if f.causes == ("power",)).pattern, every[-1].pattern
    sd = np.array([fleet.noise[c.signal].sd for c in panel.cells])
    rng, shape = np.random.default_rng(2), (40, len(sd))
    drawn = own.mean + rng.normal(size=(40, 1)) * own.basis[:, 0]
    drawn = drawn + rng.normal(size=shape) * np.hypot(own.spread, sd)
    together = sharing(panel.cells, {})
    of_mode = np.zeros((40, together.member.shape[1]))
    gain = []
    for effects in (drawn, -drawn):
        said = Effects(effects, np.broadcast_to(sd**2, shape), np.zeros(shape), of_mode, np.zeros(40))
        general_gain, own_gain = (log_factors(said, [stack([p])], together).mean() for p in (general, own))
        gain.append(own_gain - general_gain)
    assert gain[0] > 1.0
    assert gain[1] < 0.0
