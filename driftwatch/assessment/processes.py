"""One function over many units, on all processors where that pays.

Processes are forked, so that nothing has to be sent to them; where the system cannot fork, or has one
processor, or the units are few, everything runs in this process. The results are the same either way.
"""

from __future__ import annotations

import multiprocessing
import os
from collections.abc import Callable, Iterator, Sequence

from driftwatch.assessment.results import UnitAnalysis, UnitAssessment
from driftwatch.changes.results import UnitFit
from driftwatch.panel.panel import Panel
from driftwatch.wording import Wording, wording, written

#: With fewer units, starting processes costs more than it saves.
LEAST_UNITS = 60
#: Units handed to a process at a time.
CHUNK = 8

Judge = Callable[[Panel], UnitAnalysis]


def each(judge: Judge, panels: Sequence[Panel]) -> Iterator[UnitAnalysis]:
    """Give the analysis of each panel, in order, as they are done."""
    processes = _processors() if _may_fork() else 1
    if processes < 2 or len(panels) < LEAST_UNITS:
        yield from map(judge, panels)
        return
    context = multiprocessing.get_context("fork")
    with context.Pool(processes, initializer=_take, initargs=(judge, panels, wording())) as pool:
        for panel, (fit, said) in zip(
            panels, pool.imap(_judge_number, range(len(panels)), CHUNK), strict=True
        ):
            yield UnitAnalysis(panel, fit, said)


def _may_fork() -> bool:
    """Not every system can, and a worker of somebody else's pool may not."""
    able = "fork" in multiprocessing.get_all_start_methods()
    return able and not multiprocessing.current_process().daemon


def _processors() -> int:
    try:
        return len(os.sched_getaffinity(0))
    except AttributeError:  # not every system tells which processors may be used
        return os.cpu_count() or 1


_work: tuple[Judge, Sequence[Panel], Wording]


def _take(judge: Judge, panels: Sequence[Panel], how: Wording) -> None:
    """Keep what a forked process works on; inherited, not copied."""
    global _work
    _work = (judge, panels, how)


def _judge_number(number: int) -> tuple[UnitFit | None, UnitAssessment]:
    """Judge one panel; the panel itself is not sent back."""
    judge, panels, how = _work
    with written(how):
        analysis = judge(panels[number])
    return analysis.fit, analysis.assessment
