"""The program with one of its parts switched off, to see what each part buys.

A switch takes something away from what the assessment is given (the log, the counts, the temperature), or
replaces one function of it by a simpler one. Nothing in the program knows of these switches.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from unittest.mock import patch

import numpy as np

from driftwatch.assessment import assess, judge
from driftwatch.causes import identify
from driftwatch.causes.learned import Logged
from driftwatch.causes.prior import LOG_IS_RIGHT
from driftwatch.causes.signatures import Family
from driftwatch.changes import design, estimates
from driftwatch.panel.noise import Fleet
from driftwatch.settings import Settings
from driftwatch.store.records import Records
from tests.bench.scoring import SaidLike

Change = Callable[[Records], Records]


def _no_log(records: Records) -> Records:
    return replace(records, events=records.events.iloc[:0])


def _no_counts(records: Records) -> Records:
    return replace(records, readings=records.readings.assign(learn_count=np.nan))


def _no_temperature(records: Records) -> Records:
    return replace(records, snapshots=records.snapshots.assign(fluid_temp_c=np.nan))


def _as_it_is(records: Records) -> Records:
    return records


@contextmanager
def _nothing_replaced() -> Iterator[None]:
    yield


@contextmanager
def _fleet(change: Callable[[Fleet], Fleet]) -> Iterator[None]:
    known = judge.fit_fleet
    with patch.object(judge, "fit_fleet", lambda *given: change(known(*given))):
        yield


def _plain_noise(fleet: Fleet) -> Fleet:
    """The same scatter, all of it each cell's own and without memory."""
    noise = {
        name: replace(
            n,
            white_sd=n.sd,
            learning_sd=0.0,
            wander_sd=0.0,
            common_white_sd=0.0,
            common_wander_sd=0.0,
            mode_wander_sd=0.0,
            season_sd=0.0,
        )
        for name, n in fleet.noise.items()
    }
    return replace(fleet, noise=noise)


def _signals_apart(fleet: Fleet) -> Fleet:
    return replace(fleet, across={})


def _learned_at_once(fleet: Fleet) -> Fleet:
    return replace(fleet, shifts_to_learn=1e-3)


@contextmanager
def _families(keep: Callable[[Family], bool]) -> Iterator[None]:
    known = judge.families
    with patch.object(judge, "families", lambda *given: tuple(f for f in known(*given) if keep(f))):
        yield


@contextmanager
def _general_signatures() -> Iterator[None]:
    with patch.object(judge, "learn_from_log", lambda *given: Logged({}, LOG_IS_RIGHT)):
        yield


@contextmanager
def _one_rate_of_learning() -> Iterator[None]:
    def as_counted(design):  # type: ignore[no-untyped-def]
        return np.ones(len(design.signal))

    with (
        patch.object(estimates, "LATE_SHARE", 1e-3),
        patch.object(estimates, "ROUGH_SHARE", 1e-3),
        patch.object(estimates, "less_known", as_counted),
    ):
        yield


@contextmanager
def _fleet_noise_for_all() -> Iterator[None]:
    ones = np.ones
    scales = design.unit_scales

    def as_fleet(panel, fleet, shifts):  # type: ignore[no-untyped-def]
        known = scales(panel, fleet, shifts)
        return replace(known, own=ones(len(known.own)), common=ones(len(known.common)))

    with patch.object(design, "unit_scales", as_fleet):
        yield


@contextmanager
def _faults_kept() -> Iterator[None]:
    with patch.object(judge, "without_faults", lambda panel, *given: panel):
        yield


@contextmanager
def _as_the_model_says() -> Iterator[None]:
    def same(probability: float, *given: object) -> float:
        return probability

    with patch.object(identify, "calibrated", same), patch.object(assess, "calibrated", same):
        yield


#: Name of the part that is switched off -> what is taken from the records, and what is replaced.
SWITCHES = {
    "log": (_no_log, _nothing_replaced),
    "learn counts": (_no_counts, _nothing_replaced),
    "temperature": (_no_temperature, _nothing_replaced),
    "noise model": (_as_it_is, lambda: _fleet(_plain_noise)),
    "noise across signals": (_as_it_is, lambda: _fleet(_signals_apart)),
    "own noise": (_as_it_is, _fleet_noise_for_all),
    "faults": (_as_it_is, _faults_kept),
    "learning lag": (_as_it_is, lambda: _fleet(_learned_at_once)),
    "lateness": (_as_it_is, _one_rate_of_learning),
    "bends": (_as_it_is, lambda: _families(lambda f: f.pattern.kind != "bend")),
    "pairs": (_as_it_is, lambda: _families(lambda f: len(f.causes) < 2)),
    "learned signatures": (_as_it_is, _general_signatures),
    "calibration": (_as_it_is, _as_the_model_says),
}


def without(part: str) -> Callable[[Records], Sequence[SaidLike]]:
    """Give a judge that is the program with one part switched off."""
    take_away, replaced = SWITCHES[part]

    def said_of(records: Records) -> Sequence[SaidLike]:
        with replaced():
            return [a.assessment for a in assess.analyse(take_away(records), Settings())]

    return said_of
