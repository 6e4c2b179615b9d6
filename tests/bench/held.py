"""How often findings held, by the log odds that the model alone gives them.

    python -m tests.bench.held [--world own other daily derived] [--units 40] [--seeds 41 42 43]
        [--difficulty usual noisy sparse hard] [--as-of-shares 0.6 0.8 1.0]

This is what the tables of `driftwatch.causes.reliability` are read off: a class of findings is one line with
the mean log odds of the model, the log odds of what held (never falling from class to class), what the
program says at the class's mean, and how many findings there were and held. What counts as having held is
written in `tests.bench.scoring`.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator, Sequence

import numpy as np
from scipy.special import expit, logit
from sklearn.isotonic import IsotonicRegression

from driftwatch.assessment.assess import analyse
from driftwatch.assessment.results import Finding
from driftwatch.causes.identify import HIDDEN_BY_REBUILD
from driftwatch.causes.reliability import calibrated
from driftwatch.settings import Settings
from tests.bench.fleets import WORLDS, KnownFleet
from tests.bench.scorecard import AIMS
from tests.bench.scoring import Card, Floats, score_unit
from tests.bench.switches import SWITCHES

#: Findings in a class.
IN_CLASS = 60
#: Log odds are taken no further: beyond, nothing is said to be surer.
MOST = 20.0
#: Findings are looked at from here on, though they are listed from a higher probability on.
LEAST = 0.01


def table_of(finding: Finding) -> str | None:
    """Name the table by which a finding is said; None where it is said without one."""
    if finding.cause in ("pressure", "wear", "unexplained"):
        return None if finding.cause == "pressure" and finding.by is None else finding.cause
    if finding.event is None:
        return "unlogged"
    hidden = finding.cause in HIDDEN_BY_REBUILD and not finding.size
    return None if hidden else "logged"


def told(known: KnownFleet, shares: Sequence[float]) -> Iterator[tuple[str, float, bool]]:
    """Give of each finding of a fleet its table, the model's log odds, and whether it held."""
    for share in shares:
        as_of = known.day_at(share)
        with SWITCHES["calibration"][1]():
            analyses = analyse(known.records(as_of), Settings(least_probability=LEAST))
        for unit in (a.assessment for a in analyses):
            card = Card()
            score_unit(card, unit, known, as_of)
            surest_first = sorted(unit.findings, key=lambda f: -f.probability)
            for finding, (probability, held) in zip(surest_first, card.said, strict=True):
                table = table_of(finding)
                if table is not None:
                    yield table, float(np.clip(logit(probability), -MOST, MOST)), held


def classes(model: Floats, held: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    """Mean log odds of the model, log odds of what held, findings and those that held, of each class."""
    order = np.argsort(model, kind="stable")
    parts = np.array_split(order, max(len(order) // IN_CLASS, 1))
    mean = np.array([model[p].mean() for p in parts])
    count, hits = (np.array([f(held[p]) for p in parts], dtype=float) for f in (len, np.sum))
    # Half a finding more of either kind: a class in which all held is not certain.
    odds = logit((hits + 0.5) / (count + 1.0))
    return mean, IsotonicRegression().fit(mean, odds, sample_weight=count).predict(mean), count, hits


def main() -> None:
    """Print the classes of every table."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--world", nargs="+", choices=list(WORLDS), default=list(WORLDS))
    parser.add_argument("--units", type=int, default=40)
    parser.add_argument("--seeds", type=int, nargs="+", default=[41, 42, 43])
    parser.add_argument("--profile", default="generic-6")
    parser.add_argument("--difficulty", nargs="+", choices=list(AIMS), default=list(AIMS))
    parser.add_argument("--as-of-shares", type=float, nargs="+", default=[0.6, 0.8, 1.0])
    options = parser.parse_args()
    rows: dict[str, list[tuple[float, bool]]] = {}
    for world in options.world:
        for difficulty in options.difficulty:
            for seed in options.seeds:
                known = WORLDS[world](options.profile, options.units, seed, difficulty)
                for table, odds, held in told(known, options.as_of_shares):
                    rows.setdefault(table, []).append((odds, held))
    print(f"{'table':<12} {'model':>7} {'held':>7} {'said':>7} {'findings':>9} {'of them held':>13}")
    for table, pairs in sorted(rows.items()):
        model, held = np.array(pairs, dtype=float).T
        cause = table if table in ("pressure", "wear", "unexplained") else "power"
        for mean, odds, count, hits in zip(*classes(model, held), strict=True):
            said = logit(calibrated(float(expit(mean)), cause, table == "logged"))
            print(f"{table:<12} {mean:>7.2f} {odds:>7.2f} {said:>7.2f} {count:>9.0f} {hits:>13.0f}")


if __name__ == "__main__":
    main()
