"""A case: everything one run needs, from a TOML file or from the inputs stored in a result."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from math import isfinite
from pathlib import Path
from typing import Any, NamedTuple

from bronzeward import files
from bronzeward.errors import InputError
from bronzeward.inputs.furnace_log import read_log
from bronzeward.inputs.schedule import Schedule
from bronzeward.inputs.strand import Strand
from bronzeward.materials.eta_limits import DESCRIPTION, checked_limit, limit_in_kelvin
from bronzeward.materials.kinetics import KineticSet, load_set, set_from_data
from bronzeward.units import HOUR, MICROMETRE

DEFAULT_DESCRIPTION = "cu-sn-shim1996"

_TOP = {"title", "strand", "couple", "schedule", "kinetics", "thermodynamics", "volumes", "numerics"}
_STRAND = {
    "core_diameter_um", "sleeve_diameter_um", "copper_tin_ratio", "pack", "pack_transport", "cavity_expansion",
    "film_makes_room", "void_place", "eccentricity", "barrier_um", "barrier_metal", "porosity", "initial_eta_um",
    "initial_epsilon_um",
}  # fmt: skip
_COUPLE = {
    "tin_thickness_um", "copper_thickness_um", "porosity", "initial_eta_um", "initial_epsilon_um", "film_makes_room",
    "cavity_expansion", "void_place",
}  # fmt: skip
_PACK = {"outer_diameter_um", "copper_fraction"}
_SCHEDULE = {"start_C", "steps", "log", "log_channel", "longest_gap_h", "despike", "measured"}
_KINETICS = {"set", "file", "constants", "factors", "slowing"}


@dataclass(frozen=True)
class Numerics:
    """How finely a run is computed.

    Attributes
    ----------
    tolerance : float, [-]
        Relative error allowed in each step.
    seed_nm : float, [nm]
        Thickness of a layer that has just formed.
    alpha_cells, inner_cells : int
        Cells of the profile in alpha, and in gamma and beta.
    """

    tolerance: float = 1e-3
    seed_nm: float = 1.0
    alpha_cells: int = 40
    inner_cells: int = 8

    def __post_init__(self) -> None:
        _within(self.tolerance, 1e-12, 1e-2, "numerics: tolerance")
        _within(self.seed_nm, 0.01, 100.0, "numerics: seed_nm")
        for name, value, least in (
            ("alpha_cells", self.alpha_cells, 3),
            ("inner_cells", self.inner_cells, 2),
        ):
            if isinstance(value, bool) or not isinstance(value, int) or not least <= value <= 2000:
                raise InputError(f"numerics: {name} is {value!r}; allowed are whole numbers from {least} to 2000")


MOST_SEED = 0.05
"""A layer starts as at most this share of the core's radius; what it is then would decide what becomes of it."""


class Volumes(NamedTuple):
    """Factors [-] of the liquid's density and of the compounds' molar volumes and expansions, in the volume account."""

    liquid_density: float = 1.0
    compound_volume: float = 1.0
    compound_expansion: float = 1.0


@dataclass(frozen=True)
class Case:
    """All that one run needs; `to_data` gives it as plain data, `case_from_data` reads that.

    `eta_limit` is up to where eta is stable: "description", the key of a published value, or a temperature [°C].
    """

    strand: Strand
    schedule: Schedule
    kinetics: KineticSet
    description: str = DEFAULT_DESCRIPTION
    numerics: Numerics = field(default_factory=Numerics)
    title: str = ""
    eta_limit: str | float = DESCRIPTION
    volumes: Volumes = field(default_factory=Volumes)

    def __post_init__(self) -> None:
        _ = self.kinetics.sound
        self.schedule.with_length()
        most = MOST_SEED * self.strand.core_radius
        if self.numerics.seed_nm * 1e-9 > most:
            raise InputError(
                f"numerics: seed_nm is {self.numerics.seed_nm:g}; of this core it may be {most * 1e9:.3g} at most, "
                f"{100 * MOST_SEED:g} % of its radius"
            )

    @property
    def eta_limit_K(self) -> float | None:
        """Temperature [K] up to which eta is taken to be stable; None where that is left to the description."""
        return limit_in_kelvin(self.eta_limit)

    def to_data(self) -> dict[str, Any]:
        """The case with the keys of a case file, derived from what it holds."""
        volumes = {f"{name}_factor": factor for name, factor in self.volumes._asdict().items() if factor != 1.0}
        return {
            **({"title": self.title} if self.title else {}),
            **self.strand.to_data(),
            "schedule": self.schedule.to_data(),
            "kinetics": self.kinetics.to_data(),
            "thermodynamics": {
                "description": self.description,
                **({} if self.eta_limit == DESCRIPTION else {"eta_limit": self.eta_limit}),
            },
            **({"volumes": volumes} if volumes else {}),
            "numerics": dict(vars(self.numerics)),
        }


