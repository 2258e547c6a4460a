"""Copper-tin thermodynamics: reactions, phase boundaries and equilibrium amounts.

`load_table` gives the tabulated phase diagram of a description; pycalphad is only imported where
a table has to be built or an equilibrium solved without one.
"""

from bronzeward.thermo.load import load_table
from bronzeward.thermo.records import Field, Invariant
from bronzeward.thermo.table import PhaseTable

__all__ = ["Field", "Invariant", "PhaseTable", "load_table"]
