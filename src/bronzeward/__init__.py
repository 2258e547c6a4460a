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
    "KineticSet": "bronzeward.kinetics",
    "Numerics": "bronzeward.case",
    "Result": "bronzeward.result",
    "Schedule": "bronzeward.schedule",
    "Strand": "bronzeward.strand",
    "load_case": "bronzeward.case",
    "load_set": "bronzeward.kinetics",
    "load_table": "bronzeward.thermo",
    "read_netcdf": "bronzeward.result",
    "run_case": "bronzeward.simulation",
    "simulate": "bronzeward.simulation",
}

if TYPE_CHECKING:
    from bronzeward.case import Numerics as Numerics
    from bronzeward.case import load_case as load_case
    from bronzeward.errors import InputError as InputError
    from bronzeward.kinetics import KineticSet as KineticSet
    from bronzeward.kinetics import load_set as load_set
    from bronzeward.result import Result as Result
    from bronzeward.result import read_netcdf as read_netcdf
    from bronzeward.schedule import Schedule as Schedule
    from bronzeward.simulation import run_case as run_case
    from bronzeward.simulation import simulate as simulate
    from bronzeward.strand import Strand as Strand
    from bronzeward.thermo import load_table as load_table


def __getattr__(name: str) -> Any:
    if name in _HOMES:
        return getattr(import_module(_HOMES[name]), name)
    raise AttributeError(f"module 'bronzeward' has no attribute '{name}'")


def __dir__() -> list[str]:
    return sorted([*globals(), *_HOMES])
