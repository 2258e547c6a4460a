"""Small pieces of the engine against sums done by hand."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from bronzeward.growth import cells, changes, state, step
from bronzeward.growth.problem import Problem, new_work
from bronzeward.growth.slots import ALPHA, EPSILON, GAMMA, GAMMA_TIN
from bronzeward.inputs.schedule import Schedule
from bronzeward.inputs.strand import Strand
from closeness import close
from growth_cases import problem_of

CELLS = 6


@pytest.fixture
def p() -> Problem:
    return problem_of(Strand.round(24, 44), Schedule.start(200).hold(1), alpha_cells=CELLS, inner_cells=4)


@pytest.fixture
def w(p: Problem) -> Any:
    return new_work(p.n_cells, np.zeros)._replace(sequence=[0] * 9)


def own_cells(p: Problem, slot: int) -> tuple[slice, np.ndarray]:
    """A slot's cells and their shares of its atoms."""
    first, count = int(p.cell_start[slot]), int(p.cells[slot])
    return slice(first, first + count), np.diff(p.edge[first + slot : first + slot + count + 1])


def test_negative_cells_are_filled_from_the_others(p: Problem, w: Any) -> None:
    here, _ = own_cells(p, ALPHA)
    w.sequence[0] = ALPHA
    w.u[here] = [-0.25, 1.0, 2.0, -0.25, 3.0, 4.0]
    w.tin[ALPHA] = 9.5
    step.keep_positive(p, w, 1)
    np.testing.assert_allclose(w.u[here], np.array([0.0, 1.0, 2.0, 0.0, 3.0, 4.0]) * 0.95, rtol=1e-14)
    assert w.tin[ALPHA] == close(9.5, rel=1e-14)


def test_nothing_to_fill_leaves_cells_alone(p: Problem, w: Any) -> None:
    here, _ = own_cells(p, ALPHA)
    w.sequence[0] = ALPHA
    w.u[here] = np.arange(CELLS)
    w.tin[ALPHA] = 123.0  # not even looked at
    step.keep_positive(p, w, 1)
    assert list(w.u[here]) == list(range(CELLS))
    assert w.tin[ALPHA] == 123.0


@pytest.mark.parametrize("part", [0.3, 1.0])
def test_copy_of_the_first_part_of_a_profile(p: Problem, w: Any, part: float) -> None:
    source, shares = own_cells(p, GAMMA_TIN)
    target, target_shares = own_cells(p, GAMMA)
    composition = np.array([0.28, 0.26, 0.21, 0.2])
    amount = 2.0
    w.n[GAMMA_TIN], w.u[source] = amount, amount * shares * composition
    cells.copy_part(p, w, GAMMA_TIN, GAMMA, part * amount)
    # tin up to a position is piecewise linear
    atoms = np.concatenate([[0.0], np.cumsum(amount * shares)])
    tin = np.concatenate([[0.0], np.cumsum(amount * shares * composition)])
    ends = part * amount * np.concatenate([[0.0], np.cumsum(target_shares)])
    expected = np.diff(np.interp(ends, atoms, tin))
    np.testing.assert_allclose(w.u[target], expected, rtol=1e-13)
    np.testing.assert_allclose(w.x[target], expected / np.diff(ends), rtol=1e-13)
    assert w.n[GAMMA] == part * amount
    assert w.tin[GAMMA] == close(expected.sum(), rel=1e-13)


def test_relief_of_a_supersaturated_end(p: Problem, w: Any) -> None:
    """Copper cooled with more tin at its tin side than it may hold: the lever rule splits off the neighbour."""
    here, shares = own_cells(p, ALPHA)
    w.sequence[:2] = [EPSILON, ALPHA]
    limit, compound, amount = 0.05, 0.25, 3.0
    w.x_in[ALPHA], w.x_out[ALPHA] = limit, 0.0
    w.x_in[EPSILON] = w.x_out[EPSILON] = compound
    composition = np.array([0.28, 0.15, 0.04, 0.03, 0.02, 0.01])
    w.n[EPSILON], w.tin[EPSILON] = 1.0, 0.25
    w.n[ALPHA], w.x[here], w.u[here] = amount, composition, amount * shares * composition
    w.tin[ALPHA] = float(w.u[here].sum())
    before = w.n.sum(), w.tin.sum()
    assert changes.relieve_all(p, w, 2)
    rich = shares[:2] * amount
    tin = float((rich * composition[:2]).sum())
    part = (tin - limit * rich.sum()) / (compound - limit)
    assert w.n[EPSILON] == close(1.0 + part, rel=1e-12)
    assert w.tin[EPSILON] == close(0.25 * (1.0 + part), rel=1e-12)
    assert w.n.sum() == close(before[0], rel=1e-13)
    assert w.tin.sum() == close(before[1], rel=1e-13)
    step.refresh_cells(p, w, 2)
    assert w.x[here].max() <= limit + 1e-12
    assert not changes.relieve_all(p, w, 2)
    assert state.slot_tin(p, w, ALPHA) == close(w.tin[ALPHA], rel=1e-12)
