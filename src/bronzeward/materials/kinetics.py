"""Growth constants: sets by name or file, and their conversion from what experiments report.

A set holds, for each phase, an Arrhenius law prefactor * exp(-E / (R T)) of one of three kinds:

- integrated: K, the integral of D over the homogeneity range [m2/s] (C. Wagner, Acta Metall. 17 (1969) 99),
- interdiffusion: D [m2/s]; a compound multiplies it by its homogeneity range to get K,
- tracer: D* [m2/s], multiplied by the mean thermodynamic factor of the phase,
- growth: k [m2/s] of w^2 = k t on a plane couple of solid tin and copper; eta and epsilon together, which
  `couple.py` converts to K without loss.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from math import isfinite
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from bronzeward import files
from bronzeward.errors import InputError
from bronzeward.materials import literature
from bronzeward.materials.phases import COMPOUND_TIN
from bronzeward.materials.plane_couple import integrated_terms
from bronzeward.materials.properties import load_properties
from bronzeward.units import GAS_CONSTANT, ZERO_CELSIUS, written

COMPOUNDS = ("eta", "epsilon", "zeta", "delta")
WIDE_PHASES = ("gamma", "beta", "alpha")
KINDS = ("integrated", "interdiffusion", "tracer", "growth")
CONTACTS = ("any", "liquid")

_REQUIRED = (
    "phase",
    "kind",
    "prefactor",
    "activation_energy_kJ_per_mol",
    "t_min_C",
    "t_max_C",
    "factor_1sigma",
)
_OPTIONAL = (
    "homogeneity_range", "composition_exponent", "factor_1sigma_extrapolated", "more_terms",
    "contact", "grade", "seen", "source", "locator", "note",
)  # fmt: skip


@dataclass(frozen=True)
class Constant:
    """One Arrhenius law as the engine uses it.

    Attributes
    ----------
    phase : str
    contact : str
        "liquid" when it holds only where the phase touches liquid, else "any".
    prefactor : float, [m2/s]
        Of K for a compound, of D for a phase with a profile.
    activation : float, [J/mol]
    exponent : float, [-]
        D rises as exp(exponent * N_Sn).
    thermodynamic : bool
        Whether D still has to be multiplied by the thermodynamic factor.
    range : (float, float), [K]
        Temperatures it was measured or assessed for.
    factor : float, [-]
        Standard deviation of its natural logarithm is ln(factor).
    extrapolated_factor : float, [-]
        The same outside the range.
    """

    phase: str
    contact: str
    prefactor: float
    activation: float
    exponent: float
    thermodynamic: bool
    range: tuple[float, float]
    factor: float
    extrapolated_factor: float
    grade: str = ""
    seen: str = ""
    source: tuple[str, ...] = ()
    note: str = ""
    terms: tuple[tuple[float, float], ...] = ()
    """Further (prefactor [m2/s], activation [J/mol]) to add to the first law."""

    def at(self, temperature: Any) -> NDArray[np.float64]:
        """Value [m2/s] at `temperature` [K], any shape."""
        reciprocal = 1.0 / (GAS_CONSTANT * np.asarray(temperature, dtype=float))
        laws = ((self.prefactor, self.activation), *self.terms)
        return np.asarray(sum(a * np.exp(-e * reciprocal) for a, e in laws))

    def times(self, factor: float) -> Constant:
        """The same constant multiplied by a number."""
        terms = tuple((a * factor, e) for a, e in self.terms)
        return replace(self, prefactor=self.prefactor * factor, terms=terms)


@dataclass(frozen=True)
class Covariance:
    """How the values of a fit vary together.

    Attributes
    ----------
    parameters : tuple of str, n of them
        "<phase>.ln_prefactor" [-] or "<phase>.activation_energy_kJ_per_mol".
    matrix : tuple of n tuples of n float
    """

    parameters: tuple[str, ...]
    matrix: tuple[tuple[float, ...], ...]


@dataclass(frozen=True)
class KineticSet:
    """All constants of a run, by (phase, contact); a fitted set knows its covariance."""

    name: str
    title: str
    constants: tuple[Constant, ...]
    covariance: Covariance | None = None
    factors: tuple[tuple[str, float], ...] = field(default=(), compare=False, repr=False)
    """Factors by phase that the set of this name was scaled by; `to_data` checks that they say what it is."""

    def constant(self, phase: str, contact: str = "any") -> Constant:
        """The constant of a phase; the one for contact with liquid where the set has it."""
        found = {(c.phase, c.contact): c for c in self.constants}
        if (phase, contact) in found:
            return found[phase, contact]
        return found[phase, "any"]

    def scaled(self, factors: dict[str, float]) -> KineticSet:
        """The same set with the constants of some phases multiplied by a factor."""
        unknown = set(factors) - {c.phase for c in self.constants}
        if unknown:
            allowed = ", ".join(COMPOUNDS + WIDE_PHASES)
            raise InputError(f"kinetics: factor for unknown phase '{sorted(unknown)[0]}'; allowed: {allowed}")
        for phase, factor in factors.items():
            if not isfinite(factor) or factor <= 0:
                raise InputError(f"kinetics: factor for {phase} is {factor}; it must be finite and above 0")
        constants = tuple(c.times(factors.get(c.phase, 1.0)) for c in self.constants)
        together = dict(self.factors)
        for phase, factor in factors.items():
            together[phase] = together.get(phase, 1.0) * factor
        return replace(self, constants=constants, factors=tuple(together.items()))

    def to_data(self) -> dict[str, Any]:
        """The set with the keys of [kinetics] in a case file: by name with factors, or constant by constant."""
        if self.name in available_sets():
            named, factors = load_set(self.name), dict(self.factors)
            if factors and named.scaled(factors) == self:
                return {"set": self.name, "factors": factors}
            if named == self:
                return {"set": self.name}
        return {"constants": plain_set(self)}

    @property
    def references(self) -> tuple[str, ...]:
        """Bibliography keys, each once."""
        return tuple(dict.fromkeys(key for c in self.constants for key in c.source))


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
    return _read_set(path)


def _read_set(path: Path) -> KineticSet:
    return set_from_data(files.read_toml(path), str(path), path.stem)


def set_from_data(data: dict[str, Any], where: str, name: str = "unnamed") -> KineticSet:
    """A set from the plain data of a kinetic file; `where` is named in errors."""
    unknown = set(data) - {"name", "title", "note", "inherits", "constant", "covariance"}
    if unknown:
        raise InputError(f"{where}: unknown key '{sorted(unknown)[0]}'")
    rows = data.get("constant", [])
    if not isinstance(rows, list):
        raise InputError(f"{where}: 'constant' must be an array of tables, [[constant]]")
    own = [_constant(row, f"{where}: constant {k}") for k, row in enumerate(rows, start=1)]
    measured = [isinstance(row, dict) and row.get("kind") == "growth" for row in rows]
    if any(measured):
        own = _converted(own, measured, where)
    keys = [(c.phase, c.contact) for c in own]
    for key in keys:
        if keys.count(key) > 1:
            raise InputError(f"{where}: {key[0]} (contact {key[1]}) is given twice")
    inherited: tuple[Constant, ...] = ()
    if "inherits" in data:
        if not isinstance(data["inherits"], str) or data["inherits"] not in available_sets():
            raise InputError(f"{where}: inherits '{data['inherits']}'; allowed are {', '.join(available_sets())}")
        inherited = load_set(data["inherits"]).constants
    constants = (*own, *(c for c in inherited if (c.phase, c.contact) not in keys))
    there = {c.phase for c in constants if c.contact == "any"}
    missing = [phase for phase in COMPOUNDS + WIDE_PHASES if phase not in there]
    if missing:
        raise InputError(f'{where}: no constant for {", ".join(missing)}; give them or add inherits = "default"')
    covariance = _covariance(data["covariance"], f"{where}: covariance") if "covariance" in data else None
    return KineticSet(str(data.get("name", name)), str(data.get("title", "")), constants, covariance)


#: Values that a fit may give with their covariance, after the phase and a point.
FITTED = ("ln_prefactor", "activation_energy_kJ_per_mol")


def _covariance(given: Any, where: str) -> Covariance:
    if not isinstance(given, dict) or set(given) != {"parameters", "matrix"}:
        raise InputError(f"{where}: must be a table with parameters and matrix")
    names, rows = given["parameters"], given["matrix"]
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


def _converted(own: list[Constant], measured: list[bool], where: str) -> list[Constant]:
    """Growth constants of a plane couple turned into integrated coefficients; the others as they are."""
    layers = {c.phase: c for c, grown in zip(own, measured, strict=True) if grown}
    if set(layers) != {"eta", "epsilon"} or any(c.contact != "any" for c in layers.values()) or sum(measured) != 2:
        raise InputError(f"{where}: kind growth needs eta and epsilon, each once and with contact any")
    volumes = load_properties().molar_volume
    pair = (layers["eta"], layers["epsilon"])
    share = integrated_terms([volumes[c.phase] for c in pair], [COMPOUND_TIN[c.phase] for c in pair], (1.0, 0.0))
    converted = {}
    for i, mine in enumerate(pair):
        laws = [
            (share[i, j] * (mine.prefactor * other.prefactor) ** 0.5, 0.5 * (mine.activation + other.activation))
            for j, other in enumerate(pair)
        ]
        first, second = laws[i], laws[1 - i]
        converted[mine.phase] = replace(mine, prefactor=first[0], activation=first[1], terms=(second,))
    return [converted[c.phase] if grown else c for c, grown in zip(own, measured, strict=True)]


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
        "activation_energy_kJ_per_mol": _kilo(constant.activation),
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


def _constant(row: Any, where: str) -> Constant:
    if not isinstance(row, dict):
        raise InputError(f"{where}: must be a table")
    for key in _REQUIRED:
        if key not in row:
            raise InputError(f"{where}: '{key}' is missing")
    unknown = set(row) - set(_REQUIRED) - set(_OPTIONAL)
    if unknown:
        raise InputError(f"{where}: unknown key '{sorted(unknown)[0]}'")
    phase, kind, contact = row["phase"], row["kind"], row.get("contact", "any")
    _one_of(phase, COMPOUNDS + WIDE_PHASES, f"{where}: phase")
    _one_of(kind, KINDS, f"{where}: kind")
    _one_of(contact, CONTACTS, f"{where}: contact")
    prefactor = _above_zero(row, "prefactor", where)
    if phase in COMPOUNDS:
        if kind == "tracer":
            raise InputError(f"{where}: {phase} is a narrow compound; kind must be integrated or interdiffusion")
        if kind == "growth" and phase not in ("eta", "epsilon"):
            raise InputError(f"{where}: growth constants are understood for eta and epsilon only")
        if kind == "interdiffusion":
            if "homogeneity_range" not in row:
                raise InputError(f"{where}: interdiffusion in {phase} needs homogeneity_range (atom fraction)")
            prefactor *= _above_zero(row, "homogeneity_range", where)
    elif kind in ("integrated", "growth"):
        raise InputError(f"{where}: {phase} has a profile; kind must be interdiffusion or tracer")
    factor = _above_zero(row, "factor_1sigma", where)
    wider = _above_zero({"factor_1sigma_extrapolated": factor, **row}, "factor_1sigma_extrapolated", where)
    sources = row.get("source", [])
    if not isinstance(sources, list):
        raise InputError(f"{where}: source must be a list of bibliography keys")
    return Constant(
        phase=phase,
        contact=contact,
        prefactor=prefactor,
        activation=_above_zero(row, "activation_energy_kJ_per_mol", where) * 1e3,
        exponent=_finite(row.get("composition_exponent", 0.0), f"{where}: composition_exponent"),
        thermodynamic=kind == "tracer",
        range=(
            _finite(row["t_min_C"], f"{where}: t_min_C") + ZERO_CELSIUS,
            _finite(row["t_max_C"], f"{where}: t_max_C") + ZERO_CELSIUS,
        ),
        factor=max(factor, 1.0 / factor),
        extrapolated_factor=max(wider, 1.0 / wider),
        grade=str(row.get("grade", "")),
        seen=str(row.get("seen", "")),
        source=tuple(str(key) for key in sources),
        note=str(row.get("note", "")),
        terms=_terms(row.get("more_terms", []), f"{where}: more_terms"),
    )


def _terms(value: Any, where: str) -> tuple[tuple[float, float], ...]:
    if not isinstance(value, list) or not all(isinstance(pair, list) and len(pair) == 2 for pair in value):
        raise InputError(f"{where} must be a list of [prefactor, activation energy in kJ/mol] pairs")
    return tuple((_finite(a, where), _finite(e, where) * 1e3) for a, e in value)


def _one_of(value: Any, allowed: tuple[str, ...], where: str) -> None:
    if value not in allowed:
        raise InputError(f"{where} is {value!r}; allowed: {', '.join(allowed)}")


def _finite(value: Any, where: str) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not isfinite(value):
        raise InputError(f"{where} is {value!r}; it must be a finite number")
    return float(value)


def _above_zero(row: dict[str, Any], key: str, where: str) -> float:
    value = _finite(row[key], f"{where}: {key}")
    if value <= 0:
        raise InputError(f"{where}: {key} is {value:g}; it must be above 0")
    return value
