"""Growth constants: sets by name or file, and their conversion from what experiments report.

A set holds, for each phase, an Arrhenius law prefactor * exp(-E / (R T)) of one of three kinds:

- integrated: K, the integral of D over the homogeneity range [m2/s] (C. Wagner, Acta Metall. 17 (1969) 99),
- interdiffusion: D [m2/s]; a compound multiplies it by its homogeneity range to get K,
- tracer: D* [m2/s], multiplied by the mean thermodynamic factor of the phase,
- growth: k [m2/s] of w^2 = k t on a plane couple of solid tin and copper; eta and epsilon together, which
  `plane_couple` converts to K without loss.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from math import isfinite
from pathlib import Path
from typing import Any

import numpy as np

from bronzeward import files
from bronzeward.errors import InputError
from bronzeward.materials import literature
from bronzeward.materials.growth_constants import (
    COMPOUNDS,
    ENERGY,
    FITTED,
    LN_PREFACTOR,
    WIDE_PHASES,
    Constant,
    Covariance,
    KineticSet,
)
from bronzeward.materials.plane_couple import integrated_terms
from bronzeward.materials.properties import load_properties
from bronzeward.units import ZERO_CELSIUS, written

KINDS = ("integrated", "interdiffusion", "tracer", "growth")
CONTACTS = ("any", "liquid")
GROWN = ("eta", "epsilon")
"""Phases of a plane couple, whose growth constants are converted together."""

_REQUIRED = (
    "phase", "kind", "prefactor", "activation_energy_kJ_per_mol", "t_min_C", "t_max_C", "factor_1sigma",
)  # fmt: skip
_OPTIONAL = (
    "homogeneity_range", "composition_exponent", "factor_1sigma_extrapolated", "more_terms",
    "contact", "grade", "seen", "source", "locator", "note",
)  # fmt: skip


def available_sets() -> list[str]:
    """Names of the sets in the databases."""
    return sorted(path.stem for path in (literature.folder() / "kinetics").glob("*.toml"))


def load_set(name: str | Path = "default") -> KineticSet:
    """A set by name, or from the user's own file (a path that ends in .toml)."""
    path = Path(name)
    if path.suffix != ".toml":
        if str(name) not in available_sets():
            raise InputError(
                f"kinetics: no set '{name}'; allowed are {', '.join(available_sets())} or the path of a .toml file"
            )
        path = literature.folder() / "kinetics" / f"{name}.toml"
    return set_from_data(files.read_toml(path), str(path), path.stem)


def set_from_data(data: Mapping[str, Any], where: str, name: str = "unnamed") -> KineticSet:
    """A set from the plain data of a kinetic file; `where` is named in errors."""
    unknown = set(data) - {"name", "title", "note", "inherits", "constant", "covariance"}
    if unknown:
        raise InputError(f"{where}: unknown key '{sorted(unknown)[0]}'")
    given = _given(data.get("constant", []), where)
    keys = [(c.phase, c.contact) for c in given]
    constants = (*given, *(c for c in _inherited(data, where) if (c.phase, c.contact) not in keys))
    everywhere = {c.phase for c in constants if c.contact == "any"}
    missing = [phase for phase in COMPOUNDS + WIDE_PHASES if phase not in everywhere]
    if missing:
        raise InputError(f'{where}: no constant for {", ".join(missing)}; give them or add inherits = "default"')
    covariance = _covariance(data["covariance"], f"{where}: covariance") if "covariance" in data else None
    return KineticSet(str(data.get("name", name)), str(data.get("title", "")), constants, covariance)


def _given(rows: object, where: str) -> list[Constant]:
    """The constants that stand in the file itself."""
    if not isinstance(rows, list):
        raise InputError(f"{where}: 'constant' must be an array of tables, [[constant]]")
    constants = [_constant(row, f"{where}: constant {k}") for k, row in enumerate(rows, start=1)]
    constants = _converted(constants, [row["kind"] == "growth" for row in rows], where)
    keys = [(c.phase, c.contact) for c in constants]
    for key in keys:
        if keys.count(key) > 1:
            raise InputError(f"{where}: {key[0]} (contact {key[1]}) is given twice")
    return constants


def _inherited(data: Mapping[str, Any], where: str) -> tuple[Constant, ...]:
    if "inherits" not in data:
        return ()
    if not isinstance(data["inherits"], str) or data["inherits"] not in available_sets():
        raise InputError(f"{where}: inherits '{data['inherits']}'; allowed are {', '.join(available_sets())}")
    return load_set(data["inherits"]).constants


