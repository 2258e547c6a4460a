"""How much a solid solution's composition range counts for diffusion.

    W(T) = integral x (1-x) / (R T) d2G/dx2 dx   over the range of the phase

Integrated twice by parts, so that only G and its slope enter and a sharp maximum of d2G/dx2 near
an ordered composition does no harm:

    R T W = [x (1-x) G' - (1 - 2 x) G] - 2 integral G dx

with Gauss-Legendre panels split at the stoichiometric compositions of the sublattices.
"""

from __future__ import annotations

import numpy as np

from bronzeward.materials.phases import LIQUID
from bronzeward.thermo.diagram_parts import Array
from bronzeward.thermo.gibbs import Phase
from bronzeward.thermo.table import PhaseTable, Width
from bronzeward.units import GAS_CONSTANT

_NODES = 12
_SPACING = 5.0


def thermodynamic_widths(table: PhaseTable, phases: dict[str, Phase]) -> tuple[Width, ...]:
    """Width of every single-phase region of a solid solution in every interval of a table."""
    widths = []
    for k in range(len(table.stacks)):
        for region, label in enumerate(table.regions(k)):
            phase = phases[label]
            if label != LIQUID and not phase.line:
                t = _temperatures(*table.interval(k))
                low, high = table.range_of(k, region, t)
                widths.append(Width(k, region, t, width(phase, t, low, high)))
    return tuple(widths)


def width(phase: Phase, t: Array, low: Array, high: Array) -> Array:
    """W at temperatures [K] for a phase between two tin fractions, all of shape (n,)."""
    inner = phase.stoichiometric[(phase.stoichiometric > 0) & (phase.stoichiometric < 1)]
    inner = inner[(inner > low.min()) & (inner < high.max())]
    edges = np.stack([low, *[np.clip(x, low, high) for x in inner], high])
    nodes, weights = np.polynomial.legendre.leggauss(_NODES)
    half = 0.5 * np.diff(edges, axis=0)[:, None, :]
    x = 0.5 * (edges[:-1] + edges[1:])[:, None, :] + half * nodes[:, None]
    # both ends and all nodes in one evaluation; at the pure elements x G' is 0 in the limit
    every = np.concatenate([[low], [high], x.reshape(-1, t.size)]).clip(1e-15, 1 - 1e-15)
    state = phase.at(np.tile(t, len(every)), every.ravel())
    g, slope = state.energy.reshape(every.shape), state.slope.reshape(every.shape)
    ends = every[:2] * (1 - every[:2]) * slope[:2] - (1 - 2 * every[:2]) * g[:2]
    integral = np.einsum("ijk,j->k", g[2:].reshape(x.shape) * half, weights)
    result: Array = (ends[1] - ends[0] - 2 * integral) / (GAS_CONSTANT * t)
    return result


def _temperatures(low: float, high: float) -> Array:
    """Temperatures of an interval, evenly spaced in the angle that `Width` interpolates in."""
    n = max(11, round((high - low) / _SPACING))
    t: Array = low + (high - low) * 0.5 * (1 - np.cos(np.pi * np.linspace(0, 1, n)))
    t[-1] = high
    return t
