"""Answers at a tolerance of 1e-3, of quick batches and at 1e-6 are the same, in wide random cases.

What "the same" means: 0.5 % of the answer, or 1e-4 of the core's size (lengths) or of the tin (shares), whichever is
more. `tests/benchmarks/growth_agreement.py` looks at thousands of cases the same way.
"""

from __future__ import annotations

import pytest

from growth_agreement_checks import disagreements

DIFFERED = {
    "liquid or alpha alone passed the moment in which another phase starts": (36, 45, 101, 104, 123, 169, 174),
    "a phase started the later, the more copper there is": (107, 136),
    "copper was least between two rows": (96, 100, 131, 146, 165),
    "eight or twenty cells were too few where beta or gamma eats alpha": (59, 69, 113, 139),
    "a layer thinner than an atom was solved to ten times its thickness": (74,),
}
"""Cases of seed 0 that once differed, by cause."""


@pytest.mark.parametrize("why", DIFFERED)
def test_cases_that_differed_once(why: str) -> None:
    assert disagreements(0, DIFFERED[why]) == []


def test_wide_cases_agree_at_every_precision() -> None:
    assert disagreements(0, range(100)) == []
