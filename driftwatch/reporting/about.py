"""The footer of every report: day, version, data, the limits used and where from, cautions."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date

from driftwatch.assessment.assess import made_by
from driftwatch.assessment.results import UnitAnalysis
from driftwatch.panel.fingerprint import fingerprint
from driftwatch.reporting import sentences
from driftwatch.reporting.outlooks import volumes_read
from driftwatch.reporting.parts import About, LimitUsed
from driftwatch.wording import listed


def about(analyses: Sequence[UnitAnalysis], as_of: date, terms: Sequence[str]) -> About:
    """Build the footer.

    Parameters
    ----------
    analyses : sequence of UnitAnalysis
        The units on the page; each profile's limits are listed once, where they differ.
    as_of : date
        Last day known.
    terms : sequence of str
        Keys of `sentences.TERMS` to explain on the page.

    """
    limits: dict[tuple[str, str, float], LimitUsed] = {}
    for analysis in analyses:
        profile = analysis.panel.profile
        for outlook in analysis.assessment.clutches:
            used = LimitUsed(
                profile.name,
                profile.title or profile.name,
                outlook.clutch,
                outlook.limit_cm3,
                outlook.limit_source or profile.limit_source or "not stated in the profile",
                profile.illustrative,
            )
            limits.setdefault((used.profile, used.clutch, used.limit_cm3), used)
    in_use = tuple(sorted(limits.values(), key=lambda u: (u.profile, u.clutch, u.limit_cm3)))
    return About(
        as_of=as_of,
        made_by=made_by(),
        fingerprint=fingerprint(a.panel for a in analyses),
        limits=in_use,
        warning=_warning(analyses, in_use),
        cautions=sentences.CAUTIONS,
        terms=tuple((t, sentences.TERMS[t]) for t in terms),
    )


def used_terms(texts: Iterable[str], terms: Sequence[str]) -> tuple[str, ...]:
    """Give those of some words of the trade that a page's texts use."""
    said = " ".join(" ".join(text.split()) for text in texts).lower()
    return tuple(term for term in terms if term in said)


def _warning(analyses: Sequence[UnitAnalysis], limits: Sequence[LimitUsed]) -> str:
    """Say loudly that limits are only examples: those used, and those of packs that wait for a forecast."""
    used = {u.profile_title for u in limits if u.illustrative}
    profiles = [a.panel.profile for a in analyses if volumes_read(a)]
    invented = sorted(used | {p.title or p.name for p in profiles if p.illustrative})
    if not invented:
        return ""
    rests = (
        "All that is said here of an allowance, and of a limit and when it is reached, rests on them."
        if used
        else "There is no forecast here yet that rests on them."
    )
    return (
        f"The service limits of {listed(invented)} are example values, not those of a real transmission. "
        f"{rests} Put the limits of your own service literature into the profile before acting on any of it."
    )
