"""Phase tables as netCDF files: one layout for tables that come along, for the cache and for other tools.

Lists of unequal length lie end to end, with a variable that says which row each element belongs to. Mass fractions,
liquidus and solidus are for other tools; reading passes over them. Behind the netCDF file, where its library does not
look, stands the sha256 of all before it: a damaged file is told before that library could crash on it or hang.
"""

from __future__ import annotations

import hashlib
import threading
from collections.abc import Sequence
from datetime import UTC, datetime
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

import bronzeward
from bronzeward import files
from bronzeward.errors import InputError
from bronzeward.materials.composition import mass_fraction
from bronzeward.thermo.diagram_parts import Array, Field, Invariant
from bronzeward.thermo.table import PhaseTable, Width

if TYPE_CHECKING:
    from netCDF4 import Dataset

Columns = dict[str, npt.NDArray[Any]]
"""Values of a file's variables by name."""

SCHEMA = "bronzeward/diagram/1"
"""Name of the layout; variables and attributes are only ever added within a version."""

METHOD = 9
"""Raised whenever the same description would come out as a different table, or a table needs more from its file."""

_SMALL = 500
"""Numbers that take less room as they are than compressed."""

_SEAL_SIZE = hashlib.sha256().digest_size


def pycalphad_version() -> str:
    """Version of the installed pycalphad, without importing it."""
    from importlib.metadata import PackageNotFoundError, version  # as slow to import as a table to read

    try:
        return version("pycalphad")
    except PackageNotFoundError:
        return "none"


def write(table: PhaseTable, target: str | Path, overwrite: bool = False) -> None:
    """Write a table with its liquidus, whole or not at all.

    Raises InputError when the file exists and `overwrite` is false, or cannot be written.
    """
    import netCDF4

    with files.replacing(target, overwrite) as temporary:
        with netCDF4.Dataset(temporary, "w") as data:
            data.setncatts(_attributes(table))
            _write_invariants(data, table.invariants)
            _write_liquidus(data, table)
            _write_fields(data, table.fields)
            _write_intervals(data, table)
            _write_widths(data, table.widths)
        seal = hashlib.sha256(temporary.read_bytes()).digest()
        with temporary.open("ab") as stream:
            stream.write(seal)


_one_at_a_time = threading.Lock()
"""netCDF's library serves one thread at a time."""


def read(path: Path) -> PhaseTable | None:
    """The table in a file; None without one, or for a file that is damaged, of another layout or of another method."""
    try:
        content = files.read_bytes(path)
        with _one_at_a_time:
            return _read(content, SCHEMA, METHOD)
    except (OSError, InputError):
        return None


@lru_cache(maxsize=8)
def _read(content: bytes, schema: str, method: int) -> PhaseTable | None:
    """The table in the content of a file: studies ask for the same one hundreds of times."""
    import netCDF4

    if hashlib.sha256(content[:-_SEAL_SIZE]).digest() != content[-_SEAL_SIZE:]:
        return None
    with netCDF4.Dataset("table", memory=content) as data:
        data.set_auto_mask(False)
        attributes = dict(data.__dict__)
        if (attributes.get("schema"), attributes.get("method")) != (schema, method):
            return None
        return _table(attributes, {name: variable[:] for name, variable in data.variables.items()})


def _attributes(table: PhaseTable) -> dict[str, object]:
    now = datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
    return {
        "Conventions": "CF-1.11",
        "title": f"Phase diagram: {table.title}",
        "history": f"{now} written by bronzeward {bronzeward.__version__}",
        "schema": SCHEMA,
        "method": np.int32(METHOD),
        "description": table.description,
        "description_title": table.title,
        "description_digest": table.description_digest,
        "tdb_sha256": table.tdb_sha256,
        "pycalphad_version": table.pycalphad_version,
        "references": "\n".join(table.references),
        "warnings": "\n".join(table.warnings),
    }


# --- reactions


