"""What the scorecard counts as right, wrong and missed: small cases, each solved by hand from its rules."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date

import pandas as pd
import pytest

from tests.bench.fleets import KnownFleet, other_world
from tests.bench.scoring import Card, TrueCause, is_right, score_unit, true_causes

NEVER = pd.Timestamp("NaT")
UNIT = "V0001"


@dataclass(frozen=True)
class Said:
    cause: str
    probability: float = 0.9
    after: date | None = date(2025, 3, 1)
    by: date | None = date(2025, 4, 1)
    clutch: str | None = None


@dataclass(frozen=True)
class Outlook:
    service: str
    p10: float | None
    p90: float | None
    clutch: str = "pack1"

    @property
    def remaining_km(self) -> dict[str, float | None]:
        return {"p10": self.p10, "p50": None, "p90": self.p90}


@dataclass(frozen=True)
class SaidOfUnit:
    findings: tuple[Said, ...] = ()
    clutches: tuple[Outlook, ...] = ()
    unit: str = UNIT


@dataclass
class Story:
    """One unit with a snapshot on the first of each month of 2025, and what happened to it."""

    causes: list[tuple[str, str, str | None]] = field(default_factory=list)
    used: float = 0.1
    remaining_km: float = float("inf")
    read: frozenset[str] = frozenset({"normal", "tow", "pack1"})

    def known(self) -> KnownFleet:
        taken = pd.date_range("2025-01-01", "2025-12-01", freq="MS")
        causes = pd.DataFrame(self.causes, columns=["cause", "at", "until"]).assign(unit=UNIT)
        causes["at"], causes["until"] = pd.to_datetime(causes["at"]), pd.to_datetime(causes["until"])
        packs = pd.DataFrame(
            {
                "unit": UNIT,
                "clutch": "pack1",
                "taken_at": taken,
                "used": self.used,
                "remaining_km": self.remaining_km,
            }
        )
        fleet = other_world("generic-6", 1, 1, "sparse").fleet
        return KnownFleet(fleet, causes, packs, {UNIT: self.read}, taken[0], taken[-1])

    def card(self, said: SaidOfUnit, as_of: date = date(2025, 12, 31)) -> Card:
        card = Card()
        score_unit(card, said, self.known(), as_of)
        return card


def step(cause: str, at: str, until: str | None = None) -> TrueCause:
    return TrueCause(cause, pd.Timestamp(at), pd.Timestamp(until) if until else NEVER, None, 3)


@pytest.mark.parametrize(
    ("at", "right"),
    [
        ("2025-03-15", True),
        ("2025-01-15", True),
        ("2025-01-14", False),
        ("2025-05-16", True),
        ("2025-05-17", False),
    ],
)
def test_a_step_is_right_within_its_dates_and_45_days(at, right):
    # 45 days before 1 March is 15 January; 45 days after 1 April is 16 May.
    assert is_right(Said("power"), step("power", at)) is right


def test_a_step_within_a_slow_change_is_right():
    assert is_right(Said("pressure"), step("pressure", "2024-06-01", "2025-06-01"))
    assert not is_right(Said("pressure"), step("pressure", "2024-06-01", "2025-01-01"))
    assert not is_right(Said("fluid"), step("pressure", "2024-06-01", "2025-06-01"))


def test_a_staircase_is_right_once():
    story = Story([("pressure", "2025-01-15", "2025-09-01")])
    later = Said("pressure", 0.8, date(2025, 6, 1), date(2025, 7, 1))
    card = story.card(SaidOfUnit((Said("pressure"), later)))
    assert (card.right["pressure"], card.wrong["pressure"], card.missed["pressure"]) == (1, 1, 0)


def test_a_drift_is_right_whenever_it_began():
    assert is_right(Said("pressure", after=None, by=None), step("pressure", "2025-11-01"))


def test_wear_must_name_the_pack():
    story = Story(used=0.31)
    assert story.card(SaidOfUnit((Said("wear", clutch="pack1"),))).right["wear"] == 1
    other = story.card(SaidOfUnit((Said("wear", clutch="pack2"),)))
    assert (other.wrong["wear"], other.missed["wear"]) == (1, 1)
    assert Story(used=0.29).card(SaidOfUnit((Said("wear", clutch="pack1"),))).wrong["wear"] == 1


def test_the_truth_of_a_day_does_not_know_the_future():
    known = Story(
        [("power", "2025-03-15", None), ("fluid", "2025-03-15", None), ("load", "2025-08-02", None)]
    ).known()
    causes = [(t.cause, t.later) for t in true_causes(known, UNIT, date(2025, 6, 30))]
    # Snapshots on 1 April, 1 May and 1 June came after the visit in March; both of its causes are rows.
    assert causes == [("power", 3), ("fluid", 3)]


def test_a_cause_without_a_later_snapshot_is_not_missed():
    story = Story([("power", "2025-06-15", None)])
    assert story.card(SaidOfUnit(), date(2025, 6, 30)).missed["power"] == 0
    late = story.card(SaidOfUnit(), date(2025, 7, 1))
    assert late.missed["power"] == 1
    assert late.since[1] == [False]
    assert late.quiet_units == 0


def test_what_was_not_read_is_not_missed():
    bare = Story([("load", "2025-03-15", None)], used=0.4, read=frozenset({"normal"}))
    card = bare.card(SaidOfUnit())
    assert (card.missed["load"], card.missed["wear"]) == (0, 0)
    assert bare.card(SaidOfUnit((Said("load"),))).right["load"] == 1
    full = Story([("load", "2025-03-15", None)], used=0.4).card(SaidOfUnit())
    assert (full.missed["load"], full.missed["wear"]) == (1, 1)


def test_each_finding_takes_the_nearest_cause():
    # Both loads lie within 45 days of the finding that is matched first; it must leave the first one alone.
    story = Story([("load", "2025-02-10", None), ("load", "2025-03-15", None)])
    early = Said("load", 0.8, date(2025, 2, 1), date(2025, 2, 15))
    card = story.card(SaidOfUnit((Said("load", 0.9), early)))
    assert (card.right["load"], card.wrong["load"], card.missed["load"]) == (2, 0, 0)


def test_half_or_more_is_said_and_all_is_calibrated():
    story = Story([("power", "2025-03-15", None)])
    card = story.card(SaidOfUnit((Said("power", 0.49), Said("fluid", 0.3), Said("load", 0.5))))
    assert (card.right["power"], card.missed["power"]) == (0, 1)
    assert (card.wrong["fluid"], card.wrong["load"]) == (0, 1)
    assert sorted(card.said) == [(0.3, False), (0.49, True), (0.5, False)]


def test_quiet_units_count_their_years():
    card = Story().card(SaidOfUnit((Said("power"),)))
    assert (card.quiet_units, card.quiet_wrong) == (1, 1)
    # 1 January to 1 December 2025: 334 days.
    assert card.quiet_years == pytest.approx(334 / 365.25)


def test_how_late_a_step_is_placed():
    card = Story([("power", "2025-03-22", None)]).card(SaidOfUnit((Said("power"),)))
    assert card.late["power"] == [10]


@pytest.mark.parametrize(
    ("left", "service", "near", "far"),
    [
        (9_000.0, "plan", [True], []),
        (0.0, "watch", [False], []),
        (20_000.0, "due", [], []),
        (41_000.0, "due", [], [True]),
        (float("inf"), "clear", [], [False]),
    ],
)
def test_service_near_and_far(left, service, near, far):
    card = Story(remaining_km=left).card(SaidOfUnit(clutches=(Outlook(service, 1.0, None),)))
    assert (card.near, card.far) == (near, far)


@pytest.mark.parametrize(
    ("left", "low", "high", "covered", "early"),
    [
        (20_000.0, 10_000.0, 30_000.0, [True], [False]),
        (9_000.0, 10_000.0, 30_000.0, [False], [True]),
        (31_000.0, 10_000.0, 30_000.0, [False], [False]),
        (20_000.0, 10_000.0, None, [True], [False]),
        (5_000.0, None, 30_000.0, [True], [False]),
        (0.0, 0.0, 10.0, [], []),
        (160_000.0, 0.0, None, [], []),
    ],
)
def test_the_interval_is_counted_where_it_matters(left, low, high, covered, early):
    card = Story(remaining_km=left).card(SaidOfUnit(clutches=(Outlook("plan", low, high),)))
    assert (card.covered, card.early) == (covered, early)
