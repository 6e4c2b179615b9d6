"""Processes that can be killed at any moment: one that has everything loaded forks a child for each task.

Run as a program, it reads one task a line (JSON), forks, and prints the child's number; the child prints
`start` when its work begins and `done` when it has ended.
"""

from __future__ import annotations

import contextlib
import json
import os
import select
import signal
import subprocess
import sys
import time
from pathlib import Path

ROOT = Path(__file__).parents[2]

#: A slow step after the present ones, so that a migration can be killed in the middle.
SLOW_STEP = """
CREATE TABLE slow AS SELECT r.*, i AS copy FROM readings r, range(40) t(i);
ALTER TABLE slow ADD COLUMN more VARCHAR DEFAULT 'x';
UPDATE slow SET more = CAST(line AS VARCHAR) || ' ' || copy;
UPDATE readings SET source = source || '+';
"""


def steps():
    """Give the program's migrations, and the slow one after them."""
    from driftwatch.store import migrate

    present = migrate.known()
    return (*present, migrate.Migration(present[-1].number + 1, "slow", SLOW_STEP))


def work(task):
    """Do one task; called in the child."""
    from driftwatch.intake.batch import read_batches
    from driftwatch.store import backup, migrate
    from driftwatch.store.database import Database

    kind = task["do"]
    if kind == "import":
        with Database.open(task["store"]) as db:
            for file in task["files"]:
                db.import_batches(read_batches(file))
    elif kind == "migrate":
        known = steps()
        migrate.known = lambda: known
        Database.open(task["store"]).close()
    elif kind == "backup":
        backup.backup(task["store"], task["target"])
    elif kind == "read":
        until = time.monotonic() + task["seconds"]
        while time.monotonic() < until:
            with Database.open(task["store"], read_only=True, wait=60) as db:
                counts = db._con.execute(task["query"]).fetchall()
            tell(json.dumps(counts))
    else:
        raise ValueError(kind)


def tell(word):
    """Write a line in one piece: several processes share the pipe."""
    os.write(1, word.encode() + b"\n")


def serve():
    """Fork a child for each task that comes in."""
    import duckdb  # noqa: F401 - loaded before the fork, so that a child starts at once
    import pandas  # noqa: F401
    import pyarrow.csv  # noqa: F401

    import driftwatch.store.database  # noqa: F401

    signal.signal(signal.SIGCHLD, signal.SIG_IGN)
    for line in sys.stdin:
        task = json.loads(line)
        child = os.fork()
        if child:
            tell(str(child))
            continue
        tell("start")
        work(task)
        tell("done")
        os._exit(0)


class Forker:
    """The other side: starts tasks, and kills them or waits for them."""

    def __init__(self):
        self._process = subprocess.Popen(
            [sys.executable, "-m", "tests.store.children"],
            cwd=ROOT,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            bufsize=0,
        )
        self._rest = b""

    def close(self):
        self._process.stdin.close()
        self._process.wait(timeout=30)
        self._process.stdout.close()

    def run(self, task, kill_after=None, timeout=120.0):
        """Do a task; give how long it took, or None if it was killed before it had ended."""
        self._process.stdin.write(json.dumps(task).encode() + b"\n")
        child = None
        started = None
        ended = False
        until = time.monotonic() + timeout
        while not (ended and child is not None):
            now = time.monotonic()
            if (
                started is not None
                and child is not None
                and kill_after is not None
                and now >= started + kill_after
            ):
                with contextlib.suppress(ProcessLookupError):
                    os.kill(child, signal.SIGKILL)
                _gone(child)
                self._drain()
                return None
            assert now < until, "a child did not end"
            pause = 0.05 if kill_after is None or started is None else max(0.0, started + kill_after - now)
            for word in self._words(min(pause, 0.05)):
                if word == "start":
                    started = time.monotonic()
                elif word == "done":
                    ended = True
                else:
                    child = int(word)
        _gone(child)
        return time.monotonic() - started

    def _words(self, pause):
        ready, _, _ = select.select([self._process.stdout], [], [], pause)
        if not ready:
            return []
        data = os.read(self._process.stdout.fileno(), 65536)
        assert data, "the forking process has ended"
        *lines, self._rest = (self._rest + data).split(b"\n")
        return [line.decode() for line in lines]

    def _drain(self):
        while self._words(0.0):
            pass
        self._rest = b""


def _gone(child):
    """Wait until a process is no more."""
    while True:
        try:
            os.kill(child, 0)
        except ProcessLookupError:
            return
        time.sleep(0.002)


if __name__ == "__main__":
    serve()
