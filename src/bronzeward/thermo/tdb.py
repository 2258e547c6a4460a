"""Reading a TDB file with pycalphad: which phases it has for copper and tin, and their energies.

The one module that imports pycalphad.
"""

from __future__ import annotations

import io
import warnings
from contextlib import redirect_stdout
from dataclasses import replace
from typing import Any

import symengine
from pycalphad import Database, Model
from pycalphad import variables as v
from pycalphad.core.utils import filter_phases

from bronzeward import files
from bronzeward.errors import InputError
from bronzeward.thermo.description import Description
from bronzeward.thermo.gibbs import Expressions, Phase
from bronzeward.thermo.tdb_work import MOST_FREE, MOST_PARAMETERS, too_much

_PRESSURE = 101325.0


def read(description: Description) -> tuple[list[Phase], list[str]]:
    """The phases of a description, compiled, and what had to be left out.

    Raises InputError when the file is no TDB file, or lacks copper, tin or any phase of both.
    """
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        database = open_database(description)
        components = _components(database, description)
        phases: list[Phase] = []
        left_out: list[str] = []
        for name in _phase_names(database, components, description):
            try:
                expressions, reason = _expressions(database, components, name, description)
                if expressions is None:
                    left_out.append(f"phase {name} left out: {reason}")
                else:
                    phases.append(Phase(_unlike(expressions, phases)))
            except Exception as error:  # whatever pycalphad or symengine says of a function it cannot follow
                reason = " ".join(str(error).split())[:160]
                raise InputError(f"{description.path}: phase {name} cannot be computed ({reason})") from None
    if not phases:
        raise InputError(f"{description.path}: no phase of copper and tin in it")
    return phases, left_out


def _phase_names(database: Any, components: list[str], description: Description) -> list[str]:
    try:
        return sorted(filter_phases(database, components))
    except Exception as error:
        reason = " ".join(str(error).split())[:160]
        raise InputError(f"{description.path}: its phases cannot be understood ({reason})") from None


def _unlike(expressions: Expressions, others: list[Phase]) -> Expressions:
    """The same under its own name if its label is taken already."""
    if all(other.label != expressions.label for other in others):
        return expressions
    return replace(expressions, label=expressions.name.lower())


def open_database(description: Description) -> Any:
    """pycalphad's database of a description."""
    said = io.StringIO()  # pycalphad prints which phase it misses, and raises a bare KeyError
    try:
        text = files.read_bytes(description.path, files.MOST_TEXT).decode("utf-8", "replace")
        if reason := too_much(text):
            raise ValueError(reason)
        with redirect_stdout(said):
            return Database.from_string(text, fmt="tdb")
    except Exception as error:
        reason = " ".join((said.getvalue() or str(error)).split())[:160]
        raise InputError(f"{description.path}: not a TDB file that pycalphad can read ({reason})") from None


def _components(database: Any, description: Description) -> list[str]:
    elements = {str(element).upper() for element in database.elements}
    if not elements - {"VA", "/-"}:
        raise InputError(
            f"{description.path}: no element in it that pycalphad can read; "
            "each command of a TDB file starts on a line of its own and ends with '!'"
        )
    missing = [name for symbol, name in (("CU", "copper"), ("SN", "tin")) if symbol not in elements]
    if missing:
        raise InputError(
            f"{description.path}: no {' and no '.join(missing)} in it; its elements are "
            f"{', '.join(sorted(elements - {'VA', '/-'})) or 'none'}"
        )
    return ["CU", "SN", "VA"] if "VA" in elements else ["CU", "SN"]


def _expressions(
    database: Any, components: list[str], name: str, description: Description
) -> tuple[Expressions | None, str]:
    """The phase's energy and tin fraction in its free site fractions; or None and the reason."""
    _check_work(database, components, name)
    model = Model(database, components, name)
    if any(getattr(species, "charge", 0) for sublattice in model.constituents for species in sublattice):
        return None, "charged species"
    free: list[Any] = []
    blocks: list[int] = []
    values: dict[Any, Any] = {v.P: symengine.RealDouble(_PRESSURE)}
    for index, sublattice in enumerate(model.constituents):
        species = sorted(sublattice, key=str)
        symbols = [symengine.Symbol(f"z_{index}_{k}") for k in range(1, len(species))]
        for symbol, member in zip(symbols, species[1:], strict=True):
            values[v.Y(name, index, member)] = symbol
        values[v.Y(name, index, species[0])] = 1 - sum(symbols, symengine.Integer(0))
        free += symbols
        blocks.append(len(symbols))
    temperature = symengine.Symbol("T")
    values[v.T] = temperature
    energy = _smooth(symengine.sympify(model.GM)).subs(values)
    tin = symengine.sympify(model.moles("SN")).subs(values)
    label = description.label(name)
    return Expressions(name, label, temperature, free, [b for b in blocks if b], energy, tin), ""


def _check_work(database: Any, components: list[str], name: str) -> None:
    """Raise ValueError for a phase that would keep a computer busy for ever."""
    known = set(components)

    def made_of(species: Any) -> bool:
        return {str(element).upper() for element in getattr(species, "constituents", {}) or [species]} <= known

    free = sum(max(0, sum(map(made_of, sublattice)) - 1) for sublattice in database.phases[name].constituents)
    if free > MOST_FREE:
        raise ValueError(f"{free} free site fractions; at most {MOST_FREE} are computed")
    parameters = database.search(lambda row: row["phase_name"] == name)
    count = sum(all(made_of(one) for part in row["constituent_array"] for one in part) for row in parameters)
    if count > MOST_PARAMETERS:
        raise ValueError(f"{count} parameters of copper and tin; at most {MOST_PARAMETERS} are computed")


def _smooth(energy: Any) -> Any:
    """The energy with y ln y down to y = 0, where pycalphad cuts it off at a site fraction of 1e-15.

    At low temperature the equilibrium fraction on a wrong sublattice is smaller than that.
    """
    whole = {}
    for piece in energy.atoms(symengine.Piecewise):
        first = piece.args[0]
        for y in first.free_symbols:
            if isinstance(y, v.SiteFraction) and first == y * symengine.log(y):
                whole[piece] = first
    return energy.subs(whole) if whole else energy
