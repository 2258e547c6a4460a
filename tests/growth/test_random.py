"""Random strands, schedules and constants: every run ends and keeps what it must. 100,000 in benchmarks."""

from __future__ import annotations

import pytest

from growth_cases import array_record, array_work, cache_folder, complaints, random_case, run_compiled

SEED, CASES, PARTS = 20, 2000, 4

FOUND = ((0, 17960), (0, 27321), (1, 6561))
"""Seed and number of cases that once failed, out of some hundred thousand."""


@pytest.mark.parametrize("part", range(PARTS))
def test_random_cases(part: int) -> None:
    record = array_record(20000, 400)
    failed = []
    for seed, number in [*((SEED, k) for k in range(CASES)), *FOUND][part::PARTS]:
        problem = random_case(seed, number).problem()
        run_compiled(problem, array_work(problem.n_cells), record, cache_folder())
        found = complaints(problem, record)
        if found:
            failed.append((seed, number, found))
    assert failed == []
