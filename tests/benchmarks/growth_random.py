"""Run random cases through the compiled engine and count what broke, by cause.

    python tests/benchmarks/growth_random.py wide|usual|behind [seed] [cases] [first]

Prints every case that broke a rule (`growth_cases.complaints`), then the counts by cause and decade of the
tolerance, and the times. Without arguments 100,000 wide cases of seed 0.
"""

from __future__ import annotations

import re
import sys
import time
from collections import Counter
from math import floor, log10
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))

from growth_cases import MOST_EVENTS, MOST_ROWS, array_record, array_work, cache_folder, complaints, run_compiled
from growth_random_cases import behind_case, random_case, wide_case

LONGEST = 0.5
"""Seconds of processor time a compiled run may take."""


def cause(complaint: str) -> str:
    """A complaint without its figures."""
    return re.sub(r" -?\d.*$", "", complaint)


def main(kind: str = "wide", seed: int = 0, cases: int = 100_000, first: int = 0) -> int:
    draw = {"wide": wide_case, "usual": random_case, "behind": behind_case}[kind]
    record = array_record(MOST_ROWS, MOST_EVENTS)
    # the first run compiles
    begin = draw(seed, first).problem()
    run_compiled(begin, array_work(begin.n_cells), record, cache_folder())
    times, failed = [], 0
    causes: Counter[str] = Counter()
    decades: Counter[int] = Counter()
    drawn: Counter[int] = Counter()
    for number in range(first, first + cases):
        case = draw(seed, number)
        problem = case.problem()
        decade = floor(log10(case.tolerance) + 1e-9)
        drawn[decade] += 1
        began = time.process_time()
        try:
            run_compiled(problem, array_work(problem.n_cells), record, cache_folder())
            broken = complaints(problem, record)
        except ZeroDivisionError:
            broken = ["ZeroDivisionError"]
        times.append(time.process_time() - began)
        if times[-1] > LONGEST:
            broken.append(f"took longer than allowed, {times[-1]:.1f} s")
        if broken:
            failed += 1
            decades[decade] += 1
            causes.update(cause(complaint) for complaint in broken)
            print(f"case {seed}/{number} (tolerance {case.tolerance:.1e}): {'; '.join(broken)}", flush=True)
    print(f"{cases} {kind} cases of seed {seed} from {first}: {failed} failed")
    for name, count in causes.most_common():
        print(f"  {count:6d}  {name}")
    for decade in sorted(drawn, reverse=True):
        print(f"  tolerance from 1e{decade}: {decades[decade]} of {drawn[decade]} failed")
    ms = 1e3 * np.array(times)
    print(f"ms a run: mean {ms.mean():.1f}, median {np.median(ms):.1f}, most {ms.max():.0f}")
    return int(failed > 0)


if __name__ == "__main__":
    raise SystemExit(main(*sys.argv[1:2], *map(int, sys.argv[2:])))
