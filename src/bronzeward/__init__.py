"""Tin-copper mixing heat treatment of internal-tin Nb3Sn wire.

    from bronzeward import Schedule, Strand, simulate

    history = simulate(Strand.round(24, 44), Schedule.start(20).ramp(25, to=215).hold(48).quench())

Names are loaded when first used, so that importing the package costs nothing.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

__version__ = "0.1.0"

_HOMES = {
    "InputError": "bronzeward.errors",
    "KineticSet": "bronzeward.materials.kinetics",
    "Numerics": "bronzeward.inputs.case",
    "Result": "bronzeward.model.result",
    "Schedule": "bronzeward.inputs.schedule",
    "Strand": "bronzeward.inputs.strand",
    "load_case": "bronzeward.inputs.case",
    "load_set": "bronzeward.materials.kinetics",
    "load_table": "bronzeward.thermo",
    "read_netcdf": "bronzeward.model.result",
    "run_case": "bronzeward.model.simulation",
    "simulate": "bronzeward.model.simulation",
}

if TYPE_CHECKING:
    from bronzeward.errors import InputError as InputError
    from bronzeward.inputs.case import Numerics as Numerics
    from bronzeward.inputs.case import load_case as load_case
    from bronzeward.inputs.schedule import Schedule as Schedule
    from bronzeward.inputs.strand import Strand as Strand
    from bronzeward.materials.kinetics import KineticSet as KineticSet
    from bronzeward.materials.kinetics import load_set as load_set
    from bronzeward.model.result import Result as Result
    from bronzeward.model.result import read_netcdf as read_netcdf
    from bronzeward.model.simulation import run_case as run_case
    from bronzeward.model.simulation import simulate as simulate
    from bronzeward.thermo import load_table as load_table


def __getattr__(name: str) -> Any:
    if name in _HOMES:
        return getattr(import_module(_HOMES[name]), name)
    raise AttributeError(f"module 'bronzeward' has no attribute '{name}'")


def __dir__() -> list[str]:
    return sorted([*globals(), *_HOMES])
