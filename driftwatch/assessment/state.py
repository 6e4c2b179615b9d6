"""A unit's state in one word and its result in one sentence, the most pressing matter first."""

from __future__ import annotations

from datetime import date

from driftwatch.assessment.results import Caution, Finding
from driftwatch.assessment.sentences import certainty
from driftwatch.service.results import ClutchOutlook
from driftwatch.wording import day, listed, month_name

#: A change counts as recent, and the unit as `changed`, for this many days.
RECENT_DAYS = 180
#: A finding less probable than this does not enter the state.
LIKELY = 0.5
#: At most so many matters in one sentence.
MOST_MATTERS = 3
NOT_NEAR = "no clutch is near its limit"
UNTOLD = "how near its clutches are to their limits cannot be told"
CHANGE_WORDS = {
    "power": "a change of engine power",
    "load": "a change of load",
    "fluid": "fluid work",
    "relearn": "a relearn",
    "rebuild": "a rebuild",
    "pressure": "a change of supply pressure",
    "unexplained": "a change of unknown cause",
}


def unit_state(
    findings: list[Finding], clutches: list[ClutchOutlook], said: list[Caution], as_of: date, last: date
) -> tuple[str, str]:
    """Give the state and the sentence of a unit that has enough snapshots."""
    likely = [f for f in findings if f.probability >= LIKELY]
    changes = [f for f in likely if f.cause != "wear" and f.by]
    recent = [f for f in changes if f.by and (as_of - f.by).days <= RECENT_DAYS]
    kinds = {c.kind for c in said}
    urgent = _urgent(likely, clutches, kinds)
    wearing = _wearing(likely, clutches)
    settling = bool(recent) and "unlearned" in kinds
    happened = [f"there was {_happened(f)} by {day(f.by)}" for f in recent]
    matters = urgent + wearing + happened + (["some shifts are not learned again yet"] if settling else [])
    state = next(
        name
        for name, holds in (
            ("attention", urgent),
            ("worn", wearing),
            ("settling", settling),
            ("changed", recent),
            ("steady", True),
        )
        if holds
    )
    return state, _sentence(matters, changes, bool(clutches), last if "stale" in kinds else None)


def _urgent(likely: list[Finding], clutches: list[ClutchOutlook], kinds: set[str]) -> list[str]:
    matters = [
        f"{c.clutch} needs service {'now' if c.service == 'due' else 'soon'}"
        for c in clutches
        if c.service in ("plan", "due")
    ]
    if any(f.cause == "pressure" and f.by is None and asks_for_more(f) for f in likely):
        matters.append("the supply pressure seems to be falling")
    if "authority" in kinds:
        matters.append("a learned value is at or near the end of its range")
    if "overlap" in kinds:
        matters.append("apply and release pressure may overlap")
    return matters


def asks_for_more(finding: Finding) -> bool:
    """True if the apply trims rise: the controller makes up for pressure that is missing."""
    return any(e.signal == "apply_trim" and e.estimate > 0 for e in finding.size)


def _wearing(likely: list[Finding], clutches: list[ClutchOutlook]) -> list[str]:
    pressing = {c.clutch for c in clutches if c.service in ("plan", "due")}
    watched = {c.clutch for c in clutches if c.service == "watch"}
    worn = {f.clutch for f in likely if f.cause == "wear" and f.clutch} - watched - pressing
    matters = [f"{clutch} is wearing and wants watching" for clutch in sorted(watched)]
    return matters + [f"{clutch} has worn a good part of its allowance" for clutch in sorted(worn)]


def _happened(finding: Finding) -> str:
    word = certainty(finding.probability).split(",")[0].lower()
    return f"{word} {CHANGE_WORDS[finding.cause]}"


def _sentence(matters: list[str], changes: list[Finding], forecast: bool, last_read: date | None) -> str:
    """Join the matters; without any, say since when it is steady; `last_read` is set if long ago.

    `forecast` is False where no pack has volumes and a limit to be held against.
    """
    limits = NOT_NEAR if forecast else UNTOLD
    if matters:
        text = listed(matters[:MOST_MATTERS])
    elif changes:
        text = f"steady since {_newest(changes)}; {limits}"
    else:
        text = f"nothing has changed beyond noise{', and' if forecast else ';'} {limits}"
    if last_read:
        return f"As last read on {day(last_read)}: {text}."
    return f"{text[:1].upper()}{text[1:]}."


def _newest(changes: list[Finding]) -> str:
    """Give the month of the last changes and all that they were: one visit may do several things."""
    last = max(f.by for f in changes if f.by)
    same = sorted((f for f in changes if f.by == last), key=lambda f: -f.probability)
    return f"{month_name(last.year, last.month)}, when there was {listed([_happened(f) for f in same])}"
