"""Jobs on several threads of this process, each job on one: what it prepares and sums up goes on beside other jobs."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ThreadPoolExecutor, wait
from itertools import islice
from typing import TypeVar

Job = TypeVar("Job")
Part = TypeVar("Part")

GLANCE = 0.2
"""Seconds between two looks at how far jobs have come."""


class Stopped(Exception):
    """Raised within a job when nobody waits for it any more."""


def computed(
    function: Callable[[Job, Callable[[int, int], None]], Part],
    jobs: Sequence[Job],
    workers: int,
    within: Callable[[int], None],
) -> Iterator[tuple[int, Part]]:
    """(number of the job, its result) as they are finished.

    Parameters
    ----------
    function : callable
        Called as function(job, watch); it calls watch(done, total) now and then, which ends it when others have failed
        or the user has interrupted.
    workers : int
        Threads.
    within : callable
        Called with the runs done in jobs that are not finished, in the thread that iterates.
    """
    stop = threading.Event()
    runs: dict[int, int] = {}

    def one(number: int) -> Part:
        def watch(done: int, _total: int) -> None:
            if stop.is_set():
                raise Stopped
            runs[number] = done

        return function(jobs[number], watch)

    numbers = iter(range(len(jobs)))
    with ThreadPoolExecutor(workers) as pool:
        waiting: dict[Future[Part], int] = {}
        try:
            while True:
                for number in islice(numbers, workers + 1 - len(waiting)):
                    waiting[pool.submit(one, number)] = number
                if not waiting:
                    return
                # what is finished is handed out before what failed at the same time
                for future in sorted(wait(waiting, GLANCE, FIRST_COMPLETED).done, key=_failed):
                    number = waiting.pop(future)
                    part = future.result()
                    runs.pop(number, None)
                    yield number, part
                within(sum(runs.copy().values()))
        finally:
            stop.set()
            for future in waiting:
                future.cancel()


def _failed(future: Future[Part]) -> bool:
    return future.exception() is not None