def _write_invariants(data: Dataset, invariants: Sequence[Invariant]) -> None:
    _text(data, "invariant_kind", "invariant", [each.kind for each in invariants])
    _text(data, "invariant_reaction", "invariant", [each.reaction for each in invariants])
    temperature = [each.temperature for each in invariants]
    _numbers(data, "invariant_temperature", "invariant", temperature, "K", "temperature of the reaction")
    sizes = [len(each.phases) for each in invariants]
    _rows(data, "invariant_phase_reaction", "invariant_phase", sizes, "index of the reaction a phase takes part in")
    _text(data, "invariant_phase_name", "invariant_phase", [name for each in invariants for name in each.phases])
    _tin(data, "invariant_phase", "invariant_phase", np.array([x for each in invariants for x in each.x_sn]))


def _invariants(columns: Columns) -> tuple[Invariant, ...]:
    temperature = columns["invariant_temperature"].tolist()
    rows, count = columns["invariant_phase_reaction"], len(temperature)
    parts = (
        columns["invariant_kind"].tolist(),
        columns["invariant_reaction"].tolist(),
        temperature,
        [tuple(names.tolist()) for names in _split(columns["invariant_phase_name"], rows, count)],
        [tuple(x.tolist()) for x in _split(columns["invariant_phase_x_sn"], rows, count)],
    )
    return tuple(Invariant(*row) for row in zip(*parts, strict=True))


def _write_liquidus(data: Dataset, table: PhaseTable) -> None:
    x = np.linspace(0, 1, 201)
    _tin(data, "composition", "composition", x)
    _numbers(data, "liquidus", "composition", table.liquidus(x), "K", "liquidus")
    _numbers(data, "solidus", "composition", table.solidus(x), "K", "solidus")


# --- two-phase fields


def _write_fields(data: Dataset, fields: Sequence[Field]) -> None:
    _text(data, "field_copper_side", "field", [each.copper_side for each in fields])
    _text(data, "field_tin_side", "field", [each.tin_side for each in fields])
    sizes = [each.temperature.size for each in fields]
    _rows(data, "boundary_field", "boundary_point", sizes, "index of the field a point belongs to")
    temperature = _joined([each.temperature for each in fields])
    _numbers(data, "boundary_temperature", "boundary_point", temperature, "K", "temperature")
    _tin(data, "boundary_copper_side", "boundary_point", _joined([each.x_copper_side for each in fields]))
    _tin(data, "boundary_tin_side", "boundary_point", _joined([each.x_tin_side for each in fields]))


def _fields(columns: Columns) -> tuple[Field, ...]:
    names = columns["field_tin_side"].tolist(), columns["field_copper_side"].tolist()
    boundaries = [
        _split(columns[f"boundary_{part}"], columns["boundary_field"], len(names[0]))
        for part in ("temperature", "tin_side_x_sn", "copper_side_x_sn")
    ]
    return tuple(Field(*row) for row in zip(*names, *boundaries, strict=True))


# --- intervals between reactions


def _write_intervals(data: Dataset, table: PhaseTable) -> None:
    edges = np.array([table.interval(k) for k in range(len(table.stacks))])
    _numbers(data, "interval_lowest", "interval", edges[:, 0], "K", "temperature at which an interval begins")
    _numbers(data, "interval_highest", "interval", edges[:, 1], "K", "temperature at which an interval ends")
    _text(data, "interval_copper_end", "interval", [copper for copper, _ in table.ends])
    _text(data, "interval_tin_end", "interval", [tin for _, tin in table.ends])
    _rows(data, "stack_interval", "stack", [len(stack) for stack in table.stacks], "index of the interval of a field")
    indices = np.array([index for stack in table.stacks for index in stack], dtype=np.int32)
    _numbers(data, "stack_field", "stack", indices, "1", "index of a field, from copper to tin")


def _stacks(columns: Columns) -> tuple[tuple[int, ...], ...]:
    stacks = _split(columns["stack_field"], columns["stack_interval"], columns["interval_lowest"].size)
    return tuple(tuple(fields.tolist()) for fields in stacks)


# --- thermodynamic factors


