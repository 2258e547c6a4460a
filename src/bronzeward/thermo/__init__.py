"""Copper-tin thermodynamics: reactions, phase boundaries and equilibrium amounts.

`load_table` gives the tabulated phase diagram of a description; pycalphad is only imported where
a table has to be built (for a user's own TDB file, once), a description checked (`describe`) or
an equilibrium solved without a table (`equilibrium.solve`).
"""

from bronzeward.thermo.compare import Pair, compare_invariants
from bronzeward.thermo.description import names
from bronzeward.thermo.description_check import Report, describe
from bronzeward.thermo.diagram_parts import Field, Invariant
from bronzeward.thermo.load import load_table
from bronzeward.thermo.table import PhaseTable
from bronzeward.thermo.temperature_path import Stretch, phases_along

__all__ = [
    "Field",
    "Invariant",
    "Pair",
    "PhaseTable",
    "Report",
    "Stretch",
    "compare_invariants",
    "describe",
    "load_table",
    "names",
    "phases_along",
]
