"""What the engine recorded, by phase: amounts, thicknesses, radii, fractions."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from math import pi

import numpy as np
from numpy.typing import NDArray

from bronzeward.growth.cell_grid import graded_edges
from bronzeward.growth.slots import ALPHA, CORE, GAMMA, GAMMA_TIN, N_SLOTS, SLOT_LABELS
from bronzeward.inputs.strand import IN_CORE, Strand
from bronzeward.materials.phases import LIQUID, PHASES, SOLID_TIN
from bronzeward.materials.properties import Properties

COLUMN = {phase: k for k, phase in enumerate(PHASES)}

_SLOT_OF_COLUMN = [CORE if phase in (LIQUID, SOLID_TIN) else SLOT_LABELS.index(phase, GAMMA) if phase == "gamma"
                   else SLOT_LABELS.index(phase) for phase in PHASES]  # fmt: skip
_GAMMA_COLUMN = COLUMN[SLOT_LABELS[GAMMA]]


@dataclass(frozen=True)
class Layers:
    """History by phase, all arrays of shape (n_times, 9), columns in the order of `PHASES`.

    amount, tin [mol/m] (plane couple [mol/m2]); thickness, inner, outer [m]. gamma may lie at both
    sides of epsilon: its thickness is the sum, its radii those of the part nearer the copper.
    """

    amount: NDArray[np.float64]
    tin: NDArray[np.float64]
    thickness: NDArray[np.float64]
    shell: NDArray[np.float64]
    liquid: NDArray[np.bool_]
    ends: NDArray[np.float64]
    """Inner and outer radii by slot, shape (2, n_times, 9) [m]; nan of what is not there."""

    @property
    def inner(self) -> NDArray[np.float64]:
        """Inner radii."""
        return np.asarray(self._radii[0])

    @property
    def outer(self) -> NDArray[np.float64]:
        """Outer radii."""
        return np.asarray(self._radii[1])

    @cached_property
    def _radii(self) -> NDArray[np.float64]:
        radii = self.ends[:, :, _SLOT_OF_COLUMN]
        for phase, other in _of_core(self.liquid):
            radii[:, other, phase] = np.nan
        copper_side = self.ends[:, :, GAMMA]
        radii[:, :, _GAMMA_COLUMN] = np.where(np.isnan(copper_side), self.ends[:, :, GAMMA_TIN], copper_side)
        return np.asarray(radii)


def _of_core(liquid: NDArray[np.bool_]) -> tuple[tuple[int, NDArray[np.bool_]], ...]:
    """Columns of liquid and solid tin, and where each of them is not what the core is."""
    return (COLUMN[LIQUID], ~liquid), (COLUMN[SOLID_TIN], liquid)


def radius_of_area(strand: Strand, area: NDArray[np.float64]) -> NDArray[np.float64]:
    """Radius [m] inside which copper-tin phases may occupy `area` [m2]; any shape. Plane couple: the same number."""
    if strand.plane:
        return area
    radii, areas = [0.0], [0.0]
    for outer, phi in strand.zones():
        areas.append(areas[-1] + phi * pi * (outer**2 - radii[-1] ** 2))
        radii.append(outer)
    # r^2 is linear in A within each zone
    squares = np.interp(np.maximum(area, 0.0), areas, np.square(radii))
    return np.asarray(np.sqrt(squares))


def area_of_radius(strand: Strand, radius: float) -> float:
    """Area [m2] that copper-tin phases may occupy inside a radius [m]; plane couple: the same number."""
    if strand.plane:
        return radius
    area, inner = 0.0, 0.0
    for outer, phi in strand.zones():
        area += phi * pi * max(min(radius, outer) ** 2 - inner**2, 0.0)
        inner = outer
    return area


def area_inside(strands: Sequence[tuple[Strand, slice]], area: NDArray[np.float64]) -> NDArray[np.float64]:
    """Area inside each layer [m2] from the areas of all, shape (n_times, 9) by slot, as the engine lays them.

    From the barrier inwards; where the void lies between shell and copper, all but alpha from the centre outwards.
    """
    whole = np.empty(len(area))
    for strand, rows in strands:
        whole[rows] = strand.core_area + strand.copper_area
    inside = whole[:, None] - np.cumsum(area[:, ::-1], axis=1)[:, ::-1]
    for strand, rows in strands:
        if strand.void_place != IN_CORE:
            inside[rows, :ALPHA] = (np.cumsum(area[rows], axis=1) - area[rows])[:, :ALPHA]
    return np.asarray(inside)


def by_phase(
    strands: Sequence[tuple[Strand, slice]], amount: NDArray[np.float64], tin: NDArray[np.float64],
    liquid: NDArray[np.bool_], volumes: list[float], slopes: list[float],
) -> Layers:  # fmt: skip
    """Sort the engine's slots into phases; `amount` and `tin` of shape (n_times, 9) by slot.

    `strands` with the rows that are theirs, all rows together. Amounts are told as they stand, so that what the engine
    keeps of atoms and tin is kept here.
    """
    area = amount * np.array(volumes) + tin * np.array(slopes)
    inside = area_inside(strands, area)
    present = amount > 0
    there = np.flatnonzero(present)  # row by row
    bounds = np.stack([inside.ravel()[there], (inside + area).ravel()[there]])
    spans = np.searchsorted(there, [[row * N_SLOTS for row in rows.indices(len(area))[:2]] for _, rows in strands])
    for (strand, _), (first, last) in zip(strands, spans.tolist(), strict=True):
        bounds[:, first:last] = radius_of_area(strand, bounds[:, first:last])
    ends = np.full((2, *amount.shape), np.nan)
    for radii, of_present in zip(ends, bounds, strict=True):
        radii.ravel()[there] = of_present
    thickness = ends[1] - ends[0]
    thickness[~present] = 0.0
    shell = thickness[:, CORE + 1 : ALPHA].sum(axis=1)
    amounts, tins, thicknesses = (_of_phases(of_slots, liquid) for of_slots in (amount, tin, thickness))
    return Layers(amounts, tins, thicknesses, shell, liquid, ends)


def _of_phases(of_slots: NDArray[np.float64], liquid: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Amounts or thicknesses by phase: of liquid and solid tin only the one that the core is; of gamma both parts."""
    found = of_slots[:, _SLOT_OF_COLUMN]
    for phase, other in _of_core(liquid):
        found[other, phase] = 0.0
    found[:, _GAMMA_COLUMN] += of_slots[:, GAMMA_TIN]
    return found


def alpha_profile(
    strand: Strand, amount: NDArray[np.float64], cells: NDArray[np.float64], properties: Properties, count: int
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Radius [m] and atom fraction of tin at the middle of each of alpha's cells, each shape (n_times, count).

    `amount` of alpha [mol/m], shape (n_times,); `cells` tin in all cells [mol/m], alpha's the last `count`.
    """
    edges = np.array(graded_edges(count))
    atoms = amount[:, None] * np.diff(edges)
    tin = cells[:, -count:]
    present = atoms > 0
    x = np.divide(tin, atoms, out=np.full_like(atoms, np.nan), where=present)
    area = atoms * properties.molar_volume["alpha"] + tin * properties.alpha_slope
    outside = strand.core_area + strand.copper_area - np.cumsum(area[:, ::-1], axis=1)[:, ::-1]
    radius = np.where(present, radius_of_area(strand, outside + 0.5 * area), np.nan)
    return radius, x
