"""Atom fractions and mass fractions of tin in copper.

Standard atomic weights from the IUPAC 2021 table of abridged values (Prohaska et al.,
Pure Appl. Chem. 94 (2022) 573): Cu 63.546, Sn 118.71 g/mol.
"""

from __future__ import annotations

from typing import Any

import numpy as np

MOLAR_MASS_CU = 63.546e-3
"""Molar mass of copper [kg/mol]."""

MOLAR_MASS_SN = 118.71e-3
"""Molar mass of tin [kg/mol]."""


def mass_fraction(x_sn: Any) -> Any:
    """Mass fraction of tin from its atom fraction [-].

    >>> round(float(mass_fraction(0.25)), 4)
    0.3837
    """
    x = np.asarray(x_sn, dtype=float)
    return x * MOLAR_MASS_SN / (x * MOLAR_MASS_SN + (1 - x) * MOLAR_MASS_CU)


def atom_fraction(w_sn: Any) -> Any:
    """Atom fraction of tin from its mass fraction [-]; the inverse of `mass_fraction`.

    >>> round(float(atom_fraction(0.3837)), 3)
    0.25
    """
    w = np.asarray(w_sn, dtype=float)
    return (w / MOLAR_MASS_SN) / (w / MOLAR_MASS_SN + (1 - w) / MOLAR_MASS_CU)
