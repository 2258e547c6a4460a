"""Copper-tin thermodynamics: reactions, phase boundaries and equilibrium amounts.

`load_table` gives the tabulated phase diagram of a description; pycalphad is only imported where
a table has to be built (for a user's own TDB file, once), a description checked (`describe`) or
an equilibrium solved without a table (`equilibrium.solve`). Names are loaded when first used.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

_HOMES = {
    "Field": "diagram_parts",
    "Invariant": "diagram_parts",
    "Pair": "compare",
    "PhaseTable": "table",
    "Report": "description_check",
    "Stretch": "temperature_path",
    "compare_invariants": "compare",
    "describe": "description_check",
    "load_table": "load",
    "names": "description",
    "phases_along": "temperature_path",
}

if TYPE_CHECKING:
    from bronzeward.thermo.compare import Pair as Pair
    from bronzeward.thermo.compare import compare_invariants as compare_invariants
    from bronzeward.thermo.description import names as names
    from bronzeward.thermo.description_check import Report as Report
    from bronzeward.thermo.description_check import describe as describe
    from bronzeward.thermo.diagram_parts import Field as Field
    from bronzeward.thermo.diagram_parts import Invariant as Invariant
    from bronzeward.thermo.load import load_table as load_table
    from bronzeward.thermo.table import PhaseTable as PhaseTable
    from bronzeward.thermo.temperature_path import Stretch as Stretch
    from bronzeward.thermo.temperature_path import phases_along as phases_along


def __getattr__(name: str) -> Any:
    if name in _HOMES:
        return getattr(import_module(f"bronzeward.thermo.{_HOMES[name]}"), name)
    raise AttributeError(f"module 'bronzeward.thermo' has no attribute '{name}'")


def __dir__() -> list[str]:
    return sorted([*globals(), *_HOMES])
