"""One function over many units, on all processors where that pays.

Processes are forked, so that nothing has to be sent to them; where the system cannot fork, or has one
processor, or the units are few, everything runs in this process. The results are the same either way.
"""

from __future__ import annotations

import multiprocessing
import os
from collections.abc import Callable, Iterator
from typing import Any, TypeVar

from driftwatch.wording import Wording, wording, written

#: With fewer units, starting processes costs more than it saves.
LEAST_UNITS = 60
#: Units handed to a process at a time.
CHUNK = 8

T = TypeVar("T")


def each(work: Callable[[int], T], count: int) -> Iterator[T]:
    """Give what some work makes of 0, 1, ..., in order, as they are done."""
    processes = _processors() if _may_fork() else 1
    if processes < 2 or count < LEAST_UNITS:
        yield from map(work, range(count))
        return
    context = multiprocessing.get_context("fork")
    with context.Pool(processes, initializer=_take, initargs=(work, wording())) as pool:
        yield from pool.imap(_do, range(count), CHUNK)


def _may_fork() -> bool:
    """Not every system can, and a worker of somebody else's pool may not."""
    able = "fork" in multiprocessing.get_all_start_methods()
    return able and not multiprocessing.current_process().daemon


def _processors() -> int:
    try:
        return len(os.sched_getaffinity(0))
    except AttributeError:  # not every system tells which processors may be used
        return os.cpu_count() or 1


_work: tuple[Callable[[int], Any], Wording]


def _take(work: Callable[[int], Any], how: Wording) -> None:
    """Keep what a forked process works on; inherited, not copied."""
    global _work
    _work = (work, how)


def _do(number: int) -> Any:
    work, how = _work
    with written(how):
        return work(number)
