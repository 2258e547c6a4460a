"""How fast the compiled engine is: python tests/benchmarks/growth_speed.py [runs].

1. One run of about 200 h through all phases with 40 alpha cells.
2. Ten thousand runs of a mixing schedule with as many sets of constants, against a loop over
   `scipy.integrate.solve_ivp(method="BDF")` on the same equations (`growth_by_scipy.py`, the right-hand side in
   numpy). The loop is timed over a few of these runs, at the loosest of its tolerances whose error is at most the
   engine's or, if none is, at the one whose error is least. Errors are the largest of all amounts at the ends of
   all ramps and holds, as shares of all atoms, against the engine at a tolerance of 1e-6. The engine's time
   includes assembling the problems and finding their answers; the loop's only the integration.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))

from bronzeward.growth.problem import ITERATIONS, STEPS
from bronzeward.inputs.case import Case
from bronzeward.inputs.schedule import Schedule
from bronzeward.inputs.strand import Strand
from bronzeward.materials.kinetics import load_set
from bronzeward.model.batch import run_batch
from bronzeward.model.ready_engine import warm_engine
from growth_by_scipy import Baseline, before_events
from growth_cases import array_record, array_work, cache_folder, problem_of, run_compiled, run_fast

REPEATS = 20
TOLERANCES = (1e-3, 3e-4, 1e-4, 3e-5, 1e-5)
LOOPED = 4


def best(work: Callable[[], Any], repeats: int) -> float:
    """Least processor time of a call [s]; other work on the machine only ever adds."""
    times = []
    for _ in range(repeats):
        began = time.process_time()
        work()
        times.append(time.process_time() - began)
    return min(times)


def one_run() -> None:
    """Print the time of one run through all phases."""
    schedule = Schedule.start(20).ramp(25, to=210).hold(48).ramp(50, to=400).hold(24).ramp(50, to=575).hold(50)
    schedule = schedule.ramp(50, to=650).hold(60)
    whole = problem_of(Strand.round(24, 44), schedule)
    record, work = array_record(20000, 400), array_work(whole.n_cells)
    run_compiled(whole, work, record, cache_folder())
    seconds = best(lambda: run_compiled(whole, work, record, cache_folder()), REPEATS)
    print(f"{schedule.hours:.0f} h, {whole.n_cells} cells: {1e3 * seconds:.1f} ms, {1 / seconds:.0f} runs/s per core")
    print(f"  {record.count[STEPS]} steps, {record.count[ITERATIONS]} iterations of a stage")


def sets(count: int) -> list[Any]:
    """Sets of constants, as a band draws them."""
    draw, base = np.random.default_rng(5), load_set()
    factors = np.exp(0.7 * draw.standard_normal((count, 2)))
    return [base.scaled({"eta": float(a), "epsilon": float(b)}) for a, b in factors]


def loop(strand: Strand, schedule: Schedule) -> tuple[float, float]:
    """Seconds a run of the scipy loop at the engine's accuracy, and the engine's error."""
    errors, times = [], np.zeros(len(TOLERANCES))
    wrong = np.zeros(len(TOLERANCES))
    for kinetics in sets(LOOPED):
        problem = problem_of(strand, schedule, kinetics)
        true = before_events(run_fast(problem_of(strand, schedule, kinetics, tolerance=1e-6), rows=19000))
        errors.append(np.abs(before_events(run_fast(problem)) - true).max())
        for k, rtol in enumerate(TOLERANCES):
            began = time.process_time()
            _, found = Baseline(problem, rtol).run()
            times[k] += (time.process_time() - began) / LOOPED
            wrong[k] = max(wrong[k], np.abs(np.array(found) / problem.amount.sum() - true).max())
    own = float(max(errors))
    good = np.flatnonzero(wrong <= own)
    k = int(good[0]) if good.size else int(np.argmin(wrong))
    print(f"scipy BDF: rtol {TOLERANCES[k]:g}, error {wrong[k]:.1e} (engine {own:.1e}), {times[k]:.2f} s a run")
    return float(times[k]), own


def many_runs(count: int) -> None:
    """Print the throughput of a batch on one and two threads, and its ratio to the loop.

    By the clock, and by processor time as if each thread had a core of its own, which other work on the machine does
    not spoil.
    """
    strand = Strand.round(24, 44)
    schedule = Schedule.start(20).ramp(25, to=210).hold(24).ramp(25, to=400).hold(24)
    seconds, _ = loop(strand, schedule)
    cases = [Case(strand, schedule, kinetics) for kinetics in sets(count)]
    warm_engine()
    run_batch(cases[:64], 2)
    for workers, part in ((1, cases[: count // 4]), (2, cases)):
        began, busy = time.perf_counter(), time.process_time()
        run_batch(part, workers)
        rate = len(part) / (time.perf_counter() - began)
        alone = len(part) * workers / (time.process_time() - busy)
        print(
            f"{len(part)} runs on {workers}: {rate:.0f} runs/s, {rate / workers:.0f} per core; "
            f"{rate * seconds:.0f} times the loop, {alone * seconds:.0f} by processor time"
        )


if __name__ == "__main__":
    one_run()
    many_runs(int(sys.argv[1]) if len(sys.argv) > 1 else 10_000)
