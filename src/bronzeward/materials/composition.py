"""Atom fractions and mass fractions of tin in copper."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from bronzeward.materials.properties import load_properties


def mass_fraction(x_sn: ArrayLike) -> NDArray[np.float64]:
    """Mass fraction of tin from its atom fraction [-], any shape.

    >>> round(float(mass_fraction(0.25)), 4)
    0.3837
    """
    x, mass = np.asarray(x_sn, dtype=float), load_properties().molar_mass
    return np.asarray(x * mass["Sn"] / (x * mass["Sn"] + (1 - x) * mass["Cu"]))


def atom_fraction(w_sn: ArrayLike) -> NDArray[np.float64]:
    """Atom fraction of tin from its mass fraction [-], any shape; the inverse of `mass_fraction`.

    >>> round(float(atom_fraction(0.3837)), 3)
    0.25
    """
    w, mass = np.asarray(w_sn, dtype=float), load_properties().molar_mass
    return np.asarray((w / mass["Sn"]) / (w / mass["Sn"] + (1 - w) / mass["Cu"]))
