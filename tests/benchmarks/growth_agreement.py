"""Answers of random wide cases at tolerance 1e-3 and of the quick setting against those at 1e-6.

    python tests/benchmarks/growth_agreement.py [seed] [cases] [first]

Prints every answer that is a length or a share and differs by more than 0.5 % of itself and by more than 1e-4 of the
core's size or of the tin, then how many cases differ, by answer.
"""

from __future__ import annotations

import sys
from collections import Counter
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))

from bronzeward.inputs.case import Case, Numerics
from bronzeward.model.answers import ANSWERS
from bronzeward.model.batch import run_batch
from growth_random_cases import wide_case

RELATIVE, OF_CORE = 5e-3, 1e-4
SETTINGS = {"1e-3": (1e-3, "run"), "quick": (1e-3, "quick")}
PART = 100


def main(seed: int = 0, count: int = 1000, first: int = 0) -> None:
    differ: Counter[str] = Counter()
    failed = 0
    for start in range(first, first + count, PART):
        numbers = range(start, min(start + PART, first + count))
        drawn = [wide_case(seed, number) for number in numbers]
        cases = [Case(d.strand, d.schedule, d.kinetics, numerics=Numerics(tolerance=1e-6)) for d in drawn]
        size = np.array([d.strand.core_radius for d in drawn])
        exact = run_batch(cases, 1)
        failing: set[int] = set()
        for setting, (tolerance, precision) in SETTINGS.items():
            loose = run_batch([replace(c, numerics=Numerics(tolerance=tolerance)) for c in cases], 1, None, precision)
            for name, answer in ANSWERS.items():
                if answer.unit not in ("m", "1"):
                    continue
                gap = np.abs(loose[name] - exact[name])
                allowed = np.maximum(RELATIVE * np.abs(exact[name]), OF_CORE * (size if answer.unit == "m" else 1.0))
                one_sided = np.isnan(loose[name]) != np.isnan(exact[name])
                for k in np.flatnonzero((gap > allowed) | one_sided):
                    differ[f"{setting} {name}"] += 1
                    failing.add(int(k))
                    print(
                        f"case {seed}/{numbers[k]} {setting}: {name} {loose[name][k]:.6g} against "
                        f"{exact[name][k]:.6g}, {gap[k] / allowed[k]:.1f} times what is allowed", flush=True,
                    )  # fmt: skip
        failed += len(failing)
    print(f"{count} wide cases of seed {seed} from {first}: {failed} differ")
    for name, cases_differing in differ.most_common():
        print(f"  {cases_differing:6d}  {name}")


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