def load_case(path: str | Path) -> Case:
    """Read a case file, the same as JSON, or the inputs of a stored result; files named are looked for beside it."""
    path = Path(path)
    text = files.text_in_netcdf(path, "inputs") if path.suffix.lower() == ".nc" else files.read_text(path)
    data = None if text.lstrip().startswith("{") else files.parse_toml(text, str(path))
    try:
        return case_from_data(_from_json(text) if data is None else data, path.parent)
    except InputError as error:
        raise InputError(f"{path}: {error}") from None


def case_from_json(text: str) -> Case:
    """A case from the inputs that a result carries."""
    return case_from_data(_from_json(text), Path())


def _from_json(text: str) -> dict[str, object]:
    """The keys of a case file from JSON, as stored in a result or printed by `bronzeward example --json`."""
    try:
        data = json.loads(text)
        files.checked_integers(data, "inputs")
    except InputError:
        raise
    except ValueError as error:
        raise InputError(f"inputs: not valid JSON: {error}") from None
    except RecursionError:
        raise InputError("inputs: not valid JSON: brackets are nested too deeply") from None
    if not isinstance(data, dict):
        raise InputError("inputs: must be a table of the keys of a case file")
    inner = data.get("case")
    return inner if str(data.get("schema")).startswith("bronzeward/case/") and isinstance(inner, dict) else data


def case_from_data(data: Mapping[str, Any], folder: Path) -> Case:
    """A case from plain data with the keys of a case file."""
    _known(data, _TOP, "case")
    if ("strand" in data) == ("couple" in data):
        raise InputError("case: give either [strand] or [couple]")
    if "schedule" not in data:
        raise InputError("case: [schedule] is missing")
    strand = _strand(_table(data, "strand")) if "strand" in data else _couple(_table(data, "couple"))
    schedule = _schedule(_table(data, "schedule"), folder)
    kinetics = _kinetics(_table(data, "kinetics"), folder)
    thermo = _table(data, "thermodynamics")
    _known(thermo, {"description", "eta_limit"}, "thermodynamics")
    description = _name(thermo.get("description", DEFAULT_DESCRIPTION), "thermodynamics: description")
    if Path(description).suffix.lower() == ".tdb":
        description = str((folder / description).resolve())
    eta_limit = checked_limit(thermo.get("eta_limit", DESCRIPTION))
    numerics = _table(data, "numerics")
    _known(numerics, set(Numerics.__dataclass_fields__), "numerics")
    title = data.get("title", "")
    if not isinstance(title, str) or "\0" in title:
        raise InputError("case: title must be text")
    volumes = _table(data, "volumes")
    return Case(strand, schedule, kinetics, description, Numerics(**numerics), title, eta_limit, _volumes(volumes))


def _volumes(data: Mapping[str, object]) -> Volumes:
    keys = [f"{name}_factor" for name in Volumes._fields]
    _known(data, set(keys), "volumes")
    factors = [_number(data, key, "volumes", 1.0) for key in keys]
    for key, factor in zip(keys, factors, strict=True):
        _within(factor, 0.5, 2.0, f"volumes: {key}")
    return Volumes(*factors)


def _table(data: Mapping[str, Any], key: str) -> dict[str, Any]:
    value = data.get(key, {})
    if not isinstance(value, Mapping):
        raise InputError(f"case: [{key}] must be a table")
    return dict(value)


def _known(data: Mapping[str, object], allowed: set[str], where: str) -> None:
    for key in data:
        if key not in allowed:
            raise InputError(f"{where}: unknown key '{key}'; allowed: {', '.join(sorted(allowed))}")


def _name(value: object, where: str) -> str:
    """The name of a file or of something else that can stand in a file's name."""
    if not isinstance(value, str) or not value or "\0" in value or len(value) > 4000:
        raise InputError(f"{where} must be a name")
    return value


def _number(data: Mapping[str, object], key: str, where: str, default: float | None = None) -> float:
    if key not in data:
        if default is None:
            raise InputError(f"{where}: {key} is missing")
        return default
    value = data[key]
    if isinstance(value, bool) or not isinstance(value, int | float) or not isfinite(value):
        raise InputError(f"{where}: {key} is {value!r}; it must be a finite number")
    return float(value)


def _within(value: object, low: float, high: float, where: str) -> None:
    if isinstance(value, bool) or not isinstance(value, int | float) or not low <= value <= high:
        raise InputError(f"{where} is {value!r}; allowed are {low:g} to {high:g}")


