"""Interfaces that pass from one zone of the strand into another within a step: from sleeve to pack, from ring to ring.

The way that tin goes is longer from there on, so speeds have a kink in time, which neither the order of the method nor
its error estimate knows of: a step across it may err by twenty times what the estimate says. Steps end close to it.
"""

from __future__ import annotations

from bronzeward.growth.problem import Problem, Work
from bronzeward.growth.slots import ALPHA

CLOSE = 1e-3
"""Share of a step from either end within which a kink does nothing."""

FELT = 0.03
"""Error estimate over its tolerance below which a kink does no harm, wherever it lies."""


def first_border(p: Problem, w: Work, count: int) -> float:
    """Share of the step just tried at which an interface passes a border, were it to go evenly; 1 where none does."""
    first = 1.0
    if p.plane or len(p.zone_area) < 2:
        return first
    for k in range(count - 1):
        before, after = inside_interface(p, w, count, k, p.void_outside)
        first = min(first, passed(p, before, after))
        if p.void_outside and w.sequence[k + 1] == ALPHA:
            # behind the void, alpha's own side lies elsewhere
            before, after = inside_interface(p, w, count, k, 0)
            first = min(first, passed(p, before, after))
    return first if first < 1.0 - CLOSE else 1.0


def passed(p: Problem, before: float, after: float) -> float:
    """Share of the way from one area to another at which the first border lies, 1 where none does."""
    first = 1.0
    for zone in range(1, len(p.zone_area)):
        border = p.zone_area[zone]
        if (before < border) != (after < border):
            share = (border - before) / (after - before)
            if CLOSE < share < first:
                first = share
    return first


def inside_interface(p: Problem, w: Work, count: int, k: int, outwards: int) -> tuple[float, float]:
    """Area inside the k-th layer's outer interface [m2] at the start of a step and now; see `balance.lay_out`.

    Layers are laid from the centre outwards, or from the barrier inwards.
    """
    before = after = 0.0 if outwards else p.area
    sign = 1.0 if outwards else -1.0
    for j in range(0 if outwards else k + 1, k + 1 if outwards else count):
        slot = w.sequence[j]
        before += sign * (w.n_start[slot] * p.volume[slot] + p.volume_slope[slot] * w.tin_start[slot])
        after += sign * (w.n[slot] * p.volume[slot] + p.volume_slope[slot] * w.tin[slot])
    return before, after
