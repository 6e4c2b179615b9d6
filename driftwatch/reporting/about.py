"""The footer of every report: day, version, data, the limits used and where from, cautions."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

from driftwatch.assessment.assess import made_by
from driftwatch.assessment.results import UnitAnalysis
from driftwatch.panel.fingerprint import fingerprint
from driftwatch.reporting import sentences
from driftwatch.reporting.parts import About, LimitUsed


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
    listed = tuple(sorted(limits.values(), key=lambda u: (u.profile, u.clutch, u.limit_cm3)))
    invented = sorted({u.profile_title for u in listed if u.illustrative})
    warning = (
        f"The service limits of {' and '.join(invented)} are example values, not those of a real "
        f"transmission. "
        "Every date and distance to a limit on this page rests on them. Put the limits of your own service "
        "literature into the profile before acting on any of it."
        if invented
        else ""
    )
    return About(
        as_of=as_of,
        made_by=made_by(),
        fingerprint=fingerprint(a.panel for a in analyses),
        limits=listed,
        warning=warning,
        cautions=sentences.CAUTIONS,
        terms=tuple((t, sentences.TERMS[t]) for t in terms),
    )
