"""Rows of a kinetic file: constants and their covariance, to and from plain data."""

from __future__ import annotations

from collections.abc import Mapping
from math import isfinite
from typing import Any

import numpy as np

from bronzeward.errors import InputError
from bronzeward.materials.doubt_data import reference_thickness_um
from bronzeward.materials.growth_constants import (
    COMPOUNDS,
    ENERGY,
    EXPONENT,
    FITTED,
    LEAST_SLOWING,
    MOST_SLOWING,
    WIDE_PHASES,
    Constant,
    Covariance,
)
from bronzeward.units import MICROMETRE, ZERO_CELSIUS, written

KINDS = ("integrated", "interdiffusion", "tracer", "growth")
CONTACTS = ("any", "liquid")
GROWN = ("eta", "epsilon")
"""Phases of a plane couple, whose growth constants are converted together."""

_REQUIRED = (
    "phase", "kind", "prefactor", "activation_energy_kJ_per_mol", "t_min_C", "t_max_C", "factor_1sigma",
)  # fmt: skip
_OPTIONAL = (
    "homogeneity_range", "composition_exponent", "factor_1sigma_extrapolated", "more_terms",
    "slowing_exponent", "slowing_1sigma", "reference_thickness_um", "contact", "grade", "seen", "source", "locator",
    "note",
)  # fmt: skip


PREFACTORS = 1e-30, 1e6
"""Between these lie prefactors [m2/s], ..."""

ENERGIES = 1e-3, 1e3
"""activation energies [kJ/mol], ..."""

EXPONENTS = -200.0, 200.0
"""exponents of composition, ..."""

FACTORS = 1e-6, 1e6
"""standard deviations as factors, homogeneity ranges, and factors that a case scales constants by, ..."""

THICKNESSES_UM = 1e-3, 1e6
"""thicknesses that growth slows from [µm], ..."""

HOTTEST_C = 5000.0
"""and ranges of temperature [°C]: far beyond all that was ever measured."""

FASTEST, RICHEST = 1e-5, 0.25
"""Constants at most [m2/s], a thousand times what tin does in liquid tin; tin of the richest phase with a profile."""

_KELVIN = np.linspace(ZERO_CELSIUS, ZERO_CELSIUS + 1000.0, 201)
"""Temperatures at which a constant must be above 0 [K]: all that a schedule may have."""


def constant_from(row: object, where: str) -> Constant:
    """The constant that a row of a kinetic file gives; growth constants as they stand."""
    known = _with_known_keys(row, where)
    phase, kind, contact = known["phase"], known["kind"], known.get("contact", "any")
    _one_of(phase, COMPOUNDS + WIDE_PHASES, f"{where}: phase")
    _one_of(kind, KINDS, f"{where}: kind")
    _one_of(contact, CONTACTS, f"{where}: contact")
    _check_kind(phase, kind, where)
    factor = _between(known, "factor_1sigma", FACTORS, where)
    wider = _between({"factor_1sigma_extrapolated": factor, **known}, "factor_1sigma_extrapolated", FACTORS, where)
    if phase in WIDE_PHASES and not {EXPONENT, "slowing_1sigma", "reference_thickness_um"}.isdisjoint(known):
        raise InputError(f"{where}: {phase} has a profile; only compounds slow as they thicken")
    thickness = {"reference_thickness_um": reference_thickness_um(), **known}
    reference = _between(thickness, "reference_thickness_um", THICKNESSES_UM, where)
    sources = known.get("source", [])
    if not isinstance(sources, list):
        raise InputError(f"{where}: source must be a list of bibliography keys")
    constant = Constant(
        phase=phase,
        contact=contact,
        prefactor=_prefactor(known, where),
        activation=_between(known, ENERGY, ENERGIES, where) * 1e3,
        exponent=_between({"composition_exponent": 0.0, **known}, "composition_exponent", EXPONENTS, where),
        thermodynamic=kind == "tracer",
        range=(_kelvin(known, "t_min_C", where), _kelvin(known, "t_max_C", where)),
        factor=max(factor, 1.0 / factor),
        extrapolated_factor=max(wider, 1.0 / wider),
        grade=str(known.get("grade", "")),
        seen=str(known.get("seen", "")),
        source=tuple(str(key) for key in sources),
        note=str(known.get("note", "")),
        slowing=checked_slowing(known.get(EXPONENT, 0.0), f"{where}: {EXPONENT}"),
        slowing_spread=_between({"slowing_1sigma": 0.0, **known}, "slowing_1sigma", (0.0, 2.0), where),
        reference=reference * MICROMETRE,
        terms=_terms(known.get("more_terms", []), f"{where}: more_terms"),
    )
    _check_size(constant, where)
    if constant.range[0] > constant.range[1]:
        raise InputError(f"{where}: t_min_C is above t_max_C")
    return constant


def check_constant(constant: Constant, where: str) -> None:
    """Refuse a constant, wherever it was made, that a kinetic file could not give, in the words of one."""
    _one_of(constant.phase, COMPOUNDS + WIDE_PHASES, f"{where}: phase")
    where = f"{where}: {constant.key}"
    _one_of(constant.contact, CONTACTS, f"{where}: contact")
    for key, value, bounds in (
        ("prefactor", constant.prefactor, PREFACTORS),
        (ENERGY, _scaled(constant.activation, 1e-3), ENERGIES),
        ("composition_exponent", constant.exponent, EXPONENTS),
        ("t_min_C", _shifted(constant.range[0]), (-ZERO_CELSIUS, HOTTEST_C)),
        ("t_max_C", _shifted(constant.range[1]), (-ZERO_CELSIUS, HOTTEST_C)),
        ("factor_1sigma", constant.factor, FACTORS),
        ("factor_1sigma_extrapolated", constant.extrapolated_factor, FACTORS),
        ("slowing_1sigma", constant.slowing_spread, (0.0, 2.0)),
        ("reference_thickness_um", _scaled(constant.reference, 1.0 / MICROMETRE), THICKNESSES_UM),
    ):
        _between({key: value}, key, bounds, where)
    checked_slowing(constant.slowing, f"{where}: {EXPONENT}")
    _terms([[a, _scaled(e, 1e-3)] for a, e in constant.terms], f"{where}: more_terms")
    _check_size(constant, where)
    if constant.range[0] > constant.range[1]:
        raise InputError(f"{where}: t_min_C is above t_max_C")


