"""Exact temperatures and compositions of invariant reactions, by Newton on the compiled models."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from bronzeward.thermo.diagram_parts import Array
from bronzeward.thermo.gibbs import Phase
from bronzeward.thermo.site_fractions import State
from bronzeward.thermo.tangent import Memory, moved

_ROUNDS = 60


def three_phase(
    phases: Sequence[Phase], temperature: float, x: Sequence[float], slope: float
) -> tuple[float, list[float]] | None:
    """Temperature [K] and tin fractions at which three phases share one tangent; None without one.

    Unknowns are T, the tangent (origin and slope) and the composition of each solution phase:
    g = origin + x slope for every phase, g' = slope for every solution.
    """
    t, xs = temperature, list(x)
    solutions = [k for k, phase in enumerate(phases) if not phase.line]
    memories, one = [Memory(1) for _ in phases], np.zeros(1, dtype=int)
    for _ in range(_ROUNDS):
        states = [
            memory.at(phase, np.array([t]), np.array([xk]), one, 2)
            for memory, phase, xk in zip(memories, phases, xs, strict=True)
        ]
        step = _three_step(phases, states, xs, slope, solutions)
        if step is None:
            return None
        step_t = float(np.clip(step[0], -40.0, 40.0))
        t, slope = t + step_t, float(step[2])
        if not 50.0 < t < 6000.0:
            return None
        change = abs(step_t) / t
        for place, k in enumerate(solutions):
            new, relative = moved(phases[k], np.array([xs[k]]), step[3 + place : 4 + place])
            xs[k], change = float(new[0]), max(change, float(relative[0]))
        if change < 1e-13:
            break
    return (t, xs) if change < 1e-9 and xs[0] < xs[1] < xs[2] else None


def _three_step(
    phases: Sequence[Phase], states: Sequence[State], x: Sequence[float], slope: float, solutions: list[int]
) -> Array | None:
    """Solution of the linearised system: [dT, origin, slope, dx of each solution]."""
    n = 3 + len(solutions)
    matrix, right = np.zeros((n, n)), np.zeros(n)
    for k, state in enumerate(states):
        matrix[k, :3] = state.energy_t[0], -1.0, -x[k]
        right[k] = -state.energy[0]
    for place, k in enumerate(solutions):
        state, row = states[k], 3 + place
        matrix[k, row] = state.slope[0] - slope
        matrix[row, :3] = state.slope_t[0], 0.0, -1.0
        matrix[row, row] = state.curvature[0]
        right[row] = -state.slope[0]
    try:
        result = np.asarray(np.linalg.solve(matrix, right), dtype=np.float64)
    except np.linalg.LinAlgError:
        return None
    return result if np.all(np.isfinite(result)) else None


def same_energy(a: Phase, b: Phase, temperature: float, x: float) -> float | None:
    """Temperature [K] at which two phases of one composition have one energy; None without one."""
    t = temperature
    for _ in range(_ROUNDS):
        sa, sb = (phase.at(np.array([t]), np.array([x])) for phase in (a, b))
        step = -float((sa.energy[0] - sb.energy[0]) / (sa.energy_t[0] - sb.energy_t[0]))
        if not np.isfinite(step):
            return None
        t = float(np.clip(t + np.clip(step, -100.0, 100.0), 50.0, 6000.0))
        if abs(step) < 1e-11 * t:
            return t
    return None


def congruent(outer: Phase, inner: Phase, temperature: float, x: float) -> tuple[float, float] | None:
    """Temperature [K] and composition at which two phases touch with a common tangent."""
    for phase in (inner, outer):
        if phase.line:
            t = same_energy(outer, inner, temperature, phase.x_low)
            return None if t is None else (t, phase.x_low)
    t = temperature
    for _ in range(_ROUNDS):
        sa, sb = (phase.at(np.array([t]), np.array([x])) for phase in (outer, inner))
        matrix = np.array(
            [[sa.energy_t - sb.energy_t, sa.slope - sb.slope], [sa.slope_t - sb.slope_t, sa.curvature - sb.curvature]]
        )[..., 0]
        right = -np.array([sa.energy - sb.energy, sa.slope - sb.slope])[..., 0]
        try:
            step_t, step_x = np.linalg.solve(matrix, right)
        except np.linalg.LinAlgError:
            return None
        new, relative = moved(outer, np.array([x]), np.array([step_x]))
        t, x = t + float(np.clip(step_t, -40.0, 40.0)), float(new[0])
        if not 50.0 < t < 6000.0:
            return None
        if abs(step_t) < 1e-10 * t and relative[0] < 1e-9:
            return t, x
    return None


def critical(phase: Phase, temperature: float, x: float) -> tuple[float, float] | None:
    """Temperature [K] and composition where a miscibility gap closes: g'' = g''' = 0.

    The third derivatives come from central differences of the second, good to about 1e-6 K.
    """
    t, h, k = temperature, 1e-4, 1e-2
    for _ in range(_ROUNDS):
        nodes_t = np.array([t, t, t, t + k, t - k, t + k, t - k, t + k, t - k])
        nodes_x = np.array([x, x + h, x - h, x, x, x + h, x + h, x - h, x - h])
        c = phase.at(nodes_t, nodes_x).curvature
        third, fourth = (c[1] - c[2]) / (2 * h), (c[1] - 2 * c[0] + c[2]) / h**2
        by_t = (c[3] - c[4]) / (2 * k)
        third_t = (c[5] - c[6] - c[7] + c[8]) / (4 * h * k)
        try:
            step = np.linalg.solve([[by_t, third], [third_t, fourth]], [-c[0], -third])
        except np.linalg.LinAlgError:
            return None
        t += float(np.clip(step[0], -40.0, 40.0))
        x += float(np.clip(step[1], -0.05, 0.05))
        if not (50.0 < t < 6000.0 and phase.x_low + 2 * h < x < phase.x_high - 2 * h):
            return None
        if abs(step[0]) < 1e-7 * t:
            return t, x
    return None
