"""A work space with layers in it, for tests that check one function of the engine at a time."""

from __future__ import annotations

from typing import Any

import numpy as np

from bronzeward.growth.problem import Problem, new_work
from bronzeward.growth.slots import N_SLOTS


def work(p: Problem, *sequence: int) -> Any:
    """An empty work space of arrays, its sequence of phases written out; tin has reached all cells."""
    w = new_work(p.n_cells, np.zeros)._replace(sequence=[0] * N_SLOTS)
    w.sequence[: len(sequence)] = sequence
    w.reached[:] = p.cells
    return w


def cells_of(p: Problem, slot: int) -> slice:
    """Where the cells of a profile lie."""
    return slice(int(p.cell_start[slot]), int(p.cell_start[slot]) + int(p.cells[slot]))


def edges_of(p: Problem, slot: int) -> np.ndarray:
    """Edges of the cells, as shares of the layer's atoms."""
    here = cells_of(p, slot)
    return np.asarray(p.edge[here.start + slot : here.stop + slot + 1])


def shares_of(p: Problem, slot: int) -> np.ndarray:
    """Shares of the layer's atoms in its cells."""
    return np.diff(edges_of(p, slot))


def fill(p: Problem, w: Any, slot: int, amount: float, composition: Any) -> None:
    """Give a layer its atoms, composition (of each cell, where it has cells) and tin."""
    w.n[slot] = amount
    if not p.wide[slot]:
        w.tin[slot] = amount * composition
        return
    here = cells_of(p, slot)
    w.x[here] = composition
    w.u[here] = amount * shares_of(p, slot) * w.x[here]
    w.tin[slot] = w.u[here].sum()
