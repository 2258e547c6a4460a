"""How fast the compiled engine is: python tests/benchmarks/growth_speed.py.

Prints the time of one run of about 200 h through all phases with 40 alpha cells, runs a second on one core, and the
ratio to scipy's BDF on one isothermal stage of the same physics: liquid, eta, epsilon and alpha with its profile in
as many nodes, the right-hand side in numpy (`test_growth_independent.independent`, at 300 C). Left out of the
baseline, in its favour: melting, the other phases, changing temperature, events. The baseline runs at its own
tolerance of 1e-4; that the two agree is shown by `test_growth_independent.py`, not here.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1]))

from bronzeward.growth.problem import ITERATIONS, STEPS
from bronzeward.schedule import Schedule
from bronzeward.strand import Strand
from growth_cases import array_record, array_work, cache_folder, problem_of, run_compiled, run_fast
from test_growth_independent import ALPHA, CORE, independent, problem

REPEATS = 20


def best(work: Callable[[], Any], repeats: int) -> float:
    """Least processor time of a call [s]; other work on the machine only ever adds."""
    times = []
    for _ in range(repeats):
        began = time.process_time()
        work()
        times.append(time.process_time() - began)
    return min(times)


def main() -> None:
    schedule = Schedule.start(20).ramp(25, to=210).hold(48).ramp(50, to=400).hold(24).ramp(50, to=575).hold(50)
    schedule = schedule.ramp(50, to=650).hold(60)
    whole = problem_of(Strand.round(24, 44), schedule)
    record, work = array_record(20000, 400), array_work(whole.n_cells)
    run_compiled(whole, work, record, cache_folder())
    seconds = best(lambda: run_compiled(whole, work, record, cache_folder()), REPEATS)
    print(f"{schedule.hours:.0f} h, {whole.n_cells} cells: {1e3 * seconds:.1f} ms, {1 / seconds:.0f} runs/s per core")
    print(f"  {record.count[STEPS]} steps, {record.count[ITERATIONS]} iterations of a stage")
    stage = problem()
    run = run_fast(stage)
    own = best(lambda: run_compiled(stage, work, record, cache_folder()), REPEATS)
    start, x_liquid = run.amount[1], float(run.tin[1, CORE] / run.amount[1, CORE])
    x_alpha = float(run.work.x_in[ALPHA])
    other = best(lambda: independent(stage, start, x_liquid, x_alpha, 40, rtol=1e-4), 2)
    print(f"one hold at 300 C: engine {1e3 * own:.2f} ms, scipy BDF {1e3 * other:.0f} ms, ratio {other / own:.0f}")


if __name__ == "__main__":
    main()
