"""What is right, wrong and missed: findings and forecasts of one unit against the truth on that day.

The rules, in plain words:

- **The truth of a day** is what has happened by then. Causes that were done or began by that day count; a
  pack counts as worn if it has used 30 % or more of its allowance by growth since the first snapshot of its
  present life, at the last snapshot known. Two causes in one visit are two rows of the truth. A load that
  is taken off again is a change of load, like its coming.
- **A finding is said** if its probability is one half or more. Each true cause can be found once; findings
  are matched in order of their probability, the surest first, each with the nearest cause it may tell of.
- **A step finding is right** if a true cause of its kind lies between its two dates, give or take
  SLACK_DAYS. A slow change that is said to be a step is right if the step lies within the slow change, with
  the same slack: but only one such step is, and a staircase of them is wrong from the second on.
- **A drift finding is right** if a true cause of its kind has happened by the day, at any time.
- **A wear finding is right** if it names a worn pack.
- **A true cause is missed** if it was not found and could be: at least one snapshot was read after it; for
  wear, the pack's volume is read; for a load, the mode that is driven loaded (tow, where the profile has it)
  is read. What cannot be found does not count as missed; if it is said nevertheless, it counts as right.
- **`unexplained`** is always wrong, since every true cause has a name, but it is not in the macro F1.
- **A unit is quiet** on a day if nothing has happened to it by then.
- **Calibration** is over all findings given (from 0.1 on), said or not: whether each was right.
- **Service**: of packs whose limit lies within 10 000 km of the last snapshot (or is reached), how many are
  `plan` or `due`; of packs beyond 40 000 km, the same, which is then a wrong call. A pack of which no
  forecast is made is in neither. The 80 % interval is counted where the limit lies within 150 000 km and is
  not yet reached; a limit that comes before its early end is the dangerous miss.
- **Placed late by**: for steps that were found, days from the cause to the first snapshot that shows it, as
  the finding says (`by`). **Found after n snapshots**: share of the causes other than wear that was found,
  by how many snapshots had been read since.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date
from itertools import pairwise
from typing import Protocol

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from sklearn.calibration import calibration_curve
from sklearn.metrics import brier_score_loss

from driftwatch.assessment.results import CAUSES
from tests.bench.fleets import KnownFleet

Floats = NDArray[np.float64]

SLACK_DAYS = 45
SAID = 0.5
WEAR_SHARE = 0.3
LOADED_MODE = "tow"
NEAR_KM = 10_000
FAR_KM = 40_000
#: Intervals are counted up to here: beyond, no forecast is acted on.
IN_SIGHT_KM = 150_000
#: Lower edges of the classes of snapshots read since a cause.
SINCE = (1, 2, 4, 8)
#: Edges of the classes of probability in the reliability table: finer where most findings are said.
CLASSES = (0.1, 0.3, 0.5, 0.65, 0.8, 0.9, 0.97, 1.0)


class FindingLike(Protocol):
    """What is scored of a finding."""

    @property
    def cause(self) -> str: ...
    @property
    def probability(self) -> float: ...
    @property
    def after(self) -> date | None: ...
    @property
    def by(self) -> date | None: ...
    @property
    def clutch(self) -> str | None: ...


class OutlookLike(Protocol):
    """What is scored of a pack's forecast."""

    @property
    def clutch(self) -> str: ...
    @property
    def remaining_km(self) -> dict[str, float | None]: ...
    @property
    def service(self) -> str: ...


class SaidLike(Protocol):
    """What is said of a unit, by the program or by another."""

    @property
    def unit(self) -> str: ...
    @property
    def findings(self) -> Sequence[FindingLike]: ...
    @property
    def clutches(self) -> Sequence[OutlookLike]: ...


@dataclass
class TrueCause:
    """One cause that has happened by the day, how many snapshots were read since, and whether it shows."""

    cause: str
    at: pd.Timestamp
    until: pd.Timestamp
    clutch: str | None
    later: int
    shows: bool = True


