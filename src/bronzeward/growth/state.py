"""Boundary compositions and rates at one temperature, and the window of phases that exist."""

from __future__ import annotations

from math import exp

from bronzeward.growth.problem import Numbers, Problem, Work
from bronzeward.growth.slots import CORE, N_SLOTS
from bronzeward.units import GAS_CONSTANT

LEAST_JUMP = 1e-5
"""Composition jumps by at least this much at an interface: where two phases meet in one composition
(gamma and epsilon at epsilon's maximum), interfaces would move without bound."""

LEAST_WIDTH = 1e-4
"""A phase with a profile between two others is at least this wide: where it starts or ends in a single composition
it could carry no tin, and its layer would be thinner than an atom."""


def interpolate(table: Numbers, start: int, nodes: int, position: float) -> float:
    """Cubic (Catmull-Rom) value of table[start : start + nodes] at a fractional node `position`."""
    k = min(max(int(position), 0), nodes - 2)
    f = min(max(position - k, 0.0), 1.0)
    here = table[start + k]
    there = table[start + k + 1]
    left = 0.5 * (there - table[start + k - 1]) if k > 0 else there - here
    right = 0.5 * (table[start + k + 2] - here) if k + 2 < nodes else there - here
    rise = there - here
    return here + f * (left + f * ((3.0 * rise - 2.0 * left - right) + f * (left + right - 2.0 * rise)))


def set_temperature(p: Problem, w: Work, regime: int, temperature: float, liquid_touches: int) -> None:
    """Fill `x_in`, `x_out`, `rate` and `slowing`; slot `liquid_touches` (or -1) uses the constants for liquid.

    Through a hold they stay as they are.
    """
    if w.seen[0] == temperature and w.seen[1] == regime and w.seen[2] == liquid_touches:
        return
    w.seen[0], w.seen[1], w.seen[2] = temperature, float(regime), float(liquid_touches)
    position = (temperature - p.table_start[regime]) / p.table_step[regime]
    reciprocal = 1.0 / (GAS_CONSTANT * temperature)
    before = -1
    for slot in range(N_SLOTS):
        if p.present[regime * N_SLOTS + slot]:
            start = (regime * N_SLOTS + slot) * p.nodes
            w.x_in[slot] = interpolate(p.x_in, start, p.nodes, position)
            w.x_out[slot] = interpolate(p.x_out, start, p.nodes, position)
            if slot == liquid_touches:
                w.rate[slot] = p.rate0_liquid[slot] * exp(-p.activation_liquid[slot] * reciprocal)
                w.rate[slot] *= interpolate(p.factor_liquid, start, p.nodes, position)
                w.slowing[slot] = p.slowing_liquid[slot]
            else:
                w.rate[slot] = p.rate0[slot] * exp(-p.activation[slot] * reciprocal)
                w.rate[slot] *= interpolate(p.factor, start, p.nodes, position)
                w.slowing[slot] = p.slowing[slot]
            if before >= 0 and w.x_out[before] < w.x_in[slot] + LEAST_JUMP:
                if p.wide[before]:
                    w.x_out[before] = w.x_in[slot] + LEAST_JUMP
                else:
                    w.x_in[slot] = w.x_out[before] - LEAST_JUMP
            if before >= 0 and p.wide[before] and w.x_in[before] < w.x_out[before] + LEAST_WIDTH:
                middle = 0.5 * (w.x_in[before] + w.x_out[before])
                w.x_in[before] = middle + 0.5 * LEAST_WIDTH
                w.x_out[before] = middle - 0.5 * LEAST_WIDTH
            before = slot


def find_sequence(p: Problem, w: Work, regime: int) -> int:
    """Write the phases between the innermost and outermost one into `w.sequence`; return how many."""
    count = 0
    for slot in range(N_SLOTS):
        # a layer just landed on may be below zero by rounding until it is cleared
        if w.n[slot] != 0.0 and p.present[regime * N_SLOTS + slot]:
            w.sequence[count] = slot
            count += 1
    return count


def touched_by_liquid(p: Problem, w: Work, regime: int, count: int) -> int:
    """The slot that liquid touches, or -1."""
    if count > 1 and w.sequence[0] == CORE and p.liquid_core[regime]:
        return int(w.sequence[1])
    return -1
