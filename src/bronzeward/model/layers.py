"""What the engine recorded, by phase: amounts, thicknesses, radii, fractions."""

from __future__ import annotations

from dataclasses import dataclass
from math import pi

import numpy as np
from numpy.typing import NDArray

from bronzeward.growth.cell_grid import graded_edges
from bronzeward.growth.slots import ALPHA, CORE, GAMMA, GAMMA_TIN, N_SLOTS, SLOT_LABELS
from bronzeward.inputs.strand import IN_CORE, Strand
from bronzeward.materials.phases import LIQUID, PHASES, SOLID_TIN
from bronzeward.materials.properties import Properties

COLUMN = {phase: k for k, phase in enumerate(PHASES)}


@dataclass(frozen=True)
class Layers:
    """History by phase, all arrays of shape (n_times, 9), columns in the order of `PHASES`.

    amount, tin [mol/m] (plane couple [mol/m2]); thickness, inner, outer [m]. gamma may lie at both
    sides of epsilon: its thickness is the sum, its radii those of the part nearer the copper.
    """

    amount: NDArray[np.float64]
    tin: NDArray[np.float64]
    thickness: NDArray[np.float64]
    inner: NDArray[np.float64]
    outer: NDArray[np.float64]
    shell: NDArray[np.float64]


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


def area_inside(strand: Strand, area: NDArray[np.float64]) -> NDArray[np.float64]:
    """Area inside each layer [m2] from the areas of all, shape (n_times, 9) by slot, as the engine lays them.

    From the barrier inwards; where the void lies between shell and copper, all but alpha from the centre outwards.
    """
    from_barrier = strand.core_area + strand.copper_area - np.cumsum(area[:, ::-1], axis=1)[:, ::-1]
    if strand.void_place == IN_CORE:
        return np.asarray(from_barrier)
    inside = np.cumsum(area, axis=1) - area
    inside[:, ALPHA] = from_barrier[:, ALPHA]
    return np.asarray(inside)


def by_phase(
    strand: Strand, amount: NDArray[np.float64], tin: NDArray[np.float64], liquid: NDArray[np.bool_],
    volumes: list[float], slopes: list[float],
) -> Layers:  # fmt: skip
    """Sort the engine's slots into phases; `amount` and `tin` of shape (n_times, 9) by slot.

    Both are told as they stand, so that what the engine keeps of atoms and tin is kept here.
    """
    area = amount * np.array(volumes) + tin * np.array(slopes)
    inside = area_inside(strand, area)
    ends = radius_of_area(strand, inside), radius_of_area(strand, inside + area)
    present = amount > 0
    thickness = np.where(present, ends[1] - ends[0], 0.0)
    inner, outer = (np.where(present, end, np.nan) for end in ends)
    sums = [
        _phases(values, liquid, values[:, GAMMA] + values[:, GAMMA_TIN], 0.0)
        for values in (amount, tin, thickness)
    ]
    places = [
        _phases(end, liquid, np.where(present[:, GAMMA], end[:, GAMMA], end[:, GAMMA_TIN]), np.nan)
        for end in (inner, outer)
    ]
    shell = thickness[:, CORE + 1 : ALPHA].sum(axis=1)
    return Layers(sums[0], sums[1], sums[2], places[0], places[1], shell)


def _phases(
    values: NDArray[np.float64], liquid: NDArray[np.bool_], gamma: NDArray[np.float64], absent: float
) -> NDArray[np.float64]:
    """Columns by phase from columns by slot; of liquid and solid tin the one the core is not gets `absent`."""
    result = np.empty((len(values), len(PHASES)))
    result[:, COLUMN[LIQUID]] = np.where(liquid, values[:, CORE], absent)
    result[:, COLUMN[SOLID_TIN]] = np.where(liquid, absent, values[:, CORE])
    for slot in range(CORE + 1, N_SLOTS):
        result[:, COLUMN[SLOT_LABELS[slot]]] = values[:, slot]
    result[:, COLUMN[SLOT_LABELS[GAMMA]]] = gamma
    return result


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
