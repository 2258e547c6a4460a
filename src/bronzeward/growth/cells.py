"""Laying the cells of a profile out anew when atoms join or leave its ends at once."""

from __future__ import annotations

from bronzeward.growth.problem import Problem, Work


def tin_up_to(p: Problem, w: Work, slot: int, amount: float, position: float) -> float:
    """Tin between the tin-side end of the old cells and `position` [mol atoms] inside them."""
    first = int(p.cell_start[slot])
    base = first + slot
    total = 0.0
    for k in range(int(p.cells[slot])):
        left, right = amount * p.edge[base + k], amount * p.edge[base + k + 1]
        if position >= right:
            total += w.u[first + k]
        else:
            if position > left:
                total += w.u[first + k] * (position - left) / (right - left)
            break
    return total


def extend(p: Problem, w: Work, slot: int, inside: float, x_inside: float, outside: float, x_outside: float) -> None:
    """Join `inside` atoms of composition `x_inside` at the tin side and `outside` ones at the copper side.

    Negative numbers take atoms away, with the tin they hold. Tin and atoms are conserved.
    """
    old = w.n[slot]
    new = old + inside + outside
    first = int(p.cell_start[slot])
    base = first + slot
    cells = int(p.cells[slot])
    before = 0.0
    for k in range(cells + 1):
        # tin up to the k-th new face, from the end that is further to the tin side, the old or the new one
        position = new * p.edge[base + k] - inside
        total = 0.0
        if inside > 0.0:
            total += x_inside * min(position + inside, inside)
        if position > 0.0:
            total += tin_up_to(p, w, slot, old, min(position, old))
        if position > old and outside > 0.0:
            total += x_outside * (position - old)
        if k > 0:
            w.held[k - 1] = total - before
        before = total
    total = 0.0
    for k in range(cells):
        w.u[first + k] = w.held[k]
        total += w.held[k]
        w.x[first + k] = w.held[k] / (new * (p.edge[base + k + 1] - p.edge[base + k]))
    w.n[slot] = new
    w.tin[slot] = total


def fill(p: Problem, w: Work, slot: int, amount: float, x: float) -> None:
    """Make a profile of one composition."""
    first = int(p.cell_start[slot])
    for c in range(first, first + int(p.cells[slot])):
        w.x[c] = x
        w.u[c] = amount * (p.edge[c + slot + 1] - p.edge[c + slot]) * x
    w.n[slot] = amount
    w.tin[slot] = amount * x


def copy_part(p: Problem, w: Work, source: int, target: int, part: float) -> None:
    """Make a profile equal to the first `part` atoms of another, counted from its tin side."""
    first = int(p.cell_start[target])
    base = first + target
    before = 0.0
    for k in range(int(p.cells[target])):
        upto = tin_up_to(p, w, source, w.n[source], part * p.edge[base + k + 1])
        w.u[first + k] = upto - before
        w.x[first + k] = w.u[first + k] / (part * (p.edge[base + k + 1] - p.edge[base + k]))
        before = upto
    w.n[target] = part
    w.tin[target] = before
