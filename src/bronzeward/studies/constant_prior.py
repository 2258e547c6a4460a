"""What a set says of its constants before a fit: jointly normal changes of ln prefactor and activation energy.

It is what `ensemble` draws from: for each phase two independent normal numbers, of the magnitude and of the slope
over 1/T, whose widths follow from the constant's factors in its range and outside it; of phases that were fitted
before, the covariance of that fit. So data that say nothing leave every band as it was, and samples may be fitted
one after the other as well as together.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from bronzeward.materials.growth_constants import ENERGY, LN_PREFACTOR, Covariance
from bronzeward.materials.kinetics import KineticSet
from bronzeward.studies.ensemble import widths
from bronzeward.studies.stability import stability
from bronzeward.units import GAS_CONSTANT

Array = NDArray[np.float64]


def prior_of(kinetics: KineticSet, phases: Sequence[str], description: str) -> Covariance:
    """Covariance of the values of `phases`, and of all phases that a fit before made depend on each other."""
    given = kinetics.covariance
    known = () if given is None else given.parameters
    every = dict.fromkeys([*phases, *(name.split(".", 1)[0] for name in known)])
    names = [f"{phase}.{value}" for phase in every for value in (LN_PREFACTOR, ENERGY)]
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
    if given is not None:
        places = [names.index(name) for name in known]
        matrix[np.ix_(places, places)] += np.array(given.matrix)
    return Covariance(tuple(names), tuple(tuple(row) for row in matrix.tolist()))


def with_changes(kinetics: KineticSet, changes: Mapping[str, float]) -> KineticSet:
    """The set with its fitted values changed, by "<phase>.ln_prefactor" [-] and the like; no covariance."""
    constants = tuple(
        c.shifted(changes.get(f"{c.phase}.{LN_PREFACTOR}", 0.0), 1e3 * changes.get(f"{c.phase}.{ENERGY}", 0.0))
        for c in kinetics.constants
    )
    return replace(kinetics, constants=constants, covariance=None)


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
