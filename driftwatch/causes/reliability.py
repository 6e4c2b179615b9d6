"""Probabilities as they hold, not as the model alone has them.

The model is surer than it should be of what nobody logged, since the world has more ways than its families;
where the log says the same, it is right as often as it says; and of falling supply pressure, whose rivals
(ageing fluid, wear of all packs) are given much room, it is less sure than it might be. The numbers were set
on invented fleets whose truth is known (two simulators, four difficulties, seeds 51, 52, 61 and 62);
docs/statistics.md has the table on other seeds.
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


LOGGED = Scaling(kept=1.0, shift=0.0, most=0.99)
UNLOGGED = Scaling(kept=0.55, shift=-0.3, most=0.95)
PRESSURE = Scaling(kept=0.8, shift=0.9, most=0.97)


def calibrated(probability: float, cause: str, logged: bool) -> float:
    """Probability of a finding as it holds; `logged` where an entry of the log is tied to it. Monotone.

    Platt's scaling of the log odds (Platt, Probabilistic outputs for support vector machines, 1999; cited
    from memory), with a ceiling. What nobody logged is never said surer than the model has it.
    """
    odds = float(logit(probability))
    scaling = PRESSURE if cause == "pressure" else LOGGED if logged else UNLOGGED
    said = scaling.kept * odds + scaling.shift
    if scaling is UNLOGGED:
        said = min(said, odds)
    return min(float(expit(said)), scaling.most)
