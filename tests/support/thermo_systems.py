"""Small copper-tin descriptions with known answers, written to a folder for the tests."""

from __future__ import annotations

import dataclasses
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

from bronzeward.thermo import PhaseTable, load_table
from bronzeward.thermo.gibbs import Phase

HEAD = """
ELEMENT /-   ELECTRON_GAS 0 0 0 !
ELEMENT VA   VACUUM 0 0 0 !
ELEMENT CU   FCC_A1 63.546 0 0 !
ELEMENT SN   BCT_A5 118.71 0 0 !
TYPE_DEFINITION % SEQ * !
"""


def solution(name: str, copper: str, tin: str, *interactions: str) -> str:
    """A substitutional solution from the energies of its elements and its interactions."""
    lines = [
        f"PHASE {name} % 1 1.0 !",
        f"CONSTITUENT {name} :CU,SN: !",
        f"PARAMETER G({name},CU;0) 1 {copper}; 6000 N !",
        f"PARAMETER G({name},SN;0) 1 {tin}; 6000 N !",
    ]
    lines += [f"PARAMETER L({name},CU,SN;{k}) 1 {value}; 6000 N !" for k, value in enumerate(interactions)]
    return "\n".join(lines) + "\n"


def compound(name: str, copper: float, tin: float, energy: str) -> str:
    """A compound of fixed composition, its energy per mole of atoms."""
    return (
        f"PHASE {name} % 2 {copper} {tin} !\nCONSTITUENT {name} :CU:SN: !\n"
        f"PARAMETER G({name},CU:SN;0) 1 {energy}; 6000 N !\n"
    )


def written(folder: Path, *phases: str, name: str = "own.tdb", head: str = HEAD) -> Path:
    """The path of a TDB file with these phases."""
    path = folder / name
    path.write_text(head + "\n".join(phases))
    return path


def assert_same(one: PhaseTable | None, other: PhaseTable) -> None:
    """Two tables alike to the last bit and in every type."""
    assert one is not None
    for part in dataclasses.fields(PhaseTable):
        _assert_equal(getattr(one, part.name), getattr(other, part.name), part.name)


def _assert_equal(one: Any, other: Any, where: str) -> None:
    assert type(one) is type(other), where
    if dataclasses.is_dataclass(one):
        for part in dataclasses.fields(one):
            _assert_equal(getattr(one, part.name), getattr(other, part.name), f"{where}.{part.name}")
    elif isinstance(one, np.ndarray):
        np.testing.assert_array_equal(one, other, where, strict=True)
    elif isinstance(one, tuple):
        for k, (left, right) in enumerate(zip(one, other, strict=True)):
            _assert_equal(left, right, f"{where}[{k}]")
    else:
        assert one == other, where


@cache
def table(name: str = "cu-sn-shim1996") -> PhaseTable:
    """The table of a description, built once for all tests and kept nowhere."""
    return load_table(name, cache=False)


@cache
def phases(name: str = "cu-sn-shim1996") -> dict[str, Phase]:
    """The compiled phases of a description by label."""
    from bronzeward.thermo import description, tdb

    return {phase.label: phase for phase in tdb.read(description.find(name))[0]}
