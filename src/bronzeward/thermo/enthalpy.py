"""Enthalpies of phases, from the models of a description.

H = G - T dG/dT          dH_formation = H(phase, x) - (1-x) H(fcc Cu) - x H(bct Sn)
"""

from __future__ import annotations

from pathlib import Path

import numpy as np

from bronzeward.errors import InputError
from bronzeward.thermo import description as descriptions
from bronzeward.thermo.equilibrium import compiled
from bronzeward.thermo.gibbs import Phase


def formation_enthalpy(
    label: str,
    temperature: float,
    x_sn: float | None = None,
    description: str | Path = descriptions.DEFAULT,
) -> float:
    """Enthalpy of formation of a phase from solid copper and white tin [J per mole of atoms].

    temperature [K]; x_sn, the tin fraction, may be left out for a phase of fixed composition.
    Imports pycalphad. Raises InputError for a phase the description lacks, or without a composition
    where one is needed.
    """
    phases = {phase.label: phase for phase in compiled(descriptions.find(description).path)}
    missing = [name for name in (label, "alpha", "(Sn)") if name not in phases]
    if missing:
        raise InputError(f"no phase {missing[0]!r} in {description}, expected one of {', '.join(phases)}")
    phase = phases[label]
    if x_sn is None and not phase.line:
        raise InputError(f"{label} has a range of compositions; say at which tin fraction")
    x = phase.x_low if phase.line or x_sn is None else x_sn
    copper, tin = _enthalpy(phases["alpha"], temperature, 0.0), _enthalpy(phases["(Sn)"], temperature, 1.0)
    return _enthalpy(phase, temperature, x) - (1 - x) * copper - x * tin


def _enthalpy(phase: Phase, temperature: float, x: float) -> float:
    t = np.array([temperature], dtype=float)
    state = phase.at(t, np.array([x]))
    return float(state.energy[0] - temperature * state.energy_t[0])
