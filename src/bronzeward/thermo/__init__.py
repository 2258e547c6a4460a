"""Copper-tin thermodynamics: reactions, phase boundaries and equilibrium amounts.

`load_table` gives the tabulated phase diagram of a description; pycalphad is only imported where
a table has to be built (`load_table` without a cached one), a description checked (`describe`) or
an equilibrium solved without a table (`points.solve`).
"""

from bronzeward.thermo.compare import Pair, compare_invariants
from bronzeward.thermo.description import names
from bronzeward.thermo.load import load_table
from bronzeward.thermo.path import Stretch, phases_along
from bronzeward.thermo.records import Field, Invariant
from bronzeward.thermo.report import Report, describe
from bronzeward.thermo.table import PhaseTable

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
