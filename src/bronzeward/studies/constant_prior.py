"""What a set says of its constants before a fit: jointly normal changes of ln prefactor, energy and growth exponent.

It is what `ensemble` draws from: for each phase independent normal numbers, of the magnitude and of the slope over
1/T, whose widths follow from the constant's factors in its range and outside it, and of the exponent by which growth
slows, where the set says how far that is known; of phases that were fitted
before, the covariance of that fit. So data that say nothing leave every band as it was, and samples may be fitted
one after the other as well as together.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from bronzeward.materials.growth_constants import ENERGY, EXPONENT, LN_PREFACTOR, Covariance
from bronzeward.materials.kinetics import KineticSet
from bronzeward.studies.ensemble import widths
from bronzeward.studies.stability import stability
from bronzeward.units import GAS_CONSTANT

Array = NDArray[np.float64]

SIZES = {LN_PREFACTOR: 1.0, ENERGY: 1e3, EXPONENT: 1.0}
"""Fitted values in SI units, in the order `Constant.shifted` takes them."""


def prior_of(kinetics: KineticSet, phases: Sequence[str], description: str) -> Covariance:
    """Covariance of the values of `phases`, and of all phases that a fit before made depend on each other."""
    given = kinetics.covariance
    known = () if given is None else given.parameters
    every = dict.fromkeys([*phases, *(name.split(".", 1)[0] for name in known)])
    spreads = {f"{phase}.{EXPONENT}": kinetics.constant(phase).slowing_spread for phase in every}
    names = [f"{phase}.{value}" for phase in every for value in (LN_PREFACTOR, ENERGY)]
    names += [name for name, spread in spreads.items() if spread > 0.0]
    names += [name for name in known if name not in names]
    matrix, stable = np.zeros((len(names), len(names))), stability(description)
    for phase in every:
        k, constant = names.index(f"{phase}.{LN_PREFACTOR}"), kinetics.constant(phase)
        s, b, middle = widths(constant, stable.get(phase, constant.range))
        if names[k + 1] not in known:
            slope = b * np.array([-middle, -GAS_CONSTANT / 1e3])
            matrix[k : k + 2, k : k + 2] += np.outer(slope, slope)
        if names[k] not in known:
            matrix[k, k] += s**2
    for name, spread in spreads.items():
        if spread > 0.0 and name not in known:
            matrix[names.index(name), names.index(name)] = spread**2
    if given is not None:
        places = [names.index(name) for name in known]
        matrix[np.ix_(places, places)] += np.array(given.matrix)
    return Covariance(tuple(names), tuple(tuple(row) for row in matrix.tolist()))


def with_changes(kinetics: KineticSet, changes: Mapping[str, float]) -> KineticSet:
    """The set with its fitted values changed, by "<phase>.ln_prefactor" [-] and the like; no covariance."""
    constants = (
        c.shifted(*(size * changes.get(f"{c.phase}.{value}", 0.0) for value, size in SIZES.items()))
        for c in kinetics.constants
    )
    return replace(kinetics, covariance=None).drawn(constants)


def at_temperature(parameters: Sequence[str], kelvin: float) -> Array:
    """Matrix that turns changes of the parameters into ln K at `kelvin` [K] in place of ln prefactors.

    ln K changes by the change of ln prefactor less that of E / (R T); energies in kJ/mol.
    """
    to_there = np.eye(len(parameters))
    for k, name in enumerate(parameters):
        phase, value = name.split(".", 1)
        if value == ENERGY and f"{phase}.{LN_PREFACTOR}" in parameters:
            to_there[parameters.index(f"{phase}.{LN_PREFACTOR}"), k] = -1e3 / (GAS_CONSTANT * kelvin)
    return to_there
