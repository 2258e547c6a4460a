"""Two phases in equilibrium: the common tangent of their Gibbs energies, by Newton.

Solves, for many temperatures at once,

    g_a'(x_a) = g_b'(x_b),        g_a - x_a g_a' = g_b - x_b g_b'

(equal chemical potentials of tin and copper). A line compound has no slope of its own; its one
condition is that its energy lies on the tangent of the other phase. Steps are limited in the
logarithm of x, so dilute solutions converge as fast as concentrated ones.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from bronzeward.thermo.diagram_parts import Array
from bronzeward.thermo.gibbs import Phase
from bronzeward.thermo.site_fractions import State

_ROUNDS = 60
_EQUAL = 1e-7
"""Difference of chemical potentials [J/mol] that counts as none where steps stay above rounding."""

_CONVERGED = 1e-8
"""Relative step after which Newton has converged: the step after it would be of order 1e-16."""


class Tangent(NamedTuple):
    """Common tangents, arrays of shape (n,): both tin fractions, energy at x = 0 [J/mol], slope, success."""

    x_a: Array
    x_b: Array
    origin: Array
    slope: Array
    ok: npt.NDArray[np.bool_]


def common_tangent(a: Phase, b: Phase, temperature: Array, x_a: Array, x_b: Array) -> Tangent:
    """Common tangents of phases a and b at temperatures [K], starting from x_a < x_b, shape (n,)."""
    t = np.asarray(temperature, dtype=float)
    xa, xb = _start(a, x_a, t.size), _start(b, x_b, t.size)
    if a.line and b.line:
        return _result(a, b, a.at(t, xa), b.at(t, xb), xa, xb, np.ones(t.size, dtype=bool))
    active = np.arange(t.size)
    inner_a, inner_b = Memory(t.size), Memory(t.size)
    for _ in range(_ROUNDS):
        sa = inner_a.at(a, t, xa, active, 1)
        sb = inner_b.at(b, t, xb, active, 1)
        da, db = _steps(a, b, sa, sb, xa[active], xb[active])
        xa[active], moved_a = moved(a, xa[active], da)
        xb[active], moved_b = moved(b, xb[active], db)
        change = np.maximum(moved_a, moved_b)
        active = active[~(change < _CONVERGED)]
        if not active.size:
            break
    ok = np.ones(t.size, dtype=bool)
    ok[active] = False
    every = np.arange(t.size)
    return _result(a, b, inner_a.at(a, t, xa, every), inner_b.at(b, t, xb, every), xa, xb, ok)


class Memory:
    """Site fractions of the last state of each point, to start the next one from."""

    def __init__(self, size: int) -> None:
        self.inner: Array | None = None
        self.size = size

    def at(self, phase: Phase, t: Array, x: Array, rows: npt.NDArray[np.int_], rounds: int = 60) -> State:
        """State of a phase at the chosen points, starting from their last one."""
        if self.inner is None:
            state = phase.at(t[rows], x[rows])
        else:
            state = phase.at(t[rows], x[rows], self.inner[rows], rounds)
        if state.inner is not None:
            if self.inner is None:
                self.inner = np.empty((self.size, state.inner.shape[1]))
            self.inner[rows] = state.inner
        return state


def moved(phase: Phase, x: Array, step: Array) -> tuple[Array, Array]:
    """Tin fraction after a limited step, and how far it went relative to the distance from the ends."""
    if phase.line:
        return x, np.zeros(x.shape)
    room = 1e-13 * (phase.x_high - phase.x_low)
    low, high = np.maximum(x - phase.x_low, room), np.maximum(phase.x_high - x, room)
    relative = step / (low * high) * (phase.x_high - phase.x_low)
    limited = np.clip(np.nan_to_num(relative, nan=0.0), -1.5, 1.5)
    odds = low / high * np.exp(limited)
    inside = np.nextafter(phase.x_low, 1.0), np.nextafter(phase.x_high, 0.0)
    new = np.clip(phase.x_low + (phase.x_high - phase.x_low) * odds / (1 + odds), *inside)
    change = np.where(np.abs(step) < 4e-16, 0.0, np.abs(relative))  # less than one rounding of x
    return new, np.where(np.isnan(relative), np.inf, change)


def _start(phase: Phase, x: Array, size: int) -> Array:
    if phase.line:
        return np.full(size, phase.x_low)
    room = 1e-13 * (phase.x_high - phase.x_low)
    return np.array(np.broadcast_to(np.clip(x, phase.x_low + room, phase.x_high - room), (size,)))


def _steps(a: Phase, b: Phase, sa: State, sb: State, xa: Array, xb: Array) -> tuple[Array, Array]:
    """Newton steps of both tin fractions."""
    nothing = np.zeros(xa.size)
    with np.errstate(divide="ignore", invalid="ignore"):
        if a.line:
            gap = sa.energy - sb.energy - (xa - xb) * sb.slope
            return nothing, gap / ((xa - xb) * sb.curvature)
        if b.line:
            gap = sb.energy - sa.energy - (xb - xa) * sa.slope
            return gap / ((xb - xa) * sa.curvature), nothing
        r1 = sa.slope - sb.slope
        r2 = (sa.energy - xa * sa.slope) - (sb.energy - xb * sb.slope)
        rise_b = -(r2 + xa * r1) / (xb - xa)
        return (rise_b - r1) / sa.curvature, rise_b / sb.curvature


def _result(a: Phase, b: Phase, sa: State, sb: State, xa: Array, xb: Array, ok: npt.NDArray[np.bool_]) -> Tangent:
    if a.line and b.line:
        slope = (sb.energy - sa.energy) / (xb - xa)
        return Tangent(xa, xb, sa.energy - xa * slope, slope, xb > xa)
    slope = sb.slope if a.line else sa.slope
    origin = sa.energy - xa * slope
    miss = np.abs(sb.energy - xb * slope - origin)
    stable = xb > xa
    for phase, state in ((a, sa), (b, sb)):
        if not phase.line:
            miss = np.maximum(miss, np.abs(state.slope - slope))
            stable &= state.curvature > 0
    return Tangent(xa, xb, origin, slope, (ok | (miss < _EQUAL)) & stable)