def _room(data: Mapping[str, object], where: str) -> dict[str, object]:
    """What strands and couples have in common: pores, films from storage, how the cavity expands."""
    room: dict[str, object] = {
        "porosity": _number(data, "porosity", where, 0.0),
        "initial_eta": _number(data, "initial_eta_um", where, 0.0) * MICROMETRE,
        "initial_epsilon": _number(data, "initial_epsilon_um", where, 0.0) * MICROMETRE,
        "film_makes_room": data.get("film_makes_room", False),
    }
    if not isinstance(room["film_makes_room"], bool):
        raise InputError(f"{where}: film_makes_room must be true or false")
    room["cavity_of_parts"] = data.get("cavity_expansion") == "parts"
    room["barrier"] = _number(data, "barrier_um", where, 0.0) * MICROMETRE
    if data.get("cavity_expansion", "copper") not in ("copper", "parts"):
        room["cavity_expansion"] = _number(data, "cavity_expansion", where)
    return room | {key: data[key] for key in ("void_place", "barrier_metal") if key in data}


def _strand(data: dict[str, object]) -> Strand:
    _known(data, _STRAND, "strand")
    core = _number(data, "core_diameter_um", "strand")
    more = _room(data, "strand")
    if "pack_transport" in data:
        more["pack_transport"] = data["pack_transport"]
    more["eccentricity"] = _number(data, "eccentricity", "strand", 0.0)
    if "copper_tin_ratio" in data:
        if "sleeve_diameter_um" in data or "pack" in data:
            raise InputError(
                "strand: copper_tin_ratio stands in place of sleeve_diameter_um and pack; give one or the other"
            )
        return Strand.from_ratio(core, _number(data, "copper_tin_ratio", "strand"), **more)
    rows = data.get("pack", [])
    if not isinstance(rows, list) or not all(isinstance(row, Mapping) for row in rows):
        raise InputError("strand: pack must be an array of tables, [[strand.pack]]")
    pack = []
    for k, row in enumerate(rows, start=1):
        where = f"strand.pack {k}"
        _known(row, _PACK, where)
        pack.append((_number(row, "outer_diameter_um", where), _number(row, "copper_fraction", where)))
    sleeve = _number(data, "sleeve_diameter_um", "strand") if "sleeve_diameter_um" in data else None
    return Strand.round(core, sleeve, pack, **more)


def _couple(data: dict[str, Any]) -> Strand:
    _known(data, _COUPLE, "couple")
    tin, copper = _number(data, "tin_thickness_um", "couple"), _number(data, "copper_thickness_um", "couple")
    return Strand.couple(tin, copper, **_room(data, "couple"))


def _schedule(data: dict[str, object], folder: Path) -> Schedule:
    _known(data, _SCHEDULE, "schedule")
    kinds = [key for key in ("steps", "log", "measured") if key in data]
    if len(kinds) != 1:
        raise InputError("schedule: give steps, or the thermocouple file as log")
    if "steps" in data:
        steps = data["steps"]
        if not isinstance(steps, list) or not all(isinstance(step, Mapping) for step in steps):
            raise InputError("schedule: steps must be an array of tables")
        start = _number(data, "start_C", "schedule", 20.0)
        return Schedule.from_steps(start, steps).checked()
    if "log" in data:
        longest = _number(data, "longest_gap_h", "schedule", 0.0)
        channel = str(data["log_channel"]) if "log_channel" in data else None
        despike = data.get("despike")
        if despike not in (None, True, False):
            raise InputError("schedule: despike must be true or false")
        gap = longest * HOUR if longest > 0 else None
        log = read_log(folder / _name(data["log"], "schedule: log"), gap, channel, despike)
        return Schedule.from_arrays(*log).checked()
    measured = _table(data, "measured")
    _known(measured, {"time_s", "temperature_K", "quench"}, "schedule.measured")
    if measured.get("quench", False) not in (True, False):
        raise InputError("schedule.measured: quench must be true or false")
    schedule = Schedule.from_arrays(measured.get("time_s"), measured.get("temperature_K")).checked()
    return schedule.quench() if measured.get("quench") else schedule


def _kinetics(data: dict[str, Any], folder: Path) -> KineticSet:
    _known(data, _KINETICS, "kinetics")
    if sum(key in data for key in ("set", "file", "constants")) > 1:
        raise InputError("kinetics: give set or file, not both")
    if "file" in data:
        path = folder / _name(data["file"], "kinetics: file")
        if path.suffix != ".toml":
            raise InputError(f"kinetics: file {path.name} must end in .toml")
        chosen = load_set(path)
    elif "constants" in data:
        chosen = set_from_data(_table(data, "constants"), "kinetics.constants")
    else:
        chosen = load_set(str(data.get("set", "default")))
    slowing, factors = _table(data, "slowing"), _table(data, "factors")
    chosen = chosen.slowed({key: _number(slowing, key, "kinetics.slowing") for key in slowing})
    return chosen.scaled({key: _number(factors, key, "kinetics.factors") for key in factors})
