"""Which cells of a profile tin has reached: the others hold pure copper, and nothing is computed in them.

In cold copper tin gets no further than some atoms, into one or two of many cells. Cells beyond the last that holds
more than `UNTOUCHED` keep what they hold; through the face before them no tin flows, so totals are kept. Whether a
step brings tin to that face is seen when it is solved, and then it is solved again with more cells.
"""

from __future__ import annotations

from bronzeward.growth.problem import Problem, Work
from bronzeward.growth.slots import ALPHA

UNTOUCHED = 1e-14
"""Atom fraction of tin that counts as none."""

SPARE = 2
"""Cells that are added at once."""


def find_reached(p: Problem, w: Work, slot: int) -> None:
    """Count the cells of a profile that take part, the last of them untouched, and the tin in the others."""
    first, cells = int(p.cell_start[slot]), int(p.cells[slot])
    w.reached[slot], w.rest[slot] = cells, 0.0
    if slot != ALPHA:
        return
    c = first + cells - 1
    while c > first and w.x[c] <= UNTOUCHED:
        c -= 1
    w.reached[slot] = min(cells, c - first + 2)
    for c in range(first + int(w.reached[slot]), first + cells):
        w.rest[slot] += w.u[c]


def reach_on(p: Problem, w: Work, slot: int) -> bool:
    """Let more cells take part where the solution in `w.right` has brought tin to the last; whether it has."""
    first, cells, reached = int(p.cell_start[slot]), int(p.cells[slot]), int(w.reached[slot])
    if reached == cells or abs(w.right[first + reached - 1 + slot]) <= UNTOUCHED:
        return False
    w.reached[slot] = min(cells, reached + SPARE)
    for c in range(first + reached, first + int(w.reached[slot])):
        w.rest[slot] -= w.u[c]
        # nothing happened there in the stages before this one
        w.u_star[c] = w.u_start[c]
        for stage in range(len(w.du) // p.n_cells):
            w.du[stage * p.n_cells + c] = 0.0
        for stage in range(len(w.x_stage) // p.n_cells):
            w.x_stage[stage * p.n_cells + c] = w.x[c]
    return True
