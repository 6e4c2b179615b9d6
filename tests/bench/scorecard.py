"""How right the assessment is on simulated fleets whose truth is known.

    python -m tests.bench.scorecard [--units 60] [--seeds 101 102] [--difficulty usual noisy sparse hard]

Seeds below 100 were used while the statistics were built; the ones used here by default were not.
A finding (probability of one half or more) is right if a true cause of the same kind lies within its
dates, give or take SLACK_DAYS; a wear finding must name the pack; a drift may begin at any time.
"""

from __future__ import annotations

import argparse
import time
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from sklearn.calibration import calibration_curve
from sklearn.metrics import brier_score_loss

from driftwatch.assessment.assess import analyse
from driftwatch.assessment.results import CAUSES, UnitAssessment
from driftwatch.settings import Settings
from driftwatch.simulate.loop import SimulatedFleet
from tests.bench.fleets import simulated

Floats = NDArray[np.float64]

SLACK_DAYS = 45
SAID = 0.5


@dataclass
class Card:
    """Counts that add up over units."""

    right: dict[str, int] = field(default_factory=lambda: dict.fromkeys(CAUSES, 0))
    wrong: dict[str, int] = field(default_factory=lambda: dict.fromkeys(CAUSES, 0))
    missed: dict[str, int] = field(default_factory=lambda: dict.fromkeys(CAUSES, 0))
    said: list[tuple[float, bool]] = field(default_factory=list)
    covered: list[bool] = field(default_factory=list)
    near: list[bool] = field(default_factory=list)
    far: list[bool] = field(default_factory=list)
    units: int = 0
    quiet_units: int = 0
    quiet_wrong: int = 0
    seconds: float = 0.0


def score_unit(card: Card, said: UnitAssessment, truth: pd.DataFrame, packs: pd.DataFrame) -> None:
    """Add one unit's findings and forecasts to the card."""
    card.units += 1
    open_ = [dict(row) for row in truth.to_dict("records")]
    wrong = 0
    for finding in sorted(said.findings, key=lambda f: -f.probability):
        match = next((t for t in open_ if _same(finding, t)), None)
        card.said.append((finding.probability, match is not None))
        if finding.probability < SAID:
            continue
        if match is None:
            card.wrong[finding.cause] += 1
            wrong += 1
        else:
            open_.remove(match)
            card.right[finding.cause] += 1
    for left in open_:
        card.missed[left["cause"]] += 1
    if truth.empty:
        card.quiet_units += 1
        card.quiet_wrong += wrong
    last = packs.sort_values("taken_at").groupby("clutch").last()
    for outlook in said.clutches:
        left_km = float(last.loc[outlook.clutch, "remaining_km"])
        serious = outlook.service in ("plan", "due")
        if np.isfinite(left_km) and left_km <= 10_000:
            card.near.append(serious)
        if not np.isfinite(left_km) or left_km > 40_000:
            card.far.append(serious)
        if np.isfinite(left_km) and 0 < left_km < 150_000:
            low = outlook.remaining_km["p10"] or 0.0
            high = outlook.remaining_km["p90"]
            card.covered.append(low <= left_km <= (np.inf if high is None else high))


def _same(finding, truth: dict) -> bool:  # type: ignore[no-untyped-def]
    if finding.cause != truth["cause"]:
        return False
    if finding.cause == "wear":
        return finding.clutch == truth["clutch"]
    if finding.by is None:
        return True
    at = pd.Timestamp(truth["at"])
    slack = pd.Timedelta(days=SLACK_DAYS)
    return bool(pd.Timestamp(finding.after) - slack <= at <= pd.Timestamp(finding.by) + slack)


def score(card: Card, profile: str, units: int, seed: int, difficulty: str) -> SimulatedFleet:
    """Simulate, assess and score one fleet."""
    records, fleet = simulated(profile, units, seed, difficulty)
    began = time.perf_counter()
    analyses = analyse(records, Settings())
    card.seconds += time.perf_counter() - began
    for analysis in analyses:
        unit = analysis.assessment.unit
        score_unit(
            card,
            analysis.assessment,
            fleet.truth[fleet.truth["unit"] == unit],
            fleet.packs[fleet.packs["unit"] == unit],
        )
    return fleet


def f1(card: Card, cause: str) -> float:
    """F1 of one cause; NaN where it neither happened nor was said."""
    hits, extra, lost = card.right[cause], card.wrong[cause], card.missed[cause]
    return 2 * hits / (2 * hits + extra + lost) if hits + extra + lost else float("nan")


def calibration_error(said: list[tuple[float, bool]], bins: int = 10) -> float:
    """Expected calibration error over equal-width bins: their gaps, weighed by how many findings each has."""
    if not said:
        return float("nan")
    p, hit = _columns(said)
    share, mean = calibration_curve(hit, p, n_bins=bins)
    edges = np.linspace(0.0, 1.0, bins + 1)
    filled = np.bincount(np.searchsorted(edges[1:-1], p), minlength=bins)
    return float(np.average(np.abs(share - mean), weights=filled[filled > 0]))


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


def report(difficulty: str, card: Card) -> str:
    """Give the card as text."""
    causes = [c for c in CAUSES if c != "unexplained"]
    lines = [f"{difficulty}: {card.units} units, {card.seconds / card.units:.3f} s a unit"]
    lines += [
        f"  {cause:<12} right {card.right[cause]:>4}  wrong {card.wrong[cause]:>4}  "
        f"missed {card.missed[cause]:>4}  F1 {f1(card, cause):.3f}"
        for cause in CAUSES
    ]
    lines += [
        f"  macro F1 {np.nanmean([f1(card, c) for c in causes]):.3f}",
        f"  wrong findings a unit {sum(card.wrong.values()) / card.units:.3f}",
        f"  wrong findings in {card.quiet_units} quiet units: {card.quiet_wrong}",
        f"  calibration error {calibration_error(card.said):.3f} of {len(card.said)} findings",
        f"  Brier score {brier_score(card.said):.3f}",
        f"  service said, limit within 10 000 km: {_share(card.near)}",
        f"  service said, limit beyond 40 000 km: {_share(card.far)}",
        f"  80 % interval covers: {_share(card.covered)}",
    ]
    return "\n".join(lines)


def _share(flags: list[bool]) -> str:
    return f"{np.mean(flags):.3f} of {len(flags)}" if flags else "none"


def main() -> None:
    """Print the scorecard."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--units", type=int, default=60)
    parser.add_argument("--seeds", type=int, nargs="+", default=[101, 102])
    parser.add_argument("--profile", default="generic-6")
    parser.add_argument("--difficulty", nargs="+", default=["easy", "usual", "noisy", "sparse", "hard"])
    options = parser.parse_args()
    for difficulty in options.difficulty:
        card = Card()
        for seed in options.seeds:
            score(card, options.profile, options.units, seed, difficulty)
        print(report(difficulty, card), flush=True)


if __name__ == "__main__":
    main()
