"""Probabilities as they hold, not as the model alone has them.

The model is surer than it should be of what nobody logged, since the world has more ways than its families;
where the log says the same, it is right as often as it says; and of falling supply pressure, whose rivals
(ageing fluid, wear of all packs) are given much room, and of wear it is less sure than it might be. The
numbers were set on invented fleets whose truth is known (two simulators, four difficulties, seeds 51, 52, 61,
62, 71 and 72); docs/statistics.md has the table on other seeds.
"""

from __future__ import annotations

from dataclasses import dataclass

from scipy.special import expit, logit


@dataclass(frozen=True)
class Scaling:
    """How the log odds of a finding are said: `kept` of them, plus `shift`, up to `most`."""

    kept: float
    shift: float
    most: float


LOGGED = Scaling(kept=0.8, shift=0.0, most=0.995)
UNLOGGED = Scaling(kept=0.6, shift=-1.2, most=0.96)
PRESSURE = Scaling(kept=0.8, shift=0.9, most=0.97)
WEAR = Scaling(kept=1.5, shift=0.0, most=0.995)


def calibrated(probability: float, cause: str, logged: bool) -> float:
    """Probability of a finding as it holds; `logged` where an entry of the log is tied to it. Monotone.

    Platt's scaling of the log odds (Platt, Probabilistic outputs for support vector machines, 1999; cited
    from memory), with a ceiling. What nobody logged is never said surer than the model has it.
    """
    odds = float(logit(probability))
    of_cause = {"pressure": PRESSURE, "wear": WEAR}
    scaling = of_cause.get(cause, LOGGED if logged else UNLOGGED)
    said = scaling.kept * odds + scaling.shift
    if scaling is UNLOGGED:
        said = min(said, odds)
    return min(float(expit(said)), scaling.most)
