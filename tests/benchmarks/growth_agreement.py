"""Answers of random cases at tolerance 1e-3 and of the quick setting against those at 1e-6.

    python tests/benchmarks/growth_agreement.py [wide|behind|cooled] [seed] [cases] [first]

Prints every answer that is a length or a share and differs by more than 0.5 % of itself and by more than 1e-4 of the
core's size or of the tin, then how many cases differ, by answer.
"""

from __future__ import annotations

import sys
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))

from growth_agreement_checks import disagreements
from growth_random_cases import behind_case, cooled_case, wide_case

PART = 100


def main(kind: str = "wide", seed: int = 0, count: int = 1000, first: int = 0) -> None:
    draw = {"wide": wide_case, "behind": behind_case, "cooled": cooled_case}[kind]
    differ: Counter[str] = Counter()
    failing: set[int] = set()
    for start in range(first, first + count, PART):
        for found in disagreements(seed, range(start, min(start + PART, first + count)), draw):
            differ[f"{found.setting} {found.name}"] += 1
            failing.add(found.number)
            print(found, flush=True)
    print(f"{count} {kind} cases of seed {seed} from {first}: {len(failing)} differ")
    for name, cases_differing in differ.most_common():
        print(f"  {cases_differing:6d}  {name}")


if __name__ == "__main__":
    main(*sys.argv[1:2], *map(int, sys.argv[2:]))
