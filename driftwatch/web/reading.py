"""What pages show: the store's content, taken out of it at once, and the assessment, made in the background.

Pages read from memory, and from a copy. When the store's file has changed it is copied, which takes a moment,
so that the command line can have it in between; while somebody writes it, pages show what it held before, and
say so.
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import pandas as pd

from driftwatch.api import Stamp, Store, copy_now, open_store, stamp_of
from driftwatch.assessment.results import UnitAnalysis
from driftwatch.errors import DriftwatchError, StoreBusy, StoreMissing, UsageError
from driftwatch.plain import frame_rows
from driftwatch.profile.model import Profile
from driftwatch.reporting.context.review import ReviewContext
from driftwatch.settings import Settings
from driftwatch.web.jobs import Job, Jobs
from driftwatch.wording import Wording

#: Assessments that are kept in memory: of the present day, and of days looked back at.
KEPT_DAYS = 3
#: Pictures and answers that are kept in memory, of units that were looked at of late.
KEPT_VALUES = 64
#: Seconds that the first look at a store waits for it; later ones have something to show meanwhile.
FIRST_WAIT = 5.0

Rows = tuple[dict[str, Any], ...]


@dataclass(frozen=True)
class Facts:
    """What the store holds, without readings.

    Attributes
    ----------
    stamp : tuple of int
        Of the file that was read.
    read_at : datetime
        When, UTC.
    settings : Settings
    today : date
        In the store's zone.
    units, events, quarantine, files : tuple of dict
        Plain rows, as the store's frames of the same names have them.
    profiles : dict
        Built-in and own, by name.

    """

    stamp: Stamp
    read_at: datetime
    settings: Settings
    today: date
    units: Rows
    events: Rows
    quarantine: Rows
    files: Rows
    profiles: dict[str, Profile]

    @property
    def sites(self) -> list[str]:
        """Where units are kept, in order."""
        return sorted({str(u["site"]) for u in self.units if u["site"]})


@dataclass(frozen=True)
class Assessed:
    """What is said of the fleet on one day, from one state of the store."""

    stamp: Stamp
    as_of: date
    units: dict[str, UnitAnalysis]
    fleet: ReviewContext


@dataclass(frozen=True)
class View:
    """What one request sees.

    Attributes
    ----------
    facts : Facts or None
        None where there is no store.
    is_busy : bool
        True if somebody is writing the store, and the facts may be from before.
    as_of : date or None
        The day that was asked for; None for the present one.
    said : Assessed or None
        None if there is none yet.
    job : Job or None
        The job that makes a newer one.

    """

    facts: Facts | None
    is_busy: bool
    as_of: date | None
    said: Assessed | None
    job: Job | None

    @property
    def is_fresh(self) -> bool:
        """True if the assessment is that of the facts."""
        return self.said is not None and self.facts is not None and self.said.stamp == self.facts.stamp


class Reader:
    """Keeps what was read of one store."""

    def __init__(self, db: Path, jobs: Jobs, scratch: Path) -> None:
        self._db, self._jobs, self._scratch = db, jobs, scratch
        self._copies = 0
        self._copy: Store | None = None
        #: Held while the copy is asked: a connection answers one question at a time.
        self._asking = threading.Lock()
        self._facts: Facts | None = None
        self._said: OrderedDict[date, Assessed] = OrderedDict()
        self._asked: dict[tuple[Stamp, date], int] = {}
        self._kept: OrderedDict[Any, Any] = OrderedDict()
        #: Held while the store is open in this process: it cannot be open in two ways at once.
        self.door = threading.Lock()
        self._lock = threading.Lock()

    def view(self, as_of: date | None = None) -> View:
        """Give what there is to show now, and have an assessment made where there is none of this state."""
        facts, is_busy = self.facts()
        if facts is None:
            return View(None, is_busy, as_of, None, None)
        if as_of is not None and as_of > facts.today:
            raise UsageError(f"{as_of} is in the future", "as of", "give a day that has been")
        day = as_of or facts.today
        with self._lock:
            said = self._said.get(day)
            if said is not None:
                self._said.move_to_end(day)
            if said is None and as_of is None:
                said = max(self._said.values(), key=lambda s: s.as_of, default=None)
        fresh = said is not None and said.stamp == facts.stamp and said.as_of == day
        job = None if fresh or not facts.units else self._assessing(facts, day)
        return View(facts, is_busy, as_of, said, job)

    def facts(self) -> tuple[Facts | None, bool]:
        """Give the store's content, and whether somebody is writing it just now.

        Raises
        ------
        StoreError
            If the store cannot be read, or (`StoreBusy`) nothing was read of it before.

        """
        stamp, known = stamp_of(self._db), self._facts
        if stamp is None:
            return None, False
        if known is not None and known.stamp == stamp and known.today == _today(known.settings.zone):
            return known, False
        if known is None:
            with self.door:
                if self._facts is None:
                    self._facts = self._read(FIRST_WAIT)
                return self._facts, False
        if not self.door.acquire(blocking=False):
            return known, True
        try:
            self._facts = self._read(0.0)
            return self._facts, False
        except StoreBusy:
            return known, True
        finally:
            self.door.release()

    def wording(self) -> Wording:
        """Give the way of writing that is set in the store; the usual one where it cannot be read."""
        with suppress(DriftwatchError):
            facts, _ = self.facts()
            return facts.settings.wording if facts else Wording()
        return Wording()

    def once(self, key: Any, make: Callable[[], Any]) -> Any:
        """Give a value that was made before for this key, or make it; the oldest are forgotten."""
        with self._lock:
            if key in self._kept:
                self._kept.move_to_end(key)
                return self._kept[key]
        value = make()
        with self._lock:
            self._kept[key] = value
            while len(self._kept) > KEPT_VALUES:
                self._kept.popitem(last=False)
        return value

    def ask(self, key: Any, question: Callable[[Store], Any]) -> Any:
        """Give the answer to a question about the store, as it was when the facts were read; asked once."""

        def asked() -> Any:
            with self._asking:
                if self._copy is None:
                    raise StoreBusy("the store is being written to")
                return question(self._copy)

        stamp = self._facts.stamp if self._facts else None
        return self.once((stamp, key), asked)

    def close(self) -> None:
        """Let go of the copy that is read from."""
        with self._asking:
            self._let_go(self._copy)
            self._copy = None

    def _read(self, wait: float) -> Facts:
        """Copy the store, which holds it for a moment only, and read the copy."""
        self._copies += 1
        place = self._scratch / f"reading-{self._copies}.duckdb"
        stamp = copy_now(self._db, place, wait)
        if stamp is None:
            raise StoreMissing("there is no store", str(self._db))
        store = open_store(place, read_only=True)
        facts = Facts(
            stamp=stamp,
            read_at=datetime.now(UTC),
            settings=store.settings,
            today=_today(store.settings.zone),
            units=_rows(store.unit_list()),
            events=_rows(store.events()),
            quarantine=_rows(store.quarantine()),
            files=_rows(store.files()),
            profiles=store.profiles(),
        )
        with self._asking:
            self._let_go(self._copy)
            self._copy = store
        return facts

    def _let_go(self, store: Store | None) -> None:
        if store is not None:
            store.close()
            store.path.unlink(missing_ok=True)
            store.path.with_name(f"{store.path.name}.wal").unlink(missing_ok=True)

    # --- the assessment --------------------------------------------------------------------------------

    def _assessing(self, facts: Facts, day: date) -> Job | None:
        """Give the job that assesses this state of the store as of a day, started if there is none.

        Those of earlier states that wait for their turn are let go of, so that many writes in a row are not
        followed by as many assessments.
        """
        with self._lock:
            key = (facts.stamp, day)
            if key in self._asked:
                return self._job(self._asked[key])
            for stamp, other in [k for k in self._asked if k[1] == day]:
                self._jobs.let_go(self._asked.pop((stamp, other)))
            gathered: dict[str, Any] = {"units": {}}
            job = self._jobs.start(
                "assess",
                f"assessing the fleet as of {day}",
                {"as_of": day.isoformat()},
                on_part=lambda part: self._gather(gathered, day, part),
            )
            self._asked[key] = job.id
            gathered["expected"] = len(facts.units)
            return job

    def _job(self, number: int) -> Job | None:
        jobs = {job.id: job for job in self._jobs.newest("assess")}
        return jobs.get(number)

    def _gather(self, gathered: dict[str, Any], day: date, part: tuple[str, Any]) -> None:
        """Take one part of an assessment; when the last unit is in, it is shown."""
        what, value = part
        if what == "unit":
            gathered["units"][value.assessment.unit] = value
        else:
            gathered[what] = value
        if what == "end":
            said = Assessed(gathered["stamp"], day, gathered["units"], gathered["fleet"])
            with self._lock:
                self._said[day] = said
                self._said.move_to_end(day)
                while len(self._said) > KEPT_DAYS:
                    self._said.popitem(last=False)


def _rows(frame: pd.DataFrame) -> Rows:
    return tuple(dict(row) for row in frame_rows(frame))


def _today(zone: str) -> date:
    from driftwatch.store import clock

    return clock.today(zone)