def _covariance(data: object, where: str) -> Covariance:
    if not isinstance(data, Mapping) or set(data) != {"parameters", "matrix"}:
        raise InputError(f"{where}: must be a table with parameters and matrix")
    names, rows = data["parameters"], data["matrix"]
    allowed = [f"{phase}.{value}" for phase in COMPOUNDS + WIDE_PHASES for value in FITTED]
    if not isinstance(names, list) or not names or len(set(map(str, names))) != len(names):
        raise InputError(f"{where}: parameters must be a list of different names")
    for name in names:
        _one_of(name, tuple(allowed), f"{where}: a parameter")
    if not isinstance(rows, list) or any(not isinstance(row, list) or len(row) != len(names) for row in rows):
        raise InputError(f"{where}: matrix must have {len(names)} rows of {len(names)} numbers")
    matrix = np.array([[_finite(value, f"{where}: matrix") for value in row] for row in rows])
    if matrix.shape != (len(names), len(names)) or not np.allclose(matrix, matrix.T, rtol=1e-6, atol=0.0):
        raise InputError(f"{where}: matrix must be square and symmetric")
    if np.linalg.eigvalsh(matrix).min() < -1e-9 * np.abs(matrix).max():
        raise InputError(f"{where}: matrix has a negative variance")
    return Covariance(tuple(names), tuple(tuple(row) for row in matrix.tolist()))


def _converted(constants: Sequence[Constant], grown: Sequence[bool], where: str) -> list[Constant]:
    """Growth constants of a plane couple turned into integrated coefficients; the others as they are."""
    if not any(grown):
        return list(constants)
    layers = {c.phase: c for c, yes in zip(constants, grown, strict=True) if yes}
    if set(layers) != set(GROWN) or any(c.contact != "any" for c in layers.values()) or sum(grown) != len(GROWN):
        raise InputError(f"{where}: kind growth needs eta and epsilon, each once and with contact any")
    known, pair = load_properties(), [layers[phase] for phase in GROWN]
    volumes, tin = [known.molar_volume[phase] for phase in GROWN], [known.compound_tin[phase] for phase in GROWN]
    share = integrated_terms(volumes, tin, (1.0, 0.0))
    converted = {}
    for i, layer in enumerate(pair):
        laws = [
            (share[i, j] * (layer.prefactor * other.prefactor) ** 0.5, 0.5 * (layer.activation + other.activation))
            for j, other in enumerate(pair)
        ]
        first, second = laws[i], laws[1 - i]
        converted[layer.phase] = replace(layer, prefactor=first[0], activation=first[1], terms=(second,))
    return [converted[c.phase] if yes else c for c, yes in zip(constants, grown, strict=True)]


def plain_set(kinetics: KineticSet) -> dict[str, Any]:
    """A set as the plain data of a kinetic file; `set_from_data` gives it back, energies to the last bit but one."""
    rows = [_row(constant) for constant in kinetics.constants]
    data: dict[str, Any] = {"name": kinetics.name, "title": kinetics.title, "constant": rows}
    if kinetics.covariance is not None:
        matrix = [list(row) for row in kinetics.covariance.matrix]
        data["covariance"] = {"parameters": list(kinetics.covariance.parameters), "matrix": matrix}
    return data


def _kilo(joule: float) -> float:
    return written(joule, 1e3, lambda kilojoule: kilojoule * 1e3)


def _celsius(kelvin: float) -> float:
    return round(kelvin - ZERO_CELSIUS, 9)


def _row(constant: Constant) -> dict[str, Any]:
    compound = constant.phase in COMPOUNDS
    return {
        "phase": constant.phase,
        "contact": constant.contact,
        "kind": "integrated" if compound else "tracer" if constant.thermodynamic else "interdiffusion",
        "prefactor": constant.prefactor,
        ENERGY: _kilo(constant.activation),
        "composition_exponent": constant.exponent,
        "t_min_C": _celsius(constant.range[0]),
        "t_max_C": _celsius(constant.range[1]),
        "factor_1sigma": constant.factor,
        "factor_1sigma_extrapolated": constant.extrapolated_factor,
        "grade": constant.grade,
        "seen": constant.seen,
        "source": list(constant.source),
        "note": constant.note,
        "more_terms": [[a, _kilo(e)] for a, e in constant.terms],
    }


