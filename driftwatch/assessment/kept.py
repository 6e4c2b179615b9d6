"""What was worked out before, in a file beside the store: only units with news are worked out again.

Every entry has a mark of all that it depends on: the unit's readings and log, what was learned from the
fleet, the settings and the program itself. So nothing here can be out of date, and the file can be deleted
at any time; it is then made anew. A file that cannot be read or written is done without.
"""

from __future__ import annotations

import hashlib
import sqlite3
from collections.abc import Iterable, Sequence
from contextlib import closing
from dataclasses import dataclass, fields
from functools import lru_cache
from pathlib import Path
from typing import TypeVar

import numpy as np
import scipy

from driftwatch.assessment.coding import Coding
from driftwatch.assessment.judge import FleetQuantities, Judged, learn_fleet
from driftwatch.causes.learned import LearnedSignature, Logged
from driftwatch.causes.results import CauseFinding, SignalEffect
from driftwatch.changes.results import Change, UnitFit
from driftwatch.panel.fingerprint import content_mark
from driftwatch.panel.noise import Fleet, SignalNoise, Use
from driftwatch.panel.panel import Event, Misnoted, Panel
from driftwatch.service.growth import RatePrior
from driftwatch.service.results import PackForecast
from driftwatch.service.states import Standing
from driftwatch.settings import Settings

#: Entries of a unit that are kept: a review looks at two month ends, and somebody at a third day.
EACH = 3
#: What every unit of the fleet hangs on is kept under this name, which no unit has.
FLEET = ""
#: Seconds to wait for another process that has the file.
PATIENCE = 5.0
#: Marks asked for at a time; SQLite takes a limited number of parameters.
ASKED = 500
#: The blocks whose code an entry depends on.
BLOCKS = ("panel", "changes", "causes", "service", "assessment")
#: Settings that only say how things are told.
TELLING = ("units", "dates", "zone", "stale_days")

T = TypeVar("T")

CODING = Coding(
    (
        Judged, UnitFit, Change, CauseFinding, SignalEffect, Event, Misnoted, PackForecast, Standing,
        FleetQuantities, Fleet, SignalNoise, Use, RatePrior, LearnedSignature, Logged,
    )
)  # fmt: skip


@dataclass(frozen=True)
class Kept:
    """A file of what was worked out.

    Parameters
    ----------
    path : Path
        Made when something is first kept.

    """

    path: Path

    def present(self, marks: Sequence[str]) -> set[str]:
        """Give those of the marks under which something is kept."""
        if not self.path.exists():
            return set()
        found: set[str] = set()
        try:
            with closing(self._opened()) as file, file:
                for start in range(0, len(marks), ASKED):
                    some = marks[start : start + ASKED]
                    places = ",".join("?" * len(some))
                    rows = file.execute(f"SELECT mark FROM kept WHERE mark IN ({places})", some)
                    found.update(mark for (mark,) in rows)
        except sqlite3.DatabaseError as wrong:
            self._give_up(wrong)
        return found

    def text(self, mark: str) -> str | None:
        """Give what is kept under a mark, None if nothing is."""
        if not self.path.exists():
            return None
        try:
            with closing(self._opened()) as file, file:
                row = file.execute("SELECT text FROM kept WHERE mark = ?", (mark,)).fetchone()
        except sqlite3.DatabaseError as wrong:
            self._give_up(wrong)
            return None
        return str(row[0]) if row else None

    def add(self, made: Iterable[tuple[str, str, str]]) -> None:
        """Keep texts, each with its mark and its unit: (mark, unit, text)."""
        try:
            with closing(self._opened()) as file, file:
                now = _turn(file)
                rows = ((mark, unit, now, text) for mark, unit, text in made)
                file.executemany("INSERT OR REPLACE INTO kept VALUES (?, ?, ?, ?)", rows)
        except sqlite3.DatabaseError as wrong:
            self._give_up(wrong)

    def tidy(self, used: Iterable[str], units: Iterable[str]) -> None:
        """Let go of what was not used for longest, and of what belongs to units that are no more.

        Parameters
        ----------
        used : iterable of str
            Marks that were found and served.
        units : iterable of str
            All units there are.

        """
        try:
            with closing(self._opened()) as file, file:
                now = _turn(file)
                file.executemany("UPDATE kept SET turn = ? WHERE mark = ?", ((now, mark) for mark in used))
                file.execute(
                    "DELETE FROM kept WHERE mark IN (SELECT mark FROM (SELECT mark, row_number() OVER"
                    " (PARTITION BY unit ORDER BY turn DESC) AS place FROM kept) WHERE place > ?)",
                    (EACH,),
                )
                file.execute("CREATE TEMP TABLE present (unit TEXT PRIMARY KEY)")
                rows = ((unit,) for unit in (FLEET, *units))
                file.executemany("INSERT OR IGNORE INTO present VALUES (?)", rows)
                file.execute("DELETE FROM kept WHERE unit NOT IN (SELECT unit FROM present)")
        except sqlite3.DatabaseError as wrong:
            self._give_up(wrong)

    def _opened(self) -> sqlite3.Connection:
        file = sqlite3.connect(self.path, timeout=PATIENCE)
        file.execute(
            "CREATE TABLE IF NOT EXISTS kept (mark TEXT PRIMARY KEY, unit TEXT, turn INTEGER, text TEXT)"
        )
        return file

    def _give_up(self, wrong: sqlite3.DatabaseError) -> None:
        """Do without the file; away with it where it is not just busy or protected, but damaged."""
        if not isinstance(wrong, sqlite3.OperationalError):
            self.path.unlink(missing_ok=True)


