"""How the cost of a batch grows with members, cells, segments of the schedule and threads, and what limits it.

    python tests/benchmarks/growth_cost.py [FIGURE.png]

Prints a table and draws it. Times of members, cells and segments are processor time on one thread, best of `REPEATS`;
"engine" is the part in the compiled engine, the rest is Python (problems assembled, answers read). What limits is
whichever of the two takes more; memory is the peak of the process. Times of threads are by the clock, so they need an
idle machine, and "engine" there is the processor time of one thread.
"""

from __future__ import annotations

import os
import resource
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))

from bronzeward.growth.compiled import run_compiled
from bronzeward.inputs.case import Case, Numerics
from bronzeward.inputs.schedule import Schedule
from bronzeward.inputs.strand import Strand
from bronzeward.materials.kinetics import load_set
from bronzeward.model.batch import Shared, run_batch
from bronzeward.model.ready_engine import warm_engine
from growth_cases import array_record, array_work, cache_folder

REPEATS = 3
MEMBERS, CELLS, SEGMENTS = (100, 400, 1600, 6400), (5, 10, 20, 40, 80), (4, 16, 64, 256)
THREADS = tuple(n for n in (1, 2, 4, 8, 16) if n <= len(os.sched_getaffinity(0)))
USUAL = 200
"""Members where something else is varied."""


@dataclass(frozen=True)
class Cost:
    """What one batch cost."""

    kind: str
    size: int
    members: int
    seconds: float
    engine: float
    peak_mb: float

    @property
    def limit(self) -> str:
        """What takes most of the time."""
        if self.kind == "threads":
            return "cores" if self.engine > 0.8 * self.seconds else "the interpreter's lock, or other work"
        return "arithmetic" if self.engine > 0.5 * self.seconds else "Python"


def plan(segments: int) -> Schedule:
    """The starter's 210 and 400 C in some number of segments: holds with small steps up and down among them."""
    schedule = Schedule.start(20).ramp(25, to=210)
    wiggles = (segments - 4) // 2
    for k in range(wiggles):
        schedule = schedule.ramp(25, to=210 + 5 * (-1) ** k).hold(24 / (wiggles + 1))
    return schedule.hold(24 / (wiggles + 1)).ramp(25, to=400).hold(24)


def cases(members: int, segments: int = 4, cells: int = 40) -> list[Case]:
    """Cases that differ in their constants, as a band draws them."""
    draw, base, strand, schedule = np.random.default_rng(5), load_set(), Strand.round(24, 44), plan(segments)
    factors = np.exp(0.7 * draw.standard_normal((members, 2)))
    numerics = Numerics(alpha_cells=cells)
    return [
        Case(strand, schedule, base.scaled({"eta": float(a), "epsilon": float(b)}), numerics=numerics)
        for a, b in factors
    ]


def best(work: Callable[[], Any], clock: Callable[[], float]) -> float:
    """Least time of a call [s]."""
    times = []
    for _ in range(REPEATS):
        began = clock()
        work()
        times.append(clock() - began)
    return min(times)


def engine_seconds(batch: Sequence[Case], precision: str) -> float:
    """Processor time of the compiled engine alone for some cases [s]."""
    shared = Shared(batch, precision)
    problems = [shared.problem(case) for case in batch]
    work, record = array_work(problems[0].n_cells), array_record(4000, 400)

    def all_of_them() -> None:
        for problem in problems:
            run_compiled(problem, work if problem.n_cells == problems[0].n_cells else array_work(problem.n_cells),
                         record, cache_folder())  # fmt: skip

    return best(all_of_them, time.process_time)


def cost(kind: str, size: int, batch: list[Case], precision: str = "quick") -> Cost:
    """What a batch costs on one thread."""
    sample = batch[:USUAL]
    engine = engine_seconds(sample, precision) * len(batch) / len(sample)
    seconds = best(lambda: run_batch(batch, 1, precision=precision), time.process_time)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0
    return Cost(kind, size, len(batch), seconds, engine, peak)


def measured() -> list[Cost]:
    """All of the table."""
    found = [cost("members", n, cases(n)) for n in MEMBERS]
    # the cells of a single run's precision: a quick batch chooses its own
    found += [cost("cells", n, cases(USUAL, cells=n), "run") for n in CELLS]
    found += [cost("segments", n, cases(USUAL, segments=n)) for n in SEGMENTS]
    batch = cases(4 * USUAL)
    for n in THREADS:
        began, busy = time.perf_counter(), time.process_time()
        run_batch(batch, n, precision="quick")
        seconds, busy = time.perf_counter() - began, time.process_time() - busy
        found.append(Cost("threads", n, len(batch), seconds, busy / n, found[-1].peak_mb))
    return found


def draw(found: list[Cost], path: str) -> None:
    """A panel for each kind: milliseconds a run, and the part of the engine."""
    import matplotlib

    matplotlib.use("Agg")
    from matplotlib import pyplot

    kinds = list(dict.fromkeys(row.kind for row in found))
    figure, panels = pyplot.subplots(1, len(kinds), figsize=(12, 3.2), layout="constrained")
    words = {"members": "members", "cells": "cells of α", "segments": "segments of the schedule", "threads": "threads"}
    for panel, kind in zip(panels, kinds, strict=True):
        rows = [row for row in found if row.kind == kind]
        size = [row.size for row in rows]
        panel.plot(size, [1e3 * row.seconds / row.members for row in rows], "o-", color="black", label="all")
        panel.plot(size, [1e3 * row.engine / row.members for row in rows], "s--", color="0.5", label="engine")
        panel.set_xscale("log")
        panel.set_xticks(size, [str(n) for n in size])
        panel.minorticks_off()
        panel.set_ylim(bottom=0.0)
        panel.set_xlabel(words[kind])
    panels[0].set_ylabel("ms a run")
    panels[0].legend(frameon=False)
    figure.savefig(path, dpi=120)


def main(path: str = "") -> None:
    warm_engine()
    found = measured()
    print("varied      size  members  ms a run  of it engine  peak MB  limit")
    for row in found:
        print(
            f"{row.kind:10s} {row.size:5d} {row.members:8d} {1e3 * row.seconds / row.members:9.2f} "
            f"{row.engine / row.seconds:12.0%} {row.peak_mb:8.0f}  {row.limit}"
        )
    if path:
        draw(found, path)


if __name__ == "__main__":
    main(*sys.argv[1:2])
