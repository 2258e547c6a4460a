"""Random strands, schedules and constants: every run ends and keeps what it must. Many more in benchmarks."""

from __future__ import annotations

import pytest

from bronzeward.errors import InputError
from bronzeward.inputs.schedule import Schedule
from bronzeward.inputs.strand import Strand
from growth_cases import problem_of, run_plain
from growth_random_cases import behind_case, random_case, wide_case

SEED, CASES, PARTS = 20, 1000, 4
WIDE_SEED, WIDE_CASES, WIDE_PARTS = 12, 1000, 4
BEHIND_CASES = 200

FOUND = ((0, 17960), (0, 27321), (1, 6561))
"""Seed and number of usual cases that once failed, out of some hundred thousand."""

BROKEN = {
    "several layers vanish at once": {0: (586, 883, 1718)},
    "the rests of many stages added up": {
        0: (75, 194, 205, 344, 452, 453, 487, 687, 715, 741, 825, 3391),
        2: (1386, 7548, 9389, 12637, 14453),
    },
    "slopes of a profile were rounding": {0: (42, 732)},
    "two steps of three could not be solved": {51: (60106,)},
    "steps too small": {0: (405, 446), 2: (11641, 12137)},
    "a compound due at once as it becomes stable": {51: (41820,)},
    "record full": {0: (366, 410, 420, 489, 543, 879), 2: (4422, 8307, 18278)},
    "rests that are rounding were counted": {2: (9313,)},
    "levelled profiles flowed by rounding": {0: (738, 1520, 32425, 52708, 55199, 63054)},
    "pivots of the cells cancelled": {51: (37316,)},
    "tin in much copper was placed too loosely": {0: (30269,)},
    "errors of every layer that was going counted undamped": {51: (71063,)},
}
"""Numbers of wide cases by seed that once failed, by cause."""


@pytest.mark.parametrize("part", range(PARTS))
def test_random_cases(part: int) -> None:
    numbers = [*((SEED, k) for k in range(CASES)), *FOUND][part::PARTS]
    failed = {place: random_case(*place).broken() for place in numbers}
    assert {place: what for place, what in failed.items() if what} == {}


@pytest.mark.parametrize("why", BROKEN)
def test_cases_that_broke_once(why: str) -> None:
    places = [(seed, number) for seed, numbers in BROKEN[why].items() for number in numbers]
    failed = {place: wide_case(*place).broken() for place in places}
    assert {place: what for place, what in failed.items() if what} == {}


@pytest.mark.parametrize("part", range(WIDE_PARTS))
def test_wide_random_cases(part: int) -> None:
    failed = {number: wide_case(WIDE_SEED, number).broken() for number in range(part, WIDE_CASES, WIDE_PARTS)}
    assert {number: what for number, what in failed.items() if what} == {}


def test_wide_random_cases_with_the_void_behind_the_shell() -> None:
    failed = {number: behind_case(WIDE_SEED, number).broken() for number in range(BEHIND_CASES)}
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
