"""Who meets what: quiet units, units with acts, and units with a pack that wears fast."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np

from tests.bench.derivedworld.dials import Dial

#: Shares of the kinds among all acts.
KIND_SHARE = {
    "power": 0.24,
    "load": 0.24,
    "fluid": 0.20,
    "relearn": 0.12,
    "pressure": 0.13,
    "rebuild": 0.07,
}


@dataclass(frozen=True)
class Act:
    """Something that is done or begins.

    `share` is its place in the unit's span. Of a load, `off` is the day on which it is taken off again, and
    `part` what is taken off; a loss of supply pressure is `slow` over so many `days`, or at once, and may be
    seen to on the day `mend`.
    """

    kind: str
    share: float = 0.0
    off: float | None = None
    part: float = 0.0
    slow: bool = False
    days: float = 0.0
    mend: float | None = None


@dataclass(frozen=True)
class Plan:
    """What a unit meets.

    `wear` is how a pack wears fast: "steady", "onset" (from some distance on), "hasten" (faster and faster),
    "touchy" (from the first power or load act on), or "" for none; `wear_end` the share of the span at which
    it is worn out and rebuilt.
    """

    acts: tuple[Act, ...] = field(default=())
    wear: str = ""
    wear_end: float | None = None


def make_plans(units: int, dial: Dial, rng: np.random.Generator) -> list[Plan]:
    """Deal roles to a fleet: stratified, so that small fleets have of everything, then shuffled."""
    quiet = max(math.ceil(units / 4), round(units * rng.uniform(0.28, 0.36)))
    busy = rng.permutation(units)[quiet:].tolist()
    worn = set(busy[: round(units * rng.uniform(0.18, 0.22))])
    counts = {
        i: 0 if i in worn and rng.random() < 0.4 else int(rng.choice([1, 2, 3], p=[0.60, 0.33, 0.07]))
        for i in busy
    }
    bag = _bag(sum(counts.values()), rng)
    plans = [Plan()] * units
    for i in [busy[j] for j in rng.permutation(len(busy))]:
        kinds = _dealt(bag, counts[i], i in worn)
        wear = _way_of_wearing(kinds, dial, rng) if i in worn else ""
        acts = _placed(kinds, wear, dial, rng)
        plans[i] = _worn_out(Plan(tuple(acts), wear), rng)
    return plans


def _bag(acts: int, rng: np.random.Generator) -> list[str]:
    """Give so many acts in their shares, in random order."""
    share = np.cumsum(list(KIND_SHARE.values()))
    grid = (np.arange(acts) + rng.random()) / max(1, acts)
    dealt = rng.permutation(np.searchsorted(share, grid))
    return [list(KIND_SHARE)[min(j, len(share) - 1)] for j in dealt]


def _dealt(bag: list[str], count: int, worn: bool) -> list[str]:
    """Take acts of different kinds out of the bag; no rebuild where a pack wears fast by itself."""
    kinds: list[str] = []
    for _ in range(count):
        fitting = (j for j, k in enumerate(bag) if k not in kinds and not (worn and k == "rebuild"))
        j = next(fitting, None)
        if j is not None:
            kinds.append(bag.pop(j))
    return kinds


def _way_of_wearing(kinds: list[str], dial: Dial, rng: np.random.Generator) -> str:
    half = (1 - dial.hastens) / 2
    way = str(rng.choice(["steady", "onset", "hasten"], p=[half, half, dial.hastens]))
    can = any(kind in ("power", "load") for kind in kinds)
    return "touchy" if can and rng.random() < 0.5 else way


def _placed(kinds: list[str], wear: str, dial: Dial, rng: np.random.Generator) -> list[Act]:
    """Place acts well apart in the span; on hard fleets some two of them in one visit."""
    low, high = 0.17, 0.66 if wear == "touchy" else 0.82
    gap = min(0.22, (high - low) / max(1, len(kinds)) * 0.7)
    free = high - low - gap * max(0, len(kinds) - 1)
    at = low + np.sort(rng.random(len(kinds))) * free + gap * np.arange(len(kinds))
    acts = [Act(kind, float(share)) for kind, share in zip(kinds, at, strict=True)]
    alone = ("rebuild", "pressure")
    if kinds and kinds[0] not in alone and rng.random() < dial.same_visit:
        others = [k for k in ("power", "fluid", "load", "relearn") if k not in kinds]
        if len(kinds) > 1 and kinds[1] not in alone:
            acts[1] = replace(acts[1], share=acts[0].share)
        else:
            acts.append(Act(str(rng.choice(others)), acts[0].share))
    return acts


def _worn_out(plan: Plan, rng: np.random.Generator) -> Plan:
    """Let something be worn out before a planned rebuild."""
    for act in plan.acts:
        if act.kind == "rebuild":
            plan = replace(plan, wear=str(rng.choice(["steady", "hasten"])), wear_end=act.share)
    return plan
