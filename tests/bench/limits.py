"""Cases that are hard for the method: what is said of each, seed by seed. See docs/statistics.md.

    python -m tests.bench.limits

Units are made to order (two years, monthly snapshots, little noise), so the truth is the case's name.
"""

from __future__ import annotations

from collections.abc import Callable

from driftwatch.assessment.results import UnitAssessment
from driftwatch.simulate.plan import Action, LogEntry
from tests.assessment.units import said_of

SEEDS = (3, 4, 5, 6, 7)
DAY = 400.0


def _log(*kinds: str) -> tuple[LogEntry, ...]:
    return tuple(LogEntry(DAY, kind) for kind in kinds)


Case = Callable[[int], UnitAssessment]
POWER, FLUID = Action("power", DAY, 25.0), Action("fluid", DAY, -14.0)
CASES: dict[str, Case] = {
    "nothing": lambda seed: said_of(seed=seed),
    "power up, not logged": lambda seed: said_of(POWER, seed=seed),
    "power down, not logged": lambda seed: said_of(Action("power", DAY, -25.0), seed=seed),
    "power up, apply trims alone recorded": lambda seed: said_of(POWER, seed=seed, signals=("apply_trim",)),
    "power up, normal mode alone recorded": lambda seed: said_of(POWER, seed=seed, modes=("normal",)),
    "power up, no learn counts": lambda seed: said_of(POWER, seed=seed, has_counts=False),
    "power up, no temperature": lambda seed: said_of(POWER, seed=seed, has_temperature=False),
    "nothing, neither counts nor temperature": lambda seed: said_of(
        seed=seed, has_counts=False, has_temperature=False
    ),
    "fluid, not logged": lambda seed: said_of(FLUID, seed=seed),
    "power up and fluid in one visit, both logged": lambda seed: said_of(
        POWER, FLUID, log=_log("power", "fluid"), seed=seed
    ),
    "cleared": lambda seed: said_of(Action("relearn", DAY), seed=seed),
}


def said(assessment: UnitAssessment) -> str:
    """Findings of one half or more, and overlap cautions, in short."""
    found = [
        f"{f.cause} {f.probability:.2f} ({f.after} to {f.by})"
        for f in assessment.findings
        if f.probability >= 0.5 and f.cause != "wear"
    ]
    return ", ".join(found + ["overlap" for c in assessment.cautions if c.kind == "overlap"]) or "nothing"


def main() -> None:
    """Print what is said of each case."""
    for name, case in CASES.items():
        print(name)
        for seed in SEEDS:
            print(f"  seed {seed}: {said(case(seed))}", flush=True)


if __name__ == "__main__":
    main()