@dataclass
class Card:
    """Counts that add up over units and days."""

    right: dict[str, int] = field(default_factory=lambda: dict.fromkeys(CAUSES, 0))
    wrong: dict[str, int] = field(default_factory=lambda: dict.fromkeys(CAUSES, 0))
    missed: dict[str, int] = field(default_factory=lambda: dict.fromkeys(CAUSES, 0))
    late: dict[str, list[float]] = field(default_factory=lambda: {c: [] for c in CAUSES})
    since: dict[int, list[bool]] = field(default_factory=lambda: {n: [] for n in SINCE})
    said: list[tuple[float, bool]] = field(default_factory=list)
    covered: list[bool] = field(default_factory=list)
    early: list[bool] = field(default_factory=list)
    near: list[bool] = field(default_factory=list)
    far: list[bool] = field(default_factory=list)
    mistakes: list[str] = field(default_factory=list)
    units: int = 0
    quiet_units: int = 0
    quiet_wrong: int = 0
    quiet_years: float = 0.0
    seconds: float = 0.0


def true_causes(known: KnownFleet, unit: str, as_of: date) -> list[TrueCause]:
    """Give what has happened to a unit by a day."""
    end = pd.Timestamp(as_of) + pd.Timedelta(days=1)
    packs = known.packs[(known.packs["unit"] == unit) & (known.packs["taken_at"] < end)]
    taken = packs["taken_at"].drop_duplicates()
    rows = known.causes[(known.causes["unit"] == unit) & (known.causes["at"] < end)]
    read = known.read.get(unit, frozenset())
    causes = [
        TrueCause(cause, at, until, None, int((taken >= at).sum()), cause != "load" or LOADED_MODE in read)
        for cause, at, until in zip(rows["cause"], rows["at"], rows["until"], strict=True)
    ]
    last = packs.groupby("clutch", observed=True).last()
    worn = last[last["used"] >= WEAR_SHARE]
    return causes + [
        TrueCause("wear", at, pd.Timestamp("NaT"), str(clutch), 1, str(clutch) in read)
        for clutch, at in zip(worn.index, worn["taken_at"], strict=True)
    ]


def score_unit(card: Card, said: SaidLike, known: KnownFleet, as_of: date) -> None:
    """Add one unit's findings and forecasts on a day to the card."""
    truth = true_causes(known, said.unit, as_of)
    end = pd.Timestamp(as_of) + pd.Timedelta(days=1)
    packs = known.packs[(known.packs["unit"] == said.unit) & (known.packs["taken_at"] < end)]
    card.units += 1
    wrong = _score_findings(card, said, truth, as_of)
    if not truth:
        card.quiet_units += 1
        card.quiet_wrong += wrong
        span = packs["taken_at"].max() - packs["taken_at"].min()
        card.quiet_years += span / pd.Timedelta(days=365.25) if len(packs) else 0.0
    left_km = packs.groupby("clutch", observed=True)["remaining_km"].last()
    for outlook in said.clutches:
        _score_outlook(card, outlook, float(left_km[outlook.clutch]))


def _score_findings(card: Card, said: SaidLike, truth: list[TrueCause], as_of: date) -> int:
    """Match findings with causes, the surest first; how many were wrong."""
    open_ = list(truth)
    wrong = 0
    for finding in sorted(said.findings, key=lambda f: -f.probability):
        match = min((t for t in open_ if is_right(finding, t)), key=lambda t: _away(finding, t), default=None)
        card.said.append((finding.probability, match is not None))
        if finding.probability < SAID:
            continue
        if match is None:
            card.wrong[finding.cause] += 1
            wrong += 1
            card.mistakes.append(f"{as_of} {said.unit} wrong  {_short(finding)}; true: {_true(truth)}")
            continue
        open_.remove(match)
        card.right[finding.cause] += 1
        _note_since(card, match, found=True)
        if finding.by is not None and match.cause != "wear":
            card.late[finding.cause].append((pd.Timestamp(finding.by) - match.at).days)
    for left in open_:
        if left.later > 0 and left.shows:
            card.missed[left.cause] += 1
            _note_since(card, left, found=False)
            heard = ", ".join(_short(f) for f in said.findings) or "nothing"
            card.mistakes.append(f"{as_of} {said.unit} missed {_true([left])}; said: {heard}")
    return wrong


def is_right(finding: FindingLike, truth: TrueCause) -> bool:
    """Say whether a finding tells of this cause."""
    if finding.cause != truth.cause:
        return False
    if finding.cause == "wear":
        return finding.clutch == truth.clutch
    if finding.by is None or finding.after is None:
        return True
    slack = pd.Timedelta(days=SLACK_DAYS)
    ended = truth.at if pd.isna(truth.until) else truth.until
    return bool(pd.Timestamp(finding.after) - slack <= ended and truth.at <= pd.Timestamp(finding.by) + slack)


