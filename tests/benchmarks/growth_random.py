"""Run random cases through the compiled engine: python tests/benchmarks/growth_random.py [seed] [cases].

Prints every case that broke a rule, and the times. Without arguments 100,000 cases of seed 0.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))

from growth_cases import array_record, array_work, cache_folder, complaints, random_case, run_compiled

LONGEST = 5.0
"""Seconds of processor time a run may take."""


def main(seed: int, cases: int) -> int:
    record = array_record(20000, 400)
    times, failed = [], 0
    for number in range(cases):
        problem = random_case(seed, number).problem()
        began = time.process_time()
        run_compiled(problem, array_work(problem.n_cells), record, cache_folder())
        times.append(time.process_time() - began)
        found = complaints(problem, record)
        if number > 0 and times[-1] > LONGEST:  # the first one compiles
            found.append(f"took {times[-1]:.1f} s")
        if found:
            failed += 1
            print(f"case {seed}/{number}: {'; '.join(found)}", flush=True)
    ms = 1e3 * np.array(times[1:])
    print(f"{cases} cases, {failed} failed")
    print(f"ms a run: mean {ms.mean():.1f}, median {np.median(ms):.1f}, most {ms.max():.0f}")
    return int(failed > 0)


if __name__ == "__main__":
    given = [int(word) for word in sys.argv[1:]]
    raise SystemExit(main(given[0] if given else 0, given[1] if len(given) > 1 else 100_000))
