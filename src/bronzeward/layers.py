"""What the engine recorded, by phase: amounts, thicknesses, radii, fractions."""

from __future__ import annotations

from dataclasses import dataclass
from math import pi

import numpy as np
from numpy.typing import NDArray

from bronzeward.growth.cell_grid import graded_edges
from bronzeward.growth.slots import ALPHA, CORE, N_SLOTS, SLOT_LABELS
from bronzeward.phases import LIQUID, PHASES, SOLID_TIN
from bronzeward.properties import Properties
from bronzeward.strand import Strand

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


def by_phase(
    strand: Strand, amount: NDArray[np.float64], tin: NDArray[np.float64], liquid: NDArray[np.bool_],
    volumes: list[float], slopes: list[float],
) -> Layers:  # fmt: skip
    """Sort the engine's slots into phases; `amount` and `tin` of shape (n_times, 9) by slot."""
    area = amount * np.array(volumes) + tin * np.array(slopes)
    outer_area = strand.core_area + strand.copper_area - (np.cumsum(area[:, ::-1], axis=1)[:, ::-1] - area)
    outer = radius_of_area(strand, outer_area)
    inner = radius_of_area(strand, outer_area - area)
    there = amount > 0
    thickness = np.where(there, outer - inner, 0.0)
    shape = (amount.shape[0], len(PHASES))
    moles, moles_tin, widths = (np.zeros(shape) for _ in range(3))
    inside, outside = (np.full(shape, np.nan) for _ in range(2))
    for slot in range(N_SLOTS):
        for column, rows in _columns(slot, liquid):
            where = rows & there[:, slot]
            for total, part in zip((moles, moles_tin, widths), (amount, tin, thickness), strict=True):
                total[where, column] += part[where, slot]
            for target, source in zip((inside, outside), (inner, outer), strict=True):
                target[where, column] = source[where, slot]
    shell = thickness[:, CORE + 1 : ALPHA].sum(axis=1)
    return Layers(moles, moles_tin, widths, inside, outside, shell)


def _columns(slot: int, liquid: NDArray[np.bool_]) -> list[tuple[int, NDArray[np.bool_]]]:
    if slot == CORE:
        return [(COLUMN[LIQUID], liquid), (COLUMN[SOLID_TIN], ~liquid)]
    return [(COLUMN[SLOT_LABELS[slot]], np.ones_like(liquid))]


def alpha_profile(
    strand: Strand, amount: NDArray[np.float64], cells: NDArray[np.float64], properties: Properties, count: int
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Radius [m] and atom fraction of tin at the middle of each of alpha's cells, each shape (n_times, count).

    `amount` of alpha [mol/m], shape (n_times,); `cells` tin in all cells [mol/m], alpha's the last `count`.
    """
    edges = np.array(graded_edges(count))
    atoms = amount[:, None] * np.diff(edges)
    tin = cells[:, -count:]
    there = atoms > 0
    x = np.divide(tin, atoms, out=np.full_like(atoms, np.nan), where=there)
    area = atoms * properties.molar_volume["alpha"] + tin * properties.alpha_slope
    outside = strand.core_area + strand.copper_area - np.cumsum(area[:, ::-1], axis=1)[:, ::-1]
    radius = np.where(there, radius_of_area(strand, outside + 0.5 * area), np.nan)
    return radius, x