def _turn(file: sqlite3.Connection) -> int:
    """Give the number of what is being done: higher than that of all that was done before."""
    return int(file.execute("SELECT coalesce(max(turn), 0) + 1 FROM kept").fetchone()[0])


def fleet_known(panels: list[Panel], settings: Settings, kept: Kept | None) -> tuple[FleetQuantities, str]:
    """Give what is learned from panels, from the file where it has that, and the mark of it."""
    digest = hashlib.sha256(f"{_program()} {settings.shifts_to_learn}".encode())
    for mark in sorted(content_mark(p) for p in panels):
        digest.update(mark)
    whole = digest.hexdigest()
    known = _read(kept.text(whole) if kept else None, FleetQuantities)
    if known is None:
        known = learn_fleet(panels, settings)
        if kept:
            kept.add([(whole, FLEET, CODING.text(known))])
    return known, whole


def unit_marks(panels: Sequence[Panel], fleet_mark: str, settings: Settings) -> list[str]:
    """Give the mark of each unit's work: of its own content and of all else that it depends on."""
    judging = [f.name for f in fields(settings) if f.name not in TELLING]
    values = " ".join(f"{name}={getattr(settings, name)!r}" for name in judging)
    start = hashlib.sha256(f"{_program()} {fleet_mark} {values}".encode())
    marks = []
    for panel in panels:
        digest = start.copy()
        digest.update(content_mark(panel))
        marks.append(digest.hexdigest())
    return marks


def judged_from(text: str | None) -> Judged | None:
    """Give the work that a text stands for; None if there is none, or it is damaged."""
    return _read(text, Judged)


def _read(text: str | None, kind: type[T]) -> T | None:
    try:
        thing = CODING.thing(text) if text is not None else None
    except ValueError:
        return None
    return thing if isinstance(thing, kind) else None


@lru_cache(maxsize=1)
def _program() -> str:
    """Mark of the code that works things out, so that another version of it starts anew."""
    home = Path(__file__).parent.parent
    digest = hashlib.sha256(f"{np.__version__} {scipy.__version__}".encode())
    for block in BLOCKS:
        for source in sorted((home / block).rglob("*.py")):
            digest.update(source.read_bytes())
    return digest.hexdigest()