def _scaled(value: float, factor: float) -> float:
    """In the unit of a file, without what rounding left, so that a value at its bound is not beyond it."""
    return float(f"{value * factor:.12g}")


def _shifted(kelvin: float) -> float:
    return round(kelvin - ZERO_CELSIUS, 9)


def _check_size(constant: Constant, where: str) -> None:
    """All terms together, with what their composition adds, may be neither nothing nor faster than any liquid."""
    values = constant.at(_KELVIN)
    richest = np.exp(max(constant.exponent, 0.0) * RICHEST)
    for value, celsius in zip(values, _KELVIN - ZERO_CELSIUS, strict=True):
        if not 0.0 < value * richest <= FASTEST:
            raise InputError(
                f"{where}: at {celsius:g} °C it is {value * richest:.3g} m2/s, all terms and the composition counted; "
                f"allowed are values above 0 up to {FASTEST:g}"
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
    prefactor = _between(row, "prefactor", PREFACTORS, where)
    if row["phase"] not in COMPOUNDS or row["kind"] != "interdiffusion":
        return prefactor
    if "homogeneity_range" not in row:
        raise InputError(f"{where}: interdiffusion in {row['phase']} needs homogeneity_range (atom fraction)")
    return prefactor * _between(row, "homogeneity_range", (FACTORS[0], 1.0), where)


def checked_slowing(value: object, where: str) -> float:
    """An exponent by which growth slows, if it is one."""
    exponent = _finite(value, where)
    if not LEAST_SLOWING <= exponent <= MOST_SLOWING:
        raise InputError(
            f"{where} is {exponent:g}; allowed are {LEAST_SLOWING:g} to {MOST_SLOWING:g}, of which 0 is parabolic"
        )
    return exponent


def _kelvin(row: Mapping[str, object], key: str, where: str) -> float:
    return _between(row, key, (-ZERO_CELSIUS, HOTTEST_C), where) + ZERO_CELSIUS


def _terms(value: object, where: str) -> tuple[tuple[float, float], ...]:
    if not isinstance(value, list) or not all(isinstance(pair, list) and len(pair) == 2 for pair in value):
        raise InputError(f"{where} must be a list of [prefactor, activation energy in kJ/mol] pairs")
    for prefactor, energy in value:
        size = {"prefactor": abs(_finite(prefactor, where)), "energy": energy}
        _between(size, "prefactor", PREFACTORS, where)
        _between(size, "energy", ENERGIES, where)
    return tuple((float(a), e * 1e3) for a, e in value)


def _one_of(value: object, allowed: tuple[str, ...], where: str) -> None:
    if value not in allowed:
        raise InputError(f"{where} is {value!r}; allowed: {', '.join(allowed)}")


def _finite(value: object, where: str) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not isfinite(value):
        raise InputError(f"{where} is {value!r}; it must be a finite number")
    return float(value)


def _between(row: Mapping[str, Any], key: str, bounds: tuple[float, float], where: str) -> float:
    value, (low, high) = _finite(row[key], f"{where}: {key}"), bounds
    if low > 0.0 and value <= 0.0:
        raise InputError(f"{where}: {key} is {value:g}; it must be above 0")
    if not low <= value <= high:
        raise InputError(f"{where}: {key} is {value:g}; allowed are {low:g} to {high:g}")
    return value


def covariance_from(data: object, where: str) -> Covariance:
    """The covariance that a kinetic file gives."""
    if not isinstance(data, Mapping) or set(data) != {"parameters", "matrix"}:
        raise InputError(f"{where}: must be a table with parameters and matrix")
    names, rows = data["parameters"], data["matrix"]
    allowed = [f"{phase}.{value}" for phase in COMPOUNDS + WIDE_PHASES for value in FITTED]
    allowed = [name for name in allowed if not name.endswith(EXPONENT) or name.startswith(COMPOUNDS)]
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


def _kilo(joule: float) -> float:
    return written(joule, joule / 1e3, lambda kilojoule: kilojoule * 1e3)


def _celsius(kelvin: float) -> float:
    return written(kelvin, kelvin - ZERO_CELSIUS, lambda celsius: celsius + ZERO_CELSIUS)


def _slowing_of(constant: Constant) -> dict[str, float]:
    """The keys of a growth law that is not parabolic, and of a thickness that is not the usual one."""
    reference = written(constant.reference, constant.reference / MICROMETRE, lambda um: um * MICROMETRE)
    return {
        **({EXPONENT: constant.slowing} if constant.slowing else {}),
        **({"slowing_1sigma": constant.slowing_spread} if constant.slowing_spread else {}),
        **({"reference_thickness_um": reference} if reference != reference_thickness_um() else {}),
    }


def row_of(constant: Constant) -> dict[str, Any]:
    """The row that gives a constant; energies to the last bit but one."""
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
        **_slowing_of(constant),
        "more_terms": [[a, _kilo(e)] for a, e in constant.terms],
    }
