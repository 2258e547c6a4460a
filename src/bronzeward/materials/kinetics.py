"""Growth constants: sets by name or file, and their conversion from what experiments report.

A set holds, for each phase, an Arrhenius law prefactor * exp(-E / (R T)) of one of three kinds:

- integrated: K, the integral of D over the homogeneity range [m2/s] (C. Wagner, Acta Metall. 17 (1969) 99),
- interdiffusion: D [m2/s]; a compound multiplies it by its homogeneity range to get K,
- tracer: D* [m2/s], multiplied by the mean thermodynamic factor of the phase,
- growth: k [m2/s] of w^2 = k t on a plane couple of solid tin and copper; eta and epsilon together, which
  `plane_couple` converts to K without loss.

Each compound is parabolic, or slows by grain coarsening: K falls as (w_ref / w)^m with `slowing_exponent` m and
`reference_thickness_um` of its row. Grains that coarsen as the layer thickens close short circuits; m = 1 is the
w^3 ~ t of scalloped eta on liquid tin. Then k of a couple is that of w^(2 + m) = k w_ref^m t, [m2/s] as well.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property, lru_cache
from math import isfinite
from pathlib import Path

from bronzeward import files
from bronzeward.errors import InputError
from bronzeward.materials import literature
from bronzeward.materials.growth_constants import COMPOUNDS, WIDE_PHASES, Constant, Covariance
from bronzeward.materials.kinetic_rows import (
    FACTORS,
    GROWN,
    check_constant,
    checked_slowing,
    constant_from,
    covariance_from,
    row_of,
)
from bronzeward.materials.plane_couple import integrated_terms
from bronzeward.materials.properties import load_properties

ON_LIQUID = tuple(f"{phase}_liquid" for phase in COMPOUNDS)
"""Compounds in contact with liquid, as factors and exponents name them."""


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
        return self._laws.get((phase, contact)) or self._laws[phase, "any"]

    @cached_property
    def _laws(self) -> dict[tuple[str, str], Constant]:
        return {(c.phase, c.contact): c for c in self.constants}

    def scaled(self, factors: Mapping[str, float]) -> KineticSet:
        """The same set with the constants of some phases multiplied by a factor; "eta_liquid" is eta on liquid only."""
        unknown = set(factors) - {c.phase for c in self.constants} - set(ON_LIQUID)
        if unknown:
            allowed = ", ".join(COMPOUNDS + WIDE_PHASES + ON_LIQUID)
            raise InputError(f"kinetics: factor for unknown phase '{sorted(unknown)[0]}'; allowed: {allowed}")
        for phase, factor in factors.items():
            if not isfinite(factor) or factor <= 0:
                raise InputError(f"kinetics: factor for {phase} is {factor}; it must be finite and above 0")
            if not FACTORS[0] <= factor <= FACTORS[1]:
                raise InputError(
                    f"kinetics: factor for {phase} is {factor:g}; allowed are {FACTORS[0]:g} to {FACTORS[1]:g}"
                )
        on_liquid = {key: factor for key, factor in factors.items() if key in ON_LIQUID}
        constants = tuple(
            c.times(factors.get(c.phase, 1.0) * on_liquid.get(c.key, 1.0)) for c in self._with_own(on_liquid)
        )
        together = dict(self.factors)
        for phase, factor in factors.items():
            together[phase] = together.get(phase, 1.0) * factor
        return replace(self, constants=constants, factors=tuple(together.items()))

    def slowed(self, exponents: Mapping[str, float]) -> KineticSet:
        """The same set with the growth of some compounds slowing by these exponents; "eta_liquid" is on liquid only."""
        for phase, exponent in exponents.items():
            if phase not in COMPOUNDS + ON_LIQUID:
                raise InputError(f"kinetics: slowing for '{phase}'; allowed: {', '.join(COMPOUNDS + ON_LIQUID)}")
            checked_slowing(exponent, f"kinetics: slowing for {phase}")
        constants = tuple(
            replace(c, slowing=float(exponents.get(c.key, exponents.get(c.phase, c.slowing))))
            for c in self._with_own(exponents)
        )
        return replace(self, constants=constants)

    def wavering(self, spread: float, phases: Iterable[str]) -> KineticSet:
        """The same set with a standard deviation for the exponents of compounds among `phases` that have none."""
        some = {c.phase for c in self.constants if c.phase in phases and c.phase in COMPOUNDS and not c.slowing_spread}
        if not spread or not some:
            return self
        constants = (replace(c, slowing_spread=spread) if c.phase in some else c for c in self.constants)
        return replace(self, constants=tuple(constants))

    def _with_own(self, keys: Iterable[str]) -> tuple[Constant, ...]:
        """The constants, and one of its own for contact with liquid of each compound that `keys` name so."""
        known = {c.key for c in self.constants}
        phases = [phase for phase, key in zip(COMPOUNDS, ON_LIQUID, strict=True) if key in keys and key not in known]
        return (*self.constants, *(replace(self.constant(phase), contact="liquid") for phase in phases))

    def to_data(self) -> dict[str, object]:
        """The set with the keys of [kinetics] in a case file: by name with what changes it, or constant by constant."""
        if self.name in available_sets():
            named, factors = load_set(self.name), dict(self.factors)
            usual = {c.key: named.constant(c.phase, c.contact).slowing for c in self.constants}
            slowing = {c.key: c.slowing for c in self.constants if c.slowing != usual[c.key]}
            for kept in ({}, factors):
                if named.slowed(slowing).scaled(kept) == self:
                    changes = {"factors": kept, "slowing": slowing}
                    return {"set": self.name, **{key: values for key, values in changes.items() if values}}
        return {"constants": plain_set(self)}

    @cached_property
    def sound(self) -> KineticSet:
        """The same set.

        Raises
        ------
        InputError
            When it was made in a way in which a kinetic file could not give it.
        """
        _check_set(self, "kinetics")
        return self

    def drawn(self, constants: Iterable[Constant]) -> KineticSet:
        """The same with constants drawn about its own, for a band; these may lie beyond what a file may give."""
        other = replace(self, constants=tuple(constants))
        other.__dict__["sound"] = other
        return other

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
        return _bundled(path, path.stat().st_mtime_ns)
    return set_from_data(files.read_toml(path), str(path), path.stem)


@lru_cache(maxsize=16)
def _bundled(path: Path, _changed: int) -> KineticSet:
    """A set of the databases, read once: runs on end are asked for the same one."""
    return set_from_data(files.read_toml(path), str(path), path.stem)


def set_from_data(data: Mapping[str, object], where: str, name: str = "unnamed") -> KineticSet:
    """A set from the plain data of a kinetic file; `where` is named in errors."""
    unknown = set(data) - {"name", "title", "note", "inherits", "constant", "covariance"}
    if unknown:
        raise InputError(f"{where}: unknown key '{sorted(unknown)[0]}'")
    given = _given(data.get("constant", []), where)
    keys = [(c.phase, c.contact) for c in given]
    constants = (*given, *(c for c in _inherited(data, where) if (c.phase, c.contact) not in keys))
    covariance = covariance_from(data["covariance"], f"{where}: covariance") if "covariance" in data else None
    made = KineticSet(str(data.get("name", name)), str(data.get("title", "")), constants, covariance)
    _check_set(made, where)  # as the engine uses it: also what was converted, or multiplied by a range
    return made


def _check_set(kinetics: KineticSet, where: str) -> None:
    constants = kinetics.constants
    if not isinstance(constants, tuple) or not all(isinstance(c, Constant) for c in constants):
        raise InputError(f"{where}: constants must be a tuple of Constant")
    for constant in constants:
        check_constant(constant, where)
    everywhere = {c.phase for c in constants if c.contact == "any"}
    missing = [phase for phase in COMPOUNDS + WIDE_PHASES if phase not in everywhere]
    if missing:
        raise InputError(f'{where}: no constant for {", ".join(missing)}; give them or add inherits = "default"')
    keys = [(c.phase, c.contact) for c in constants]
    for key in keys:
        if keys.count(key) > 1:
            raise InputError(f"{where}: {key[0]} (contact {key[1]}) is given twice")


def _given(rows: object, where: str) -> list[Constant]:
    """The constants that stand in the file itself."""
    if not isinstance(rows, list):
        raise InputError(f"{where}: 'constant' must be an array of tables, [[constant]]")
    constants = [constant_from(row, f"{where}: constant {k}") for k, row in enumerate(rows, start=1)]
    constants = _converted(constants, [row["kind"] == "growth" for row in rows], where)
    keys = [(c.phase, c.contact) for c in constants]
    for key in keys:
        if keys.count(key) > 1:
            raise InputError(f"{where}: {key[0]} (contact {key[1]}) is given twice")
    return constants


def _inherited(data: Mapping[str, object], where: str) -> tuple[Constant, ...]:
    if "inherits" not in data:
        return ()
    if not isinstance(data["inherits"], str) or data["inherits"] not in available_sets():
        raise InputError(f"{where}: inherits '{data['inherits']}'; allowed are {', '.join(available_sets())}")
    return load_set(data["inherits"]).constants


def _converted(constants: Sequence[Constant], grown: Sequence[bool], where: str) -> list[Constant]:
    """Growth constants of a plane couple turned into integrated coefficients; the others as they are."""
    if not any(grown):
        return list(constants)
    layers = {c.phase: c for c, yes in zip(constants, grown, strict=True) if yes}
    if set(layers) != set(GROWN) or any(c.contact != "any" for c in layers.values()) or sum(grown) != len(GROWN):
        raise InputError(f"{where}: kind growth needs eta and epsilon, each once and with contact any")
    known, pair = load_properties(), [layers[phase] for phase in GROWN]
    volumes, tin = [known.molar_volume[phase] for phase in GROWN], [known.compound_tin[phase] for phase in GROWN]
    if len({(layer.slowing, layer.reference) for layer in pair}) > 1:
        raise InputError(f"{where}: layers of kind growth need the same slowing_exponent and reference_thickness_um")
    other = 1.0 / (2.0 + pair[0].slowing)
    own = 1.0 - other
    share = integrated_terms(volumes, tin, (1.0, 0.0), pair[0].slowing)
    converted = {}
    for i, layer in enumerate(pair):
        laws = [
            (share[i, j] * layer.prefactor**own * o.prefactor**other, own * layer.activation + other * o.activation)
            for j, o in enumerate(pair)
        ]
        first, second = laws[i], laws[1 - i]
        converted[layer.phase] = replace(layer, prefactor=first[0], activation=first[1], terms=(second,))
    return [converted[c.phase] if yes else c for c, yes in zip(constants, grown, strict=True)]


def plain_set(kinetics: KineticSet) -> dict[str, object]:
    """A set as the plain data of a kinetic file; `set_from_data` gives it back, energies to the last bit but one."""
    rows = [row_of(constant) for constant in kinetics.constants]
    data: dict[str, object] = {"name": kinetics.name, "title": kinetics.title, "constant": rows}
    if kinetics.covariance is not None:
        matrix = [list(row) for row in kinetics.covariance.matrix]
        data["covariance"] = {"parameters": list(kinetics.covariance.parameters), "matrix": matrix}
    return data
