"""Long work in processes of its own: it is waited for, told of, stopped, and remembered.

A job runs in one of three lanes, one job at a time in each, so that reading pages are never held up and two
imports never get into each other's way. What became of it is kept as a file; a job that was not finished when
the page ended is told as broken off.
"""

from __future__ import annotations

import contextlib
import json
import multiprocessing
import os
import queue
import shutil
import signal
import threading
from collections.abc import Callable
from dataclasses import asdict, dataclass, field, replace
from datetime import UTC, datetime
from multiprocessing import forkserver
from multiprocessing.connection import Connection
from multiprocessing.process import BaseProcess
from pathlib import Path
from typing import Any

from driftwatch.errors import UnknownName
from driftwatch.plain import plain
from driftwatch.web import work
from driftwatch.web.folder import PageFolder

#: Kind of job -> the lane it runs in.
LANES = {
    "look": "look", "columns": "look", "import": "write", "demo": "write",
    "assess": "think", "review": "think", "followup": "think", "explain": "think",
}  # fmt: skip
#: Finished jobs that are kept; older ones go, with what they made.
KEPT = 60
#: Kinds of which nothing is kept when they are over, and how many of them are remembered until then.
PASSING, PASSING_KEPT = ("assess", "columns"), 20
#: Seconds between looks at whether a job was cancelled.
PAUSE = 0.1
UNFINISHED = ("waiting", "running")


@dataclass(frozen=True)
class Job:
    """One piece of long work.

    Attributes
    ----------
    id : int
    kind : str
        A key of `LANES`.
    title : str
        What it is, in words.
    args : dict
        What it was told; plain values.
    state : {"waiting", "running", "done", "failed", "cancelled", "broken"}
        `broken`: the page ended before it did.
    made_at, started_at, ended_at : str
        UTC, ISO 8601; "" if not yet.
    by : str
        Who asked for it.
    doing : str
        What is being done.
    done, total : int
        How much of that is done, and how much there is.
    finished : tuple of str
        Files that were taken whole by then.
    result : dict
        What came of it; plain values.
    error : str
        Why it failed, in one line.

    """

    id: int
    kind: str
    title: str
    args: dict[str, Any]
    state: str = "waiting"
    made_at: str = ""
    started_at: str = ""
    ended_at: str = ""
    by: str = ""
    doing: str = ""
    done: int = 0
    total: int = 0
    finished: tuple[str, ...] = ()
    result: dict[str, Any] = field(default_factory=dict)
    error: str = ""

    @property
    def is_over(self) -> bool:
        """True if nothing more will come of it."""
        return self.state not in UNFINISHED


