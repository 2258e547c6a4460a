"""The wide random cases: every run ends and keeps what it must. Many more in benchmarks/growth_wide.py."""

from __future__ import annotations

import pytest

from bronzeward.errors import InputError
from bronzeward.inputs.schedule import Schedule
from bronzeward.inputs.strand import Strand
from growth_cases import (
    MOST_EVENTS,
    MOST_ROWS,
    array_record,
    array_work,
    cache_folder,
    complaints,
    problem_of,
    run_compiled,
    run_plain,
)
from growth_wide_cases import wide_case

SEED, CASES = 12, 300

BROKEN = {
    "several layers vanish at once": (586, 883, 1718),
    "the rests of many stages added up": (75, 194, 344, 452, 453, 487, 687, 715, 741, 825),
    "slopes of a profile were rounding": (42, 732),
    "steps too small": (405, 446),
    "record full": (366, 410, 420, 489, 543),
}
"""Numbers of cases of seed 0 that once failed, by cause."""


def broken(seed: int, number: int) -> list[str]:
    """What a case did wrong."""
    problem = wide_case(seed, number).problem()
    record = array_record(MOST_ROWS, MOST_EVENTS)
    run_compiled(problem, array_work(problem.n_cells), record, cache_folder())
    return complaints(problem, record)


@pytest.mark.parametrize("why", BROKEN)
def test_cases_that_broke_once(why: str) -> None:
    failed = {number: broken(0, number) for number in BROKEN[why]}
    assert {number: what for number, what in failed.items() if what} == {}


def test_wide_random_cases() -> None:
    failed = {number: broken(SEED, number) for number in range(CASES)}
    assert {number: what for number, what in failed.items() if what} == {}


@pytest.mark.parametrize("porosity", [0.9, 0.97])
def test_films_that_eat_all_tin_are_refused(porosity: float) -> None:
    films = {"initial_eta": 0.19 * 12e-6, "initial_epsilon": 0.19 * 12e-6}
    with pytest.raises(InputError, match=r"strand: .* tin"):
        problem_of(Strand.round(24, 44, porosity=porosity, **films), Schedule.start(20).ramp(100, to=300))


def test_films_that_eat_all_copper_are_refused() -> None:
    with pytest.raises(InputError, match=r"strand: .* copper"):
        problem_of(Strand.round(24, 24.5, initial_epsilon=2e-6), Schedule.start(20).ramp(100, to=300))


def test_an_edge_below_zero_ends_in_a_status() -> None:
    """Not in a division by zero."""
    problem = problem_of(Strand.round(24, 44), Schedule.start(20).ramp(100, to=60))
    amount, tin = problem.amount.copy(), problem.tin.copy()
    amount[0] = tin[0] = -1e-9 * amount.sum()
    run = run_plain(problem._replace(amount=amount, tin=tin))
    assert run.record.count[2] in range(4)
