"""How right the assessment is on simulated fleets whose truth is known.

    python -m tests.bench.scorecard [--world own other daily derived] [--units 60] [--seeds 101 102]
        [--difficulty usual noisy sparse hard] [--as-of-shares 0.6 0.8 1.0] [--baseline] [--mistakes]
        [--reliability] [--uncounted] [--mistyped SHARE] [--without PART ...]

`--uncounted` takes the learn counts away from every unit, as of a tool that does not show them; `--mistyped`
spoils a share of all readings, as in a sheet that is kept by hand.
`--without all` scores the program with each of its parts switched off in turn beside it; see
`tests.bench.switches`.

Each fleet is assessed on several days, given as shares of the time from its first to its last reading; on
each day the truth is what has happened by then. What counts as right, wrong and missed is written in
`tests.bench.scoring`. Seeds below 100 were used while the statistics were built; the ones used here by
default were not.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np

from driftwatch.assessment.assess import analyse
from driftwatch.assessment.results import CAUSES
from driftwatch.settings import Settings
from driftwatch.store.records import Records
from tests.bench.fleets import WORLDS, KnownFleet, mistyped
from tests.bench.notebook import notebook
from tests.bench.scoring import (
    Card,
    SaidLike,
    brier_score,
    calibration_error,
    f1,
    macro_f1,
    reliability,
    score_unit,
)
from tests.bench.switches import SWITCHES, without

Judge = Callable[[Records], Sequence[SaidLike]]

#: What is aimed at: macro F1 at least, wrong findings a unit and calibration error at most, service said
#: within 10 000 km at least, beyond 40 000 km at most, by difficulty.
AIMS: dict[str, tuple[float, float, float, float, float]] = {
    "usual": (0.97, 0.03, 0.04, 0.98, 0.002),
    "noisy": (0.94, 0.05, 0.04, 0.97, 0.003),
    "sparse": (0.90, 0.06, 0.06, 0.95, 0.005),
    "hard": (0.88, 0.10, 0.06, 0.95, 0.005),
}
#: Whether more is better, in the order of AIMS.
MORE_IS_BETTER = (True, False, False, True, False)
#: The 80 % interval should cover between these shares.
COVERS = (0.76, 0.86)


def program(records: Records) -> Sequence[SaidLike]:
    """Give what the program says."""
    return [a.assessment for a in analyse(records, Settings())]


def score(card: Card, judge: Judge, known: KnownFleet, shares: Sequence[float], counted: bool = True) -> None:
    """Let a judge assess one fleet on several days, with its learn counts or without, and add to the card."""
    for share in shares:
        as_of = known.day_at(share)
        records = known.records(as_of)
        if not counted:
            records = replace(records, readings=records.readings.assign(learn_count=float("nan")))
        began = time.perf_counter()
        said = judge(records)
        card.seconds += time.perf_counter() - began
        for unit in said:
            score_unit(card, unit, known, as_of)


def report(title: str, card: Card) -> str:
    """Give the card as text."""
    lines = [f"{title}: {card.units} assessments of units, {card.seconds / max(card.units, 1):.3f} s each"]
    lines += [
        f"  {cause:<12} right {card.right[cause]:>4}  wrong {card.wrong[cause]:>4}  "
        f"missed {card.missed[cause]:>4}  F1 {f1(card, cause):.3f}  {_late(card.late[cause])}".rstrip()
        for cause in CAUSES
    ]
    since = ", ".join(f"{n}+: {_share(flags)}" for n, flags in card.since.items())
    lines += [
        f"  macro F1 {macro_f1(card):.3f}",
        f"  wrong findings a unit {_wrong(card):.3f}",
        f"  wrong findings in {card.quiet_units} quiet units: {card.quiet_wrong}, "
        f"{card.quiet_wrong / max(card.quiet_years, 1e-9):.3f} a unit and year",
        f"  found, by snapshots read since: {since}",
        f"  calibration error {calibration_error(card.said):.3f} of {len(card.said)} findings",
        f"  Brier score {brier_score(card.said):.3f}",
        f"  service said, limit within 10 000 km: {_share(card.near)}",
        f"  service said, limit beyond 40 000 km: {_share(card.far)}",
        f"  80 % interval covers: {_share(card.covered)}; the limit comes earlier: {_share(card.early)}",
    ]
    return "\n".join(lines)


def _wrong(card: Card) -> float:
    return sum(card.wrong.values()) / max(card.units, 1)


def _late(days: list[float]) -> str:
    return f"placed late by {np.mean(days):.0f} days" if days else ""


def _share(flags: list[bool]) -> str:
    return f"{np.mean(flags):.3f} of {len(flags)}" if flags else "none"


def summary(cards: dict[tuple[str, str, str], Card]) -> str:
    """Give one line a card: each figure with its aim, and `!` where the aim is not reached."""
    heads = (
        "macro F1",
        "wrong/unit",
        "calib. error",
        "within 10 000",
        "beyond 40 000",
        "80 % covers",
        "s/unit",
    )
    lines = [f"{'world':<8} {'difficulty':<10} {'said by':<20}" + "".join(f" {h:>15}" for h in heads)]
    for (world, difficulty, name), card in cards.items():
        row = f"{world:<8} {difficulty:<10} {name:<20}" + "".join(
            f" {c:>15}" for c in _figures(difficulty, card)
        )
        lines.append(row)
    return "\n".join(lines)


def reliability_table(cards: dict[tuple[str, str, str], Card]) -> str:
    """Give, for each world and judge, how many findings of each class of probability held."""
    said: dict[tuple[str, str], list[tuple[float, bool]]] = {}
    for (world, _, name), card in cards.items():
        said.setdefault((world, name), []).extend(card.said)
    lines = [f"{'world':<8} {'said by':<20} {'probability':>13} {'findings':>9} {'said':>6} {'held':>6}"]
    lines += [
        f"{world:<8} {name:<20} {f'{r.low:g} to {r.high:g}':>13} {r.findings:>9} "
        f"{r.said:>6.3f} {r.held:>6.3f}"
        for (world, name), pairs in said.items()
        for r in reliability(pairs)
    ]
    return "\n".join(lines)


def _figures(difficulty: str, card: Card) -> list[str]:
    mean = [float(np.mean(flags)) if flags else float("nan") for flags in (card.near, card.far, card.covered)]
    figures = (macro_f1(card), _wrong(card), calibration_error(card.said), mean[0], mean[1])
    aims = AIMS.get(difficulty, (None,) * len(figures))
    cells = [
        f"{figure:.3f}" if aim is None else f"{figure:.3f} / {aim:g}{_mark(figure, aim, more)}"
        for figure, aim, more in zip(figures, aims, MORE_IS_BETTER, strict=True)
    ]
    covers = f"{mean[2]:.3f}{' ' if COVERS[0] <= mean[2] <= COVERS[1] or np.isnan(mean[2]) else '!'}"
    return [*cells, covers, f"{card.seconds / max(card.units, 1):.3f}"]


def _mark(figure: float, aim: float, more: bool) -> str:
    reached = figure >= aim if more else figure <= aim
    return " " if reached or np.isnan(figure) else "!"


def main() -> None:
    """Print the scorecard."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--world", nargs="+", choices=list(WORLDS), default=list(WORLDS))
    parser.add_argument("--units", type=int, default=60)
    parser.add_argument("--seeds", type=int, nargs="+", default=[101, 102])
    parser.add_argument("--profile", default="generic-6")
    parser.add_argument("--difficulty", nargs="+", choices=list(AIMS), default=list(AIMS))
    parser.add_argument("--as-of-shares", type=float, nargs="+", default=[0.6, 0.8, 1.0])
    parser.add_argument("--mistakes", action="store_true", help="list every wrong and missed finding")
    parser.add_argument(
        "--reliability", action="store_true", help="for classes of probability, how many findings held"
    )
    parser.add_argument(
        "--without",
        nargs="+",
        choices=["all", *SWITCHES],
        default=[],
        help="score the program with these parts switched off beside it, one at a time",
    )
    parser.add_argument("--uncounted", action="store_true", help="take the learn counts of all units away")
    parser.add_argument("--mistyped", type=float, default=0.0, help="share of the readings that is mistyped")
    parser.add_argument("--baseline", action="store_true", help="score the notebook's answers beside")
    options = parser.parse_args()
    judges: dict[str, Judge] = {"program": program}
    if options.baseline:
        judges["notebook"] = notebook
    parts = list(SWITCHES) if "all" in options.without else options.without
    judges |= {f"- {part}": without(part) for part in parts}
    cards: dict[tuple[str, str, str], Card] = {}
    for world in options.world:
        for difficulty in options.difficulty:
            for name in judges:
                cards[world, difficulty, name] = Card()
            for seed in options.seeds:
                known = WORLDS[world](options.profile, options.units, seed, difficulty)
                known = mistyped(known, options.mistyped, seed)
                for name, judge in judges.items():
                    card = cards[world, difficulty, name]
                    score(card, judge, known, options.as_of_shares, not options.uncounted)
            for name in judges:
                card = cards[world, difficulty, name]
                print(report(f"{world} world, {difficulty}, {name}", card), flush=True)
                if options.mistakes:
                    print("\n".join(f"    {line}" for line in card.mistakes), flush=True)
    print(summary(cards))
    if options.reliability:
        print(reliability_table(cards))


if __name__ == "__main__":
    main()