class Jobs:
    """All jobs of one page.

    Parameters
    ----------
    folder : PageFolder
        Held by this process.
    db : Path
        The store that the jobs are about.

    """

    def __init__(self, folder: PageFolder, db: Path) -> None:
        self._folder, self._db = folder, db
        self._lock = threading.RLock()
        self._jobs: dict[int, Job] = {}
        self._parts: dict[int, Callable[[Any], None]] = {}
        self._cancelled: set[int] = set()
        self._closing = threading.Event()
        self._ended = threading.Condition(self._lock)
        self._lanes: dict[str, queue.Queue[int | None]] = {
            lane: queue.Queue() for lane in set(LANES.values())
        }
        self._threads: list[threading.Thread] = []
        self._context = _context()
        self._read_kept()
        self._last = max(self._jobs, default=0)

    # --- asked by pages --------------------------------------------------------------------------------

    def start(
        self,
        kind: str,
        title: str,
        args: dict[str, Any],
        by: str = "",
        on_part: Callable[[Any], None] | None = None,
    ) -> Job:
        """Put a job in its lane, and give it.

        Parameters
        ----------
        kind : str
            A key of `LANES`.
        title : str
            What it is, in words.
        args : dict
            Plain values for the function of that name in `driftwatch.web.work`.
        by : str
            Who asks for it.
        on_part : callable, optional
            Given each object that the job hands back while it runs.

        """
        with self._lock:
            self._last += 1
            job = Job(self._last, kind, title, args, made_at=_now(), by=by)
            self._jobs[job.id] = job
            if on_part is not None:
                self._parts[job.id] = on_part
            self._keep(job)
            self._run_lanes()
        self._lanes[LANES[kind]].put(job.id)
        return job

    def get(self, number: int) -> Job:
        """Give a job as it is now; `UnknownName` if there is none."""
        with self._lock:
            if number not in self._jobs:
                raise UnknownName(f"there is no job {number}", do="the newest are on the page Jobs")
            return self._jobs[number]

    def newest(self, *kinds: str) -> list[Job]:
        """Give the jobs of some kinds (all, if none is named), newest first."""
        with self._lock:
            return [j for _, j in sorted(self._jobs.items(), reverse=True) if not kinds or j.kind in kinds]

    def cancel(self, number: int) -> Job:
        """Stop a job; one that is over stays as it is."""
        with self._lock:
            job = self.get(number)
            if not job.is_over:
                self._cancelled.add(number)
                if job.state == "waiting":
                    self._end(number, "cancelled")
        return self.wait(number, 10.0)

    def let_go(self, number: int) -> None:
        """Take a job back that nobody wants any more, if it has not begun; one that is running runs on."""
        with self._lock:
            if number in self._jobs and self._jobs[number].state == "waiting":
                self._end(number, "cancelled")

    def wait(self, number: int, seconds: float) -> Job:
        """Give a job when it is over, or after so many seconds as it is then."""
        with self._ended:
            self._ended.wait_for(lambda: self.get(number).is_over, seconds)
            return self.get(number)

    def close(self) -> None:
        """Stop everything; what was not finished is told as broken off."""
        self._closing.set()
        for lane in self._lanes.values():
            lane.put(None)
        for thread in self._threads:
            thread.join(10.0)
        with self._lock:
            for job in self.newest():
                if not job.is_over:
                    self._end(job.id, "broken")

    # --- lanes -----------------------------------------------------------------------------------------

    def _run_lanes(self) -> None:
        if self._threads or self._closing.is_set():
            return
        for name, lane in self._lanes.items():
            thread = threading.Thread(target=self._run_lane, args=(lane,), name=f"lane {name}", daemon=True)
            thread.start()
            self._threads.append(thread)

    def _run_lane(self, lane: queue.Queue[int | None]) -> None:
        while (number := lane.get()) is not None and not self._closing.is_set():
            if not self.get(number).is_over:
                self._run(number)

    def _run(self, number: int) -> None:
        job = self._change(number, state="running", started_at=_now())
        scratch = self._folder.scratch / str(number)
        scratch.mkdir(mode=0o700, exist_ok=True)
        here, there = self._context.Pipe(duplex=False)
        told = (job.kind, str(self._db), self._placed(job.args), str(scratch), job.by)
        process = self._context.Process(target=work.child, args=(*told, there), name=f"job {number}")
        process.start()
        there.close()
        try:
            state = self._listen(number, here, process)
        finally:
            _stop(process, at_once=number in self._cancelled or self._closing.is_set())
            here.close()
            shutil.rmtree(scratch, ignore_errors=True)
        self._end(number, state)

    def _placed(self, args: dict[str, Any]) -> dict[str, Any]:
        """Name the folders that a job reads from and writes to, which pages know by a number only."""
        places = {"folder": ("target", self._folder.reports), "upload": ("source", self._folder.uploads)}
        found = {new: str(at / str(args[old])) for old, (new, at) in places.items() if args.get(old)}
        return {**args, **found}

    def _listen(self, number: int, here: Connection, process: BaseProcess) -> str:
        """Take what the process tells until it is over; give the state it ends in."""
        while True:
            if number in self._cancelled:
                return "cancelled"
            if self._closing.is_set():
                return "broken"
            if not here.poll(PAUSE):
                if process.is_alive() or here.poll(0):
                    continue
                return self._failed(number, "the work ended without a word, as if it was killed")
            try:
                what, told = here.recv()
            except (EOFError, OSError):
                return self._failed(number, "the work ended without a word, as if it was killed")
            if what == "progress":
                doing, done, total = told
                self._change(number, keep=False, doing=doing, done=done, total=total)
            elif what == "finished":
                self._change(number, finished=(*self.get(number).finished, told))
            elif what == "part":
                part = self._parts.get(number)
                if part is not None:
                    part(told)
            elif what == "error":
                return self._failed(number, told)
            else:
                self._change(number, result=told)
                return "done"

    def _failed(self, number: int, line: str) -> str:
        self._change(number, error=line)
        return "failed"

    # --- memory ----------------------------------------------------------------------------------------

    def _change(self, number: int, keep: bool = True, **changes: Any) -> Job:
        with self._lock:
            job = self._jobs[number] = replace(self._jobs[number], **changes)
            if keep:
                self._keep(job)
            return job

    def _end(self, number: int, state: str) -> None:
        with self._ended:
            self._change(number, state=state, ended_at=_now())
            self._parts.pop(number, None)
            self._cancelled.discard(number)
            self._forget_old()
            self._ended.notify_all()

    def _keep(self, job: Job) -> None:
        """Write a job's file, but for what is made anew when it is wanted."""
        if job.kind in PASSING:
            return
        place = self._folder.jobs / f"{job.id}.json"
        partial = place.with_suffix(".partial")
        with contextlib.suppress(OSError):  # a full disk must not stop the job itself
            partial.write_text(json.dumps(plain(asdict(job)), ensure_ascii=False), encoding="utf-8")
            partial.replace(place)

    def _read_kept(self) -> None:
        for place in self._folder.jobs.glob("*.json"):
            try:
                told = json.loads(place.read_text(encoding="utf-8"))
                job = Job(**{**told, "finished": tuple(told["finished"])})
            except (OSError, ValueError, TypeError, KeyError):
                continue  # not one of ours, or half written by a system that stopped
            self._jobs[job.id] = job
            if not job.is_over:
                self._change(job.id, state="broken", ended_at=_now())

    def _forget_old(self) -> None:
        """Let go of the oldest jobs that are over, and of what they made."""
        over = [j for j in self.newest() if j.is_over]
        passing = [j for j in over if j.kind in PASSING][PASSING_KEPT:]
        rest = [j for j in over if j.kind not in PASSING][KEPT:]
        for job in (*passing, *rest):
            del self._jobs[job.id]
            (self._folder.jobs / f"{job.id}.json").unlink(missing_ok=True)
            for name, folder in (("folder", self._folder.reports), ("upload", self._folder.uploads)):
                own = job.args.get(name)
                if own and all(own != j.args.get(name) for j in self._jobs.values()):
                    shutil.rmtree(folder / str(own), ignore_errors=True)


def _context() -> Any:
    """Fork from a process that has everything loaded and does nothing else, where the system can."""
    if "forkserver" not in multiprocessing.get_all_start_methods():
        return multiprocessing.get_context("spawn")
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(["driftwatch.web.work"])
    forkserver.ensure_running()  # it loads while the page starts, so that the first job need not wait for it
    return context


def _stop(process: BaseProcess, at_once: bool) -> None:
    """End a process and those it has started; a store that it was writing stays as it was before."""
    if not at_once:
        process.join(0.2)
    if process.is_alive() and process.pid is not None:
        with contextlib.suppress(OSError):
            if hasattr(os, "killpg"):
                os.killpg(process.pid, signal.SIGKILL)
        process.kill()
    process.join(10.0)


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="seconds")
