"""What jobs do, each in a process of its own; they tell the page by a pipe how far they are.

Work that takes long is done on a copy of the store, so that nobody has to wait for it.
"""

from __future__ import annotations

import contextlib
import os
import signal
import tempfile
import threading
import time
import traceback
from collections.abc import Callable
from multiprocessing import parent_process
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

from driftwatch.api import Store, analyse_store, lent_copy, open_store
from driftwatch.errors import DriftwatchError
from driftwatch.reporting.review import build_review
from driftwatch.web import taking
from driftwatch.wording import written

#: Seconds between two words about progress, and for which a job waits for the store.
TELL_EVERY, WAIT = 0.2, 600.0
#: Set to any text to see where in the program a fault happened.
DEBUG = "DRIFTWATCH_DEBUG"


class Teller:
    """How a job tells the page what it does."""

    def __init__(self, pipe: Connection, by: str, scratch: Path) -> None:
        self._pipe, self._last, self.by, self.scratch = pipe, 0.0, by, scratch

    def progress(self, what: str, done: int, total: int) -> None:
        """Tell how far it is; a file that was imported whole is told as finished."""
        now = time.monotonic()
        if done == total and what.startswith("importing "):
            self._pipe.send(("finished", what.removeprefix("importing ")))
        if now - self._last >= TELL_EVERY or done == total:
            self._last = now
            self._pipe.send(("progress", (what, done, total)))

    def part(self, value: Any) -> None:
        """Hand one object over."""
        self._pipe.send(("part", value))


def child(kind: str, db: str, args: dict[str, Any], scratch: str, by: str, pipe: Connection) -> None:
    """Do one job; the first function of its process."""
    _belong_to_the_page()
    tempfile.tempdir = scratch
    ended: tuple[str, Any]
    try:
        ended = ("result", WORK[kind](Path(db), args, Teller(pipe, by, Path(scratch))))
    except DriftwatchError as error:
        ended = ("error", str(error))
    except Exception as error:  # noqa: BLE001 - the edge of the process: whatever it is, it is told as one line
        if os.environ.get(DEBUG):
            traceback.print_exception(error)
        ended = (
            "error",
            f"a fault in the program ({type(error).__name__}) - set {DEBUG}=1 to see where, and report it",
        )
    with contextlib.suppress(OSError):
        pipe.send(ended)
        pipe.close()


def _belong_to_the_page() -> None:
    """Make a group of processes that ends when the page does; the keyboard stops the page alone."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    if hasattr(os, "setsid"):
        os.setsid()
    page = parent_process()
    if page is None:
        return

    def end_with_it() -> None:
        page.join()
        if hasattr(os, "killpg"):
            os.killpg(0, signal.SIGKILL)
        os._exit(1)

    threading.Thread(target=end_with_it, daemon=True).start()


def assess(db: Path, args: dict[str, Any], tell: Teller) -> dict[str, Any]:
    """Assess the fleet as of a day; hand over the stamp of what was read, each unit, and the fleet's page."""
    found = analyse_store(db, args["as_of"], wait=WAIT, progress=tell.progress)
    tell.part(("stamp", found.stamp))
    month = f"{found.as_of:%Y-%m}"
    with written(found.settings.wording):
        fleet = build_review(found.analyses, None, month, found.settings, found.as_of)
    tell.part(("fleet", fleet))
    for analysis in found.analyses:
        tell.part(("unit", analysis))
    tell.part(("end", None))
    return {"units": len(found.analyses), "as_of": found.as_of.isoformat()}


def review(db: Path, args: dict[str, Any], tell: Teller) -> dict[str, Any]:
    """Write the fleet's report of a month."""
    return _reported(
        db,
        args,
        tell.by,
        lambda store, folder: store.review(
            args["month"], folder, backtest=bool(args["record"]), progress=tell.progress
        ),
    )


def followup(db: Path, args: dict[str, Any], tell: Teller) -> dict[str, Any]:
    """Write the shop's report after a change."""
    since = args["event"] or args["day"]
    return _reported(
        db,
        args,
        tell.by,
        lambda store, folder: store.followup(
            args["unit"], since, folder, as_of=args["as_of"], progress=tell.progress
        ),
    )


def explain(db: Path, args: dict[str, Any], tell: Teller) -> dict[str, Any]:
    """Write the owner's page."""
    return _reported(
        db,
        args,
        tell.by,
        lambda store, folder: store.explain(
            args["unit"],
            event=args["event"],
            on=args["day"],
            folder=folder,
            as_of=args["as_of"],
            progress=tell.progress,
        ),
    )


def _reported(
    db: Path, args: dict[str, Any], by: str, write: Callable[[Store, Path], list[Path]]
) -> dict[str, Any]:
    """Write a report from a copy of the store, and give its files once all of them are there."""
    target = Path(args["target"])
    with lent_copy(db, WAIT) as copy, open_store(copy, read_only=True, by=by) as store:
        made = write(store, copy.parent / "report")
        target.mkdir(mode=0o700)
        for path in made:
            path.replace(target / path.name)
    return {"files": [path.name for path in made]}


WORK: dict[str, Callable[[Path, dict[str, Any], Teller], dict[str, Any]]] = {
    "assess": assess,
    "look": taking.look,
    "columns": taking.columns,
    "import": taking.take,
    "demo": taking.demo,
    "review": review,
    "followup": followup,
    "explain": explain,
}
