"""Transport across a pack: a hexagonal array of impermeable cylinders in the copper that carries tin.

Rayleigh (Phil. Mag. 34 (1892) 481) expands the field round each cylinder in multipoles whose sources are all the
other cylinders; Perrins, McKenzie and McPhedran (Proc. R. Soc. A 369 (1979) 207) did so for hexagonal arrays. Derived
here anew: with the spacing as unit, radius a, cell area A = sqrt(3)/2 and lattice sums S_n, the sum of z^-n over all
other cylinders, a mean field of 1 gives the multipoles B_l, l = 1, 5, 7, 11, 13, ...

    B_l a^(-2l) + sum over m of C(l+m-1, l) S_(l+m) B_m = [l = 1],        D_e/D = 1 - 2 pi B_1 / A

with S_2 = pi/A and, besides it, only S_6, S_12, ... different from zero. The first term alone is (1 - f)/(1 + f) at
filling f, which is phi/(2 - phi) at a copper share phi.
"""

from __future__ import annotations

from functools import cache
from math import comb, pi, sqrt

import numpy as np

from bronzeward.errors import InputError

CELL = sqrt(3.0) / 2.0
"""Area of a cell of the array whose spacing is 1."""

LEAST_COPPER = 0.1
"""Least copper share of an array; the cylinders touch at 0.093."""

SHELLS = 60
"""Rows of cylinders on each side that a lattice sum takes."""

HIGHEST = 61
"""Highest multipole."""


@cache
def lattice_sum(n: int) -> float:
    """Sum of z^-n over all cylinders but the one at the origin; n = 2 for a field uniform on the whole."""
    if n == 2:
        return pi / CELL
    if n % 6:
        return 0.0
    i, j = np.meshgrid(np.arange(-SHELLS, SHELLS + 1), np.arange(-SHELLS, SHELLS + 1))
    z = (i + 0.5 * j + 1j * CELL * j).ravel()
    return float(np.sum(z[np.abs(z) > 0.5] ** -n).real)


@cache
def transverse_conductivity(copper: float) -> float:
    """D_e/D across an array whose copper share is `copper` [-]; 1 in pure copper.

    Raises
    ------
    InputError
        When the filaments would all but touch.
    """
    if copper >= 1.0:
        return 1.0
    if copper < LEAST_COPPER:
        raise InputError(
            f"strand: copper fraction {copper:g} in the pack; filaments in a hexagonal array touch below "
            f"{LEAST_COPPER:g}, choose pack_transport = 'parallel channels'"
        )
    a = sqrt((1.0 - copper) * CELL / pi)
    orders = [k for k in range(1, HIGHEST + 1) if k % 6 in (1, 5)]
    # unknowns sqrt(l) B_l / a^l make the matrix symmetric and of order one
    matrix = np.array(
        [[sqrt(k / m) * comb(k + m - 1, k) * a ** (k + m) * lattice_sum(k + m) for m in orders] for k in orders]
    )
    field = np.zeros(len(orders))
    field[0] = a
    first = float(np.linalg.solve(np.eye(len(orders)) + matrix, field)[0]) * a
    return 1.0 - 2.0 * pi * first / CELL
