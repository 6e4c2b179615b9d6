"""Findings against what stands at the end: kept, changed or gone; and how soon they were first said."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta

from driftwatch.assessment.backtest.observed import day_of
from driftwatch.assessment.backtest.results import Delay, Told
from driftwatch.assessment.backtest.said import SaidFinding
from driftwatch.panel.panel import Panel

#: How far two wear findings of one pack may differ in the start of its life and still be the same.
LIFE_SLACK = timedelta(days=62)


@dataclass(frozen=True)
class _Track:
    """One finding from month end to month end."""

    first: SaidFinding
    latest: SaidFinding
    times: int


def same_place(one: SaidFinding, other: SaidFinding) -> bool:
    """True if two findings of one unit speak of the same change, whatever they call it.

    Steps: their two days touch or overlap, so that one gap more or less between snapshots does not matter.
    Drifts: both are drifts. Wear: of the same pack, in the same life.
    """
    if one.unit != other.unit or one.clutch != other.clutch:
        return False
    if one.clutch:
        return one.after is None or other.after is None or abs(one.after - other.after) <= LIFE_SLACK
    if one.by is None or other.by is None:
        return one.by is other.by
    return (one.after or one.by) <= other.by and (other.after or other.by) <= one.by


def what_became(
    said: Sequence[SaidFinding], at_end: Sequence[SaidFinding], renewed: Iterable[tuple[str, str, date]]
) -> list[Told]:
    """Follow each finding through the month ends, and say what stands in its place at the end.

    Parameters
    ----------
    said : sequence of SaidFinding
        At all month ends, in their order.
    at_end : sequence of SaidFinding
        On the last day known.
    renewed : iterable of (unit, clutch, date)
        First day of each life that followed a rebuild.

    """
    starts = list(renewed)
    tracks = _tracks(said)
    kept = {n for n, track in enumerate(tracks) if any(_same(track.latest, f) for f in at_end)}
    together: dict[tuple[str, date], list[SaidFinding]] = {}
    for finding in said:
        together.setdefault((finding.unit, finding.origin), []).append(finding)
    return [
        _told(
            track,
            number in kept,
            _instead(track, together[track.latest.unit, track.latest.origin], at_end),
            starts,
        )
        for number, track in enumerate(tracks)
    ]


def delays_of(
    said: Sequence[SaidFinding], at_end: Sequence[SaidFinding], panels: dict[str, Panel], since: date
) -> list[Delay]:
    """Say how soon each step that stands at the end was first said.

    Parameters
    ----------
    said, at_end : sequence of SaidFinding
        At all month ends, and on the last day known.
    panels : dict
        Unit -> its readings as known at the end.
    since : date
        First month end. Changes first seen before it are left out: when they would have been said first is
        not known.

    """
    found = []
    for finding in at_end:
        if finding.by is None or finding.by <= since:
            continue
        first_on = next((f.origin for f in said if _same(f, finding)), finding.origin)
        after = finding.after or finding.by - timedelta(days=1)
        panel = panels[finding.unit]
        seen = sum(after < day_of(panel, i) <= first_on for i in range(len(panel.days)))
        found.append(
            Delay(
                finding.unit, finding.cause, finding.by, first_on, max((first_on - finding.by).days, 0), seen
            )
        )
    return found


def _same(one: SaidFinding, other: SaidFinding) -> bool:
    return one.cause == other.cause and same_place(one, other)


def _tracks(said: Sequence[SaidFinding]) -> list[_Track]:
    by_unit: dict[str, list[int]] = {}
    tracks: list[_Track] = []
    for finding in said:
        mine = by_unit.setdefault(finding.unit, [])
        found = next(
            (
                i
                for i in mine
                if tracks[i].latest.origin < finding.origin and _same(tracks[i].latest, finding)
            ),
            None,
        )
        if found is None:
            mine.append(len(tracks))
            tracks.append(_Track(finding, finding, 1))
        else:
            tracks[found] = replace(tracks[found], latest=finding, times=tracks[found].times + 1)
    return tracks


def _instead(
    track: _Track, together: Sequence[SaidFinding], at_end: Sequence[SaidFinding]
) -> SaidFinding | None:
    """Give what is said at the end in the place of a finding.

    A cause that was said beside it is not in its place: a visit may have had two causes.
    """
    beside = {f.cause for f in together if same_place(track.latest, f)}
    return next((f for f in at_end if same_place(track.latest, f) and f.cause not in beside), None)


def _told(
    track: _Track, kept: bool, instead: SaidFinding | None, renewed: Sequence[tuple[str, str, date]]
) -> Told:
    first, latest = track.first, track.latest
    became = ""
    if kept:
        fate = "kept"
    elif any(
        (unit, clutch) == (first.unit, first.clutch) and latest.after and day > latest.after + LIFE_SLACK
        for unit, clutch, day in renewed
    ):
        fate = "renewed"
    else:
        fate, became = ("gone", "") if instead is None else ("changed", instead.cause)
    return Told(
        unit=first.unit,
        cause=first.cause,
        clutch=first.clutch,
        after=first.after,
        by=first.by,
        first_on=first.origin,
        last_on=latest.origin,
        times=track.times,
        probability=first.probability,
        fate=fate,
        became=became,
    )
