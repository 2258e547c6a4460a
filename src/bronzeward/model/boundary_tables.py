"""Phase boundaries as the growth engine reads them: one table per regime.

A regime is an interval of temperature in which the sequence of stable phases, from pure tin to pure
copper, stays the same. Each two-phase field of the thermodynamic table gives the composition at both
sides of one interface; put in order of falling tin they form the sequence.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike, NDArray

from bronzeward.errors import InputError
from bronzeward.growth.slots import ALPHA, BETA, CORE, GAMMA, GAMMA_TIN, N_SLOTS, SLOT_LABELS
from bronzeward.materials.phases import LIQUID, SOLID_TIN
from bronzeward.thermo.table import PhaseTable
from bronzeward.units import ZERO_CELSIUS

NODES = 401
"""Nodes per regime; cubic interpolation between them adds less than the table's own 1e-5."""

NARROWEST = 1e-4
"""Width [-] below which a mean over a phase's width is taken from the nearest wider place."""


@dataclass(frozen=True)
class Regimes:
    """Boundary tables of all regimes that a range of temperature touches.

    Attributes
    ----------
    edges : ndarray, shape (n + 1,), [K]
        Regime g reaches from edges[g] to edges[g + 1].
    present : ndarray of int, shape (n, 9)
    liquid_core : ndarray of int, shape (n,)
    x_in, x_out : ndarray, shape (n, 9, NODES), [-]
        Compositions at the tin side and the copper side of each phase, at equally spaced temperatures.
    factor : ndarray, shape (n, 9, NODES), [-]
        Mean thermodynamic factor over the width of the phase.
    """

    edges: NDArray[np.float64]
    present: NDArray[np.int64]
    liquid_core: NDArray[np.int64]
    x_in: NDArray[np.float64]
    x_out: NDArray[np.float64]
    factor: NDArray[np.float64]

    def at(self, temperature: ArrayLike) -> NDArray[np.int64]:
        """Regime index at `temperature` [K]; exactly on an edge the one above, where tin is liquid."""
        side = np.searchsorted(self.edges, temperature, side="right") - 1
        return np.asarray(np.clip(side, 0, len(self.liquid_core) - 1))


def build_regimes(table: PhaseTable, coldest: float, hottest: float) -> Regimes:
    """Regimes between two temperatures [K] from a `thermo` table."""
    cuts = sorted({float(f.temperature[0]) for f in table.fields} | {float(f.temperature[-1]) for f in table.fields})
    cuts = _merge_close(cuts)
    if coldest < cuts[0] or hottest > cuts[-1]:
        raise InputError(
            f"schedule: {coldest - ZERO_CELSIUS:.0f} to {hottest - ZERO_CELSIUS:.0f} °C leaves the thermodynamic "
            f"table, which covers {cuts[0] - ZERO_CELSIUS:.0f} to {cuts[-1] - ZERO_CELSIUS:.0f} °C"
        )
    spans = [(a, b) for a, b in pairwise(cuts) if b > coldest and a <= hottest]
    blocks = [_one_regime(table, low, high) for low, high in spans]
    return Regimes(
        edges=np.array([spans[0][0], *(high for _, high in spans)]),
        present=np.array([b[0] for b in blocks]),
        liquid_core=np.array([b[1] for b in blocks]),
        x_in=np.array([b[2] for b in blocks]),
        x_out=np.array([b[3] for b in blocks]),
        factor=np.array([b[4] for b in blocks]),
    )


def _merge_close(cuts: list[float]) -> list[float]:
    kept: list[float] = []
    for cut in cuts:
        if not kept or cut - kept[-1] > 1e-6:
            kept.append(cut)
    return kept


