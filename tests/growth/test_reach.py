"""Cells that tin has not reached: leaving them out changes nothing, and loses no tin."""

from __future__ import annotations

import numpy as np
import pytest

from bronzeward.growth import balance, reach, step
from bronzeward.growth.problem import STEPS, Problem
from bronzeward.growth.slots import ALPHA, BETA
from bronzeward.inputs.schedule import Schedule
from bronzeward.inputs.strand import Strand
from growth_cases import problem_of, run_plain
from growth_pieces import cells_of, fill, shares_of, work

CELLS = 12


@pytest.fixture(scope="module")
def p() -> Problem:
    return problem_of(Strand.round(24, 44), Schedule.start(200).hold(1), alpha_cells=CELLS, inner_cells=4)


@pytest.mark.parametrize(("touched", "expected"), [(0, 2), (1, 2), (5, 6), (11, 12), (12, 12)])
def test_one_cell_more_than_tin_has_reached(p: Problem, touched: int, expected: int) -> None:
    w = work(p, ALPHA)
    x = np.where(np.arange(CELLS) < touched, 0.01, 0.5 * reach.UNTOUCHED)
    fill(p, w, ALPHA, 2.0, x)
    reach.find_reached(p, w, ALPHA)
    assert w.reached[ALPHA] == expected
    assert w.rest[ALPHA] == pytest.approx((2.0 * shares_of(p, ALPHA) * x)[expected:].sum(), rel=1e-12, abs=0.0)


def test_other_profiles_keep_all_their_cells(p: Problem) -> None:
    w = work(p, BETA, ALPHA)
    fill(p, w, BETA, 1.0, 0.0)
    reach.find_reached(p, w, BETA)
    assert (w.reached[BETA], w.rest[BETA]) == (4, 0.0)


def test_cells_join_where_the_solution_brings_tin(p: Problem) -> None:
    w = work(p, ALPHA)
    fill(p, w, ALPHA, 2.0, np.where(np.arange(CELLS) < 3, 0.01, 1e-15))
    reach.find_reached(p, w, ALPHA)
    here = cells_of(p, ALPHA)
    w.u_start[:], w.u_star[:], w.du[:], w.x_stage[:] = w.u, np.nan, np.nan, np.nan
    last = here.start + ALPHA + int(w.reached[ALPHA]) - 1
    w.right[last] = 0.9 * reach.UNTOUCHED
    assert not reach.reach_on(p, w, ALPHA)
    w.right[last] = -1.1 * reach.UNTOUCHED
    assert reach.reach_on(p, w, ALPHA)
    assert w.reached[ALPHA] == 6
    assert w.rest[ALPHA] == pytest.approx((2.0 * shares_of(p, ALPHA))[6:].sum() * 1e-15, rel=1e-9, abs=0.0)
    new = slice(here.start + 4, here.start + 6)
    np.testing.assert_array_equal(w.u_star[new], w.u[new])
    np.testing.assert_array_equal(np.reshape(w.du, (5, -1))[:, new], 0.0)
    np.testing.assert_array_equal(np.reshape(w.x_stage, (6, -1))[:, new], 1e-15)
    assert np.isnan(w.u_star[here.start + 6])
    w.reached[ALPHA], w.right[here.stop + ALPHA - 1] = CELLS, 1.0
    assert not reach.reach_on(p, w, ALPHA)


@pytest.mark.parametrize("hottest", [300, 400, 620])
def test_leaving_cells_out_changes_nothing(hottest: float, monkeypatch: pytest.MonkeyPatch) -> None:
    """Against the same run in which every cell takes part; both keep all tin to 1e-10 (`complaints`)."""
    schedule = Schedule.start(20).ramp(100, to=hottest).hold(2).ramp(200, to=150)
    problem = problem_of(Strand.round(24, 44), schedule, alpha_cells=CELLS, inner_cells=4)
    few = run_plain(problem)

    def all_cells(p: Problem, w: object, slot: int) -> None:
        w.reached[slot], w.rest[slot] = p.cells[slot], 0.0  # type: ignore[attr-defined]

    for module in (step, reach):
        monkeypatch.setattr(module, "find_reached", all_cells)
    monkeypatch.setattr(balance, "reach_on", lambda *_: False)
    every = run_plain(problem)
    assert few.complaints() == []
    assert every.complaints() == []
    assert few.record.count[STEPS] == every.record.count[STEPS]
    # as shares of all atoms; layers that run out are landed on to 1e-6 of the tin, which other roundings do elsewhere
    within = 1e-5 if every.events[:-1] and "used up" in str(every.events) else 1e-9
    atoms = every.amount[0].sum()
    np.testing.assert_allclose(few.amount[-1], every.amount[-1], rtol=0.0, atol=within * atoms)
    np.testing.assert_allclose(few.cells[-1], every.cells[-1], rtol=0.0, atol=within * atoms)