def _away(finding: FindingLike, truth: TrueCause) -> float:
    """Days from a finding's dates to the beginning of a cause; 0 within them, or where it gives none."""
    if finding.by is None or finding.after is None:
        return 0.0
    day = pd.Timedelta(days=1)
    return max(
        0.0, (pd.Timestamp(finding.after) - truth.at) / day, (truth.at - pd.Timestamp(finding.by)) / day
    )


def _note_since(card: Card, cause: TrueCause, found: bool) -> None:
    if cause.cause != "wear" and cause.later > 0:
        card.since[max(n for n in SINCE if n <= cause.later)].append(found)


def _score_outlook(card: Card, outlook: OutlookLike, left_km: float) -> None:
    serious = outlook.service in ("plan", "due")
    if left_km <= NEAR_KM:
        card.near.append(serious)
    if left_km > FAR_KM:
        card.far.append(serious)
    if 0 < left_km < IN_SIGHT_KM:
        low = outlook.remaining_km["p10"] or 0.0
        high = outlook.remaining_km["p90"]
        card.covered.append(low <= left_km <= (np.inf if high is None else high))
        card.early.append(left_km < low)


def _short(finding: FindingLike) -> str:
    where = finding.clutch or (f"{finding.after}..{finding.by}" if finding.by else f"from {finding.after}")
    return f"{finding.cause} {finding.probability:.2f} ({where})"


def _true(truth: list[TrueCause]) -> str:
    return ", ".join(f"{t.cause} {t.clutch or t.at.date()} (+{t.later})" for t in truth) or "nothing"


def f1(card: Card, cause: str) -> float:
    """F1 of one cause; NaN where it neither happened nor was said."""
    hits, extra, lost = card.right[cause], card.wrong[cause], card.missed[cause]
    return 2 * hits / (2 * hits + extra + lost) if hits + extra + lost else float("nan")


def macro_f1(card: Card) -> float:
    """Mean F1 of the named causes that happened or were said."""
    scores = [f1(card, cause) for cause in CAUSES if cause != "unexplained"]
    return float(np.nanmean(scores)) if not np.all(np.isnan(scores)) else float("nan")


def calibration_error(said: list[tuple[float, bool]], bins: int = 10) -> float:
    """Expected calibration error over equal-width bins: their gaps, weighed by how many findings each has."""
    if not said:
        return float("nan")
    p, hit = _columns(said)
    share, mean = calibration_curve(hit, p, n_bins=bins)
    edges = np.linspace(0.0, 1.0, bins + 1)
    filled = np.bincount(np.searchsorted(edges[1:-1], p), minlength=bins)
    return float(np.average(np.abs(share - mean), weights=filled[filled > 0]))


@dataclass(frozen=True)
class Class:
    """Findings said with a probability from `low` to under `high`.

    Attributes
    ----------
    low, high : float
        Bounds of the class; the last one holds 1 as well.
    findings : int
    said, held : float
        Mean of the probabilities said, and share of the findings that were right; NaN without findings.

    """

    low: float
    high: float
    findings: int
    said: float
    held: float


def reliability(said: list[tuple[float, bool]], edges: Sequence[float] = CLASSES) -> list[Class]:
    """Give for each class of probability what was said and what held."""
    p, hit = _columns(said) if said else (np.empty(0), np.empty(0))
    place = np.minimum(np.searchsorted(edges, p, side="right") - 1, len(edges) - 2)
    made = []
    for i, (low, high) in enumerate(pairwise(edges)):
        inside = place == i
        count = int(inside.sum())
        means = (float(p[inside].mean()), float(hit[inside].mean())) if count else (float("nan"),) * 2
        made.append(Class(low, high, count, *means))
    return made


def brier_score(said: list[tuple[float, bool]]) -> float:
    """Mean squared distance of the probability said from what held (1) or did not (0)."""
    if not said:
        return float("nan")
    p, hit = _columns(said)
    return float(brier_score_loss(hit, p))


def _columns(said: list[tuple[float, bool]]) -> tuple[Floats, Floats]:
    """Probabilities and whether they held, as arrays."""
    table = np.array(said, dtype=float).clip(0.0, 1.0)
    return table[:, 0], table[:, 1]
