"""Made-up TDB files that would keep a computer busy for ever are refused before any of that work."""

from __future__ import annotations

import pytest

from bronzeward.errors import InputError
from bronzeward.materials import literature
from bronzeward.thermo import describe
from bronzeward.thermo.tdb_work import too_much

BASE = (literature.folder() / "descriptions" / "cu-sn-shim1996.tdb").read_text(encoding="utf-8")
MULTIPLIED = {
    "square": "{0}*{0}",
    "sum": "{0}+.5*{0}*T",
    "logarithm": "LN(1+{0})+{0}",
    "exponential": "EXP(-{0})*{0}",
    "power": "({0}+1)**9*{0}",
    "lower case": "{0}*ln({0})",
}


def functions(body: str, count: int) -> str:
    """Functions that are made of the one before, and a parameter of the last."""
    lines = [f"FUNCTION B{k} 298.15 {body.format(f'B{k - 1}#')}; 6000 N !" for k in range(1, count)]
    first, last = "FUNCTION B0 298.15 1+.001*T; 6000 N !", f"PARAMETER G(LIQUID,CU;0) 298.15 B{count - 1}#; 6000 N !"
    return "\n".join([first, *lines, last, ""])


def phase(sublattices: int, species: str) -> str:
    sites = " ".join(["1"] * sublattices)
    return f"PHASE WIDE % {sublattices} {sites} !\nCONSTITUENT WIDE :{':'.join([species] * sublattices)}: !\n"


SPECIES = "".join(f"SPECIES C{k} CU{k + 1}SN1 !\n" for k in range(40))
BOMBS = {
    **{name: functions(body, 60) for name, body in MULTIPLIED.items()},
    "in a circle": "FUNCTION D0 1 D1#; 6000 N !\nFUNCTION D1 1 D0#; 6000 N !\n",
    "deep": functions("{0}+1", 3000),
    "long": f"FUNCTION LONG 298.15 {'+'.join(f'{k}*T' for k in range(15000))}; 6000 N !\n",
    "sublattices": phase(20, "CU,SN"),
    "species": SPECIES + phase(1, "CU,SN," + ",".join(f"C{k}" for k in range(40))),
    "parameters": "".join(f"PARAMETER G(LIQUID,CU,SN;{k % 10}) 298.15 {k}; 6000 N !\n" for k in range(500)),
    "tower": "FUNCTION T0 298.15 T**9999; 6000 N !\n",
}


@pytest.mark.parametrize("more", BOMBS.values(), ids=BOMBS)
def test_too_much_work_is_not_begun(more, tmp_path) -> None:
    path = tmp_path / "bomb.tdb"
    path.write_text(f"{BASE}\n{more}", encoding="utf-8")
    with pytest.raises(InputError, match=r"bomb\.tdb: (not a TDB file|phase)") as told:
        describe(str(path))
    assert "\n" not in str(told.value)


def test_reasonable_files_are_not_too_much() -> None:
    assert too_much(BASE) is None
    assert too_much(BASE + functions("{0}+{0}*T", 8)) is None