def _constant(row: object, where: str) -> Constant:
    """The constant that a row of a kinetic file gives; growth constants as they stand."""
    known = _with_known_keys(row, where)
    phase, kind, contact = known["phase"], known["kind"], known.get("contact", "any")
    _one_of(phase, COMPOUNDS + WIDE_PHASES, f"{where}: phase")
    _one_of(kind, KINDS, f"{where}: kind")
    _one_of(contact, CONTACTS, f"{where}: contact")
    _check_kind(phase, kind, where)
    factor = _above_zero(known, "factor_1sigma", where)
    wider = _above_zero({"factor_1sigma_extrapolated": factor, **known}, "factor_1sigma_extrapolated", where)
    sources = known.get("source", [])
    if not isinstance(sources, list):
        raise InputError(f"{where}: source must be a list of bibliography keys")
    return Constant(
        phase=phase,
        contact=contact,
        prefactor=_prefactor(known, where),
        activation=_above_zero(known, ENERGY, where) * 1e3,
        exponent=_finite(known.get("composition_exponent", 0.0), f"{where}: composition_exponent"),
        thermodynamic=kind == "tracer",
        range=(_kelvin(known, "t_min_C", where), _kelvin(known, "t_max_C", where)),
        factor=max(factor, 1.0 / factor),
        extrapolated_factor=max(wider, 1.0 / wider),
        grade=str(known.get("grade", "")),
        seen=str(known.get("seen", "")),
        source=tuple(str(key) for key in sources),
        note=str(known.get("note", "")),
        terms=_terms(known.get("more_terms", []), f"{where}: more_terms"),
    )


def _with_known_keys(row: object, where: str) -> dict[str, Any]:
    if not isinstance(row, Mapping):
        raise InputError(f"{where}: must be a table")
    for key in _REQUIRED:
        if key not in row:
            raise InputError(f"{where}: '{key}' is missing")
    unknown = set(row) - set(_REQUIRED) - set(_OPTIONAL)
    if unknown:
        raise InputError(f"{where}: unknown key '{sorted(unknown)[0]}'")
    return dict(row)


def _check_kind(phase: str, kind: str, where: str) -> None:
    """Narrow compounds have coefficients over their width, the others profiles; couples grow two layers."""
    if phase in COMPOUNDS and kind == "tracer":
        raise InputError(f"{where}: {phase} is a narrow compound; kind must be integrated or interdiffusion")
    if phase in COMPOUNDS and kind == "growth" and phase not in GROWN:
        raise InputError(f"{where}: growth constants are understood for eta and epsilon only")
    if phase in WIDE_PHASES and kind in ("integrated", "growth"):
        raise InputError(f"{where}: {phase} has a profile; kind must be interdiffusion or tracer")


def _prefactor(row: Mapping[str, Any], where: str) -> float:
    """The prefactor; of D in a narrow compound times its homogeneity range, which gives K."""
    prefactor = _above_zero(row, "prefactor", where)
    if row["phase"] not in COMPOUNDS or row["kind"] != "interdiffusion":
        return prefactor
    if "homogeneity_range" not in row:
        raise InputError(f"{where}: interdiffusion in {row['phase']} needs homogeneity_range (atom fraction)")
    return prefactor * _above_zero(row, "homogeneity_range", where)


def _kelvin(row: Mapping[str, Any], key: str, where: str) -> float:
    return _finite(row[key], f"{where}: {key}") + ZERO_CELSIUS


def _terms(value: object, where: str) -> tuple[tuple[float, float], ...]:
    if not isinstance(value, list) or not all(isinstance(pair, list) and len(pair) == 2 for pair in value):
        raise InputError(f"{where} must be a list of [prefactor, activation energy in kJ/mol] pairs")
    return tuple((_finite(a, where), _finite(e, where) * 1e3) for a, e in value)


def _one_of(value: object, allowed: tuple[str, ...], where: str) -> None:
    if value not in allowed:
        raise InputError(f"{where} is {value!r}; allowed: {', '.join(allowed)}")


def _finite(value: object, where: str) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not isfinite(value):
        raise InputError(f"{where} is {value!r}; it must be a finite number")
    return float(value)


def _above_zero(row: Mapping[str, Any], key: str, where: str) -> float:
    value = _finite(row[key], f"{where}: {key}")
    if value <= 0:
        raise InputError(f"{where}: {key} is {value:g}; it must be above 0")
    return value


__all__ = [
    "COMPOUNDS", "ENERGY", "FITTED", "LN_PREFACTOR", "WIDE_PHASES", "Constant", "Covariance", "KineticSet",
    "available_sets", "load_set", "plain_set", "set_from_data",
]  # fmt: skip
