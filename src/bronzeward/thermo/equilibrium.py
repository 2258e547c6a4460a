"""Equilibrium at given temperatures and compositions, solved exactly and without the table.

The tie-lines of the whole system are solved once per temperature; every point is then placed
among them. A point therefore always has at least one phase.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np
import numpy.typing as npt

from bronzeward.errors import InputError
from bronzeward.thermo import description as descriptions
from bronzeward.thermo import tdb
from bronzeward.thermo.diagram_parts import Array
from bronzeward.thermo.gibbs import Phase
from bronzeward.thermo.tie_lines import Line, scan

_AT_ONCE = 500


@dataclass(frozen=True)
class Equilibrium:
    """Stable phases at each point; all arrays have the shape of the broadcast inputs.

    labels: names of the phases. copper_side, tin_side: index into `labels` of the coexisting
    phases, the same one twice where a single phase is stable. x_copper_side, x_tin_side: their tin
    fractions. tin_side_fraction: mole fraction of the tin-side phase (1 for a single phase).
    energy: Gibbs energy [J per mole of atoms].
    """

    labels: tuple[str, ...]
    copper_side: npt.NDArray[np.intp]
    tin_side: npt.NDArray[np.intp]
    x_copper_side: Array
    x_tin_side: Array
    tin_side_fraction: Array
    energy: Array

    def fraction(self, label: str) -> Array:
        """Mole fraction of one phase at every point."""
        if label not in self.labels:
            raise InputError(f"no phase {label!r}, expected one of {', '.join(self.labels)}")
        k = self.labels.index(label)
        result: Array = np.where(self.copper_side == k, 1 - self.tin_side_fraction, 0.0)
        return result + np.where(self.tin_side == k, self.tin_side_fraction, 0.0)


def solve(
    temperature: npt.ArrayLike, x_sn: npt.ArrayLike, description: str | Path = descriptions.DEFAULT
) -> Equilibrium:
    """Equilibrium at temperatures [K] and tin fractions, which broadcast, from the models themselves.

    Imports pycalphad. Costs about 2 ms per different temperature, so a path through
    many temperatures is better read from the table. Raises InputError for temperatures outside
    100 to 4000 K or tin fractions outside 0 to 1.
    """
    t, x = np.broadcast_arrays(np.asarray(temperature, dtype=float), np.asarray(x_sn, dtype=float))
    if not np.all((t >= 100) & (t <= 4000)):
        raise InputError("temperatures must lie between 100 and 4000 K")
    if not np.all((x >= 0) & (x <= 1)):
        raise InputError("tin fractions must lie between 0 and 1")
    phases = compiled(descriptions.find(description).path)
    return solve_with(phases, t, x)


@lru_cache(maxsize=4)
def compiled(path: Path) -> tuple[Phase, ...]:
    """The compiled phases of a TDB file, kept for the next call."""
    return tuple(tdb.read(descriptions.find(path))[0])


def solve_with(phases: Sequence[Phase], t: Array, x: Array) -> Equilibrium:
    """The same with phases already compiled; t and x of one shape."""
    flat_t, flat_x = t.ravel(), x.ravel()
    first, second = np.zeros(t.size, dtype=np.intp), np.zeros(t.size, dtype=np.intp)
    ends = np.empty((5, t.size))
    temperatures, which = np.unique(flat_t, return_inverse=True)
    order = np.argsort(which, kind="stable")
    parts = np.split(order, np.searchsorted(which[order], np.arange(1, temperatures.size)))
    for start in range(0, temperatures.size, _AT_ONCE):
        scanned = scan(phases, temperatures[start : start + _AT_ONCE])
        for rows, lines in zip(parts[start : start + _AT_ONCE], scanned.lines, strict=True):
            first[rows], second[rows], ends[:, rows] = _placed(phases, lines, flat_t[rows], flat_x[rows])
    energy = ends[3] + ends[4] * flat_x
    for k in np.unique(first):
        rows = np.flatnonzero((first == k) & (second == k) & np.isnan(ends[3]))
        if rows.size:
            energy[rows] = phases[k].energy(flat_t[rows], flat_x[rows])
    labels = tuple(phase.label for phase in phases)
    x_a, x_b, share = (row.reshape(t.shape) for row in ends[:3])
    return Equilibrium(
        labels, first.reshape(t.shape), second.reshape(t.shape), x_a, x_b, share, energy.reshape(t.shape)
    )


def _placed(
    phases: Sequence[Phase], lines: list[Line], t: Array, x: Array
) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp], Array]:
    """Phases, compositions, tin-side share and tangent of points at one temperature.

    Rows of the last array: x_copper_side, x_tin_side, tin_side_fraction, origin, slope; the
    tangent is NaN in single-phase regions.
    """
    if not lines:
        k = _only(phases, float(t[0]))
        alone = np.full(x.size, k, dtype=np.intp)
        nothing = np.full(x.size, np.nan)
        return alone, alone, np.stack([x, x, np.ones(x.size), nothing, nothing])
    edges = np.array([edge for line in lines for edge in (line.x_a, line.x_b)])
    place = np.searchsorted(edges, x, side="right")
    inside = place % 2 == 1
    index = np.minimum(place // 2, len(lines) - 1)
    beyond = place // 2 >= len(lines)
    a, b = np.array([line.a for line in lines])[index], np.array([line.b for line in lines])[index]
    first, second = np.where(beyond, b, a), np.where(inside | beyond, b, a)
    values = np.array([[line.x_a, line.x_b, line.origin, line.slope] for line in lines])[index].T
    share = (x - values[0]) / (values[1] - values[0])
    result = np.stack([values[0], values[1], share, values[2], values[3]])
    result[:2, ~inside] = x[~inside]
    result[2, ~inside] = 1.0
    result[3:, ~inside] = np.nan
    return first, second, result


def _only(phases: Sequence[Phase], t: float) -> int:
    """The phase that is stable at every composition."""
    energies = [float(p.energy(np.array([t]), np.array([0.5]))[0]) if not p.line else np.inf for p in phases]
    return int(np.argmin(energies))