def _write_widths(data: Dataset, widths: Sequence[Width]) -> None:
    places = np.array([(each.stack, each.region) for each in widths], dtype=np.int32).reshape(-1, 2)
    _numbers(data, "range_interval", "range", places[:, 0], "1", "index of the interval a range of a phase lies in")
    _numbers(data, "range_region", "range", places[:, 1], "1", "place of the range in its interval, from copper to tin")
    sizes = [each.value.size for each in widths]
    _rows(data, "width_range", "width_point", sizes, "index of the range a point belongs to")
    _numbers(data, "width_temperature", "width_point", _joined([w.temperature for w in widths]), "K", "temperature")
    meaning = "thermodynamic factor integrated over the composition range"
    _numbers(data, "width", "width_point", _joined([each.value for each in widths]), "1", meaning)


def _widths(columns: Columns) -> tuple[Width, ...]:
    places = columns["range_interval"].tolist(), columns["range_region"].tolist()
    points = [_split(columns[name], columns["width_range"], len(places[0])) for name in ("width_temperature", "width")]
    return tuple(Width(*row) for row in zip(*places, *points, strict=True))


def _table(attributes: dict[str, Any], columns: Columns) -> PhaseTable:
    ends = columns["interval_copper_end"].tolist(), columns["interval_tin_end"].tolist()
    return PhaseTable(
        description=attributes["description"],
        title=attributes["description_title"],
        description_digest=attributes["description_digest"],
        tdb_sha256=attributes["tdb_sha256"],
        pycalphad_version=attributes["pycalphad_version"],
        references=_lines(attributes["references"]),
        warnings=_lines(attributes["warnings"]),
        invariants=_invariants(columns),
        fields=_fields(columns),
        stacks=_stacks(columns),
        ends=tuple(zip(*ends, strict=True)),
        limits=(float(columns["interval_lowest"][0]), float(columns["interval_highest"][-1])),
        widths=_widths(columns),
    )


# --- variables


def _lines(text: str) -> list[str]:
    return [line for line in text.split("\n") if line]


def _joined(arrays: Sequence[Array]) -> Array:
    return np.concatenate(arrays) if arrays else np.empty(0)


def _split(values: npt.NDArray[Any], rows: npt.NDArray[np.int32], count: int) -> list[npt.NDArray[Any]]:
    """The values of each of so many rows; `rows` says, in rising order, to which one each value belongs."""
    return np.split(values, np.cumsum(np.bincount(rows, minlength=count))[:-1]) if count else []


def _rows(data: Dataset, name: str, dimension: str, sizes: Sequence[int], long_name: str) -> None:
    rows = np.repeat(np.arange(len(sizes), dtype=np.int32), np.array(sizes, dtype=int))
    _numbers(data, name, dimension, rows, "1", long_name)


def _tin(data: Dataset, name: str, dimension: str, x: Array) -> None:
    _numbers(data, f"{name}_x_sn", dimension, x, "1", "atom fraction of tin")
    _numbers(data, f"{name}_w_sn", dimension, mass_fraction(x), "1", "mass fraction of tin")


def _numbers(data: Dataset, name: str, dimension: str, values: npt.ArrayLike, units: str, long_name: str) -> None:
    array = np.asarray(values)
    _sized(data, dimension, array.size)
    kind = "i4" if np.issubdtype(array.dtype, np.integer) else "f8"
    variable = data.createVariable(name, kind, (dimension,), compression="zlib" if array.size > _SMALL else None)
    variable.setncatts({"units": units, "long_name": long_name})
    variable[:] = array


def _text(data: Dataset, name: str, dimension: str, values: Sequence[str]) -> None:
    _sized(data, dimension, len(values))
    variable = data.createVariable(name, str, (dimension,))
    variable.setncattr("long_name", name.replace("_", " "))
    variable[:] = np.array(list(values), dtype=object)


def _sized(data: Dataset, dimension: str, size: int) -> None:
    if dimension not in data.dimensions:
        data.createDimension(dimension, size)