def _one_regime(
    table: PhaseTable, low: float, high: float
) -> tuple[NDArray[np.int64], int, NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    middle = 0.5 * (low + high)
    fields = [f for f in table.fields if f.temperature[0] < middle < f.temperature[-1]]
    # above the eutectic the core is liquid: tin that touches copper-tin compound does not stay solid
    fields = [f for f in fields if (f.tin_side, f.copper_side) != (SOLID_TIN, LIQUID)]
    fields.sort(key=lambda f: -float(np.interp(middle, f.temperature, f.x_tin_side)))
    nodes = np.linspace(low, high, NODES)
    present = np.zeros(N_SLOTS, dtype=np.int64)
    x_in, x_out, factor = np.zeros((N_SLOTS, NODES)), np.zeros((N_SLOTS, NODES)), np.ones((N_SLOTS, NODES))
    names = [fields[0].tin_side, *(f.copper_side for f in fields)]
    slots = _slots_of(names)
    for k, field in enumerate(fields):
        left, right = slots[k], slots[k + 1]
        present[left] = present[right] = 1
        x_out[left] = smooth(nodes, field.temperature, field.x_tin_side)
        x_in[right] = smooth(nodes, field.temperature, field.x_copper_side)
    x_in[CORE] = 1.0
    if names[0] == SOLID_TIN:
        x_out[CORE] = 1.0  # solid tin takes up no copper in this model
    x_out[slots[-1]] = 0.0
    for slot in (GAMMA_TIN, GAMMA, BETA, ALPHA):
        if present[slot]:
            factor[slot] = _mean_factor(table, SLOT_LABELS[slot], nodes, "tin" if slot == GAMMA_TIN else "copper")
    return present, int(names[0] == LIQUID), x_in, x_out, factor


def smooth(at: NDArray[np.float64], knots: NDArray[np.float64], values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Monotone cubic through tabulated values, shape of `at`; beyond the ends the end's value.

    A liquid whose liquidus had kinks would take up copper by fits and starts, and thin compounds would grow and
    shrink with every one. Slopes at the knots are the weighted harmonic means of Fritsch and Butland (SIAM J. Sci.
    Stat. Comput. 5 (1984) 300), which keep the cubic between its knots' values; at the ends, the chords' own.
    """
    width = np.diff(knots)
    chord = np.diff(values) / width
    slope = np.concatenate([chord[:1], np.zeros(len(chord) - 1), chord[-1:]])
    left, right = chord[:-1], chord[1:]
    of_left, of_right = 2.0 * width[1:] + width[:-1], width[1:] + 2.0 * width[:-1]
    rising = left * right > 0.0
    weighted = np.divide(of_left, left, where=rising, out=np.ones_like(left)) + np.divide(
        of_right, right, where=rising, out=np.ones_like(left)
    )
    # the chord of the shorter interval has the greater weight
    slope[1:-1] = np.where(rising, (of_left + of_right) / weighted, 0.0)
    k = np.clip(np.searchsorted(knots, at, side="right") - 1, 0, len(chord) - 1)
    f = np.clip((at - knots[k]) / width[k], 0.0, 1.0)
    a, b = slope[k] * width[k], slope[k + 1] * width[k]
    rise = values[k + 1] - values[k]
    return np.asarray(values[k] + f * (a + f * ((3.0 * rise - 2.0 * a - b) + f * (a + b - 2.0 * rise))))


def _slots_of(names: list[str]) -> list[int]:
    """Place of each phase of a sequence; the first gamma of two lies on epsilon's tin side."""
    labels = ["eta" if name == "eta_prime" else name for name in names]
    if labels[0] not in (LIQUID, SOLID_TIN):
        raise InputError(f"thermodynamics: the most tin-rich stable phase is {labels[0]}, not tin; cannot model a core")
    slots = [CORE]
    for k, label in enumerate(labels[1:], start=1):
        if label not in SLOT_LABELS:
            raise InputError(f"thermodynamics: phase {label} has no place among the layers")
        slots.append(
            GAMMA_TIN
            if label == "gamma" and "gamma" in labels[k + 1 :]
            else SLOT_LABELS.index(label, GAMMA if label == "gamma" else 0)
        )
    if sorted(set(slots)) != slots:
        raise InputError(f"thermodynamics: phases in an order the layers cannot take: {', '.join(labels)}")
    return slots


def _mean_factor(table: PhaseTable, label: str, nodes: NDArray[np.float64], side: str) -> NDArray[np.float64]:
    """Mean thermodynamic factor over the width of a phase, shape (NODES,); `side` tells the two gammas apart."""
    rich, lean = table.boundaries_of(label, nodes, side)
    width = np.abs(np.asarray(rich) - np.asarray(lean))
    integral = np.asarray(table.diffusion_width(label, nodes, side))
    wide = (width > NARROWEST) & np.isfinite(integral)
    if not wide.any():
        return np.ones_like(nodes)
    return np.asarray(np.interp(nodes, nodes[wide], integral[wide] / width[wide]))
