"""Temperatures and boundaries for other tools: plain data, CSV text and netCDF.

    from bronzeward.thermo import load_table
    from bronzeward.thermo import export
    data = export.everything(load_table())

Every piece of data carries its schema, a name and a version; keys are only ever added within a version.

bronzeward/invariants/1
    description, tdb_sha256, references, warnings; invariants: kind, reaction (on cooling),
    temperature_K, temperature_C, phases: name, x_sn, w_sn (atom and mass fraction of tin)
bronzeward/liquidus/1
    points, by rising tin fraction: x_sn, w_sn, liquidus_K, liquidus_C, solidus_K, solidus_C
bronzeward/boundaries/1
    fields: copper_side, tin_side (phase names), and lists of one length temperature_K,
    temperature_C, x_copper_side, w_copper_side, x_tin_side, w_tin_side; linear in between
    within 1e-5 of atom fraction
bronzeward/diagram/1
    all three: invariants, liquidus, fields
bronzeward/comparison/1
    first, second (descriptions); rows: reaction, kind, first_K, first_C, second_K, second_C,
    difference_K (second less first; null where one lacks the reaction)
bronzeward/path/1
    x_sn, w_sn; stretches: from_K, from_C, to_K, to_C, phases: name, and start and end values of
    fraction (moles of atoms), x_sn, w_sn

In CSV the columns have the same names, one row a phase, point or boundary point. In netCDF the
diagram's lists are variables with the dimensions invariant, invariant_phase, composition and
boundary_point (boundary_field holds the place of its field along the dimension field).
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np

import bronzeward
from bronzeward.files import replacing
from bronzeward.materials.composition import mass_fraction
from bronzeward.thermo.compare import Pair, compare_invariants
from bronzeward.thermo.path import Stretch
from bronzeward.thermo.records import Array, Field, Invariant
from bronzeward.thermo.table import PhaseTable
from bronzeward.units import ZERO_CELSIUS

Data = dict[str, Any]


def invariants(table: PhaseTable) -> Data:
    """All reactions as bronzeward/invariants/1."""
    return {
        "schema": "bronzeward/invariants/1",
        **_origin(table),
        "invariants": [_invariant(own) for own in table.invariants],
    }


def liquidus(table: PhaseTable, x_sn: Any = None) -> Data:
    """Liquidus and solidus at tin fractions (every half at.% without any) as bronzeward/liquidus/1."""
    x = np.linspace(0, 1, 201) if x_sn is None else np.atleast_1d(np.asarray(x_sn, dtype=float))
    rows = zip(x, table.liquidus(x), table.solidus(x), strict=True)
    points = [
        {**_tin(own), **_temperature("liquidus", high), **_temperature("solidus", low)} for own, high, low in rows
    ]
    return {"schema": "bronzeward/liquidus/1", **_origin(table), "points": points}


def boundaries(table: PhaseTable) -> Data:
    """Every two-phase field as bronzeward/boundaries/1."""
    return {
        "schema": "bronzeward/boundaries/1",
        **_origin(table),
        "fields": [_field(own) for own in table.fields],
    }


def everything(table: PhaseTable) -> Data:
    """Reactions, liquidus and boundaries as bronzeward/diagram/1."""
    return {
        "schema": "bronzeward/diagram/1",
        **_origin(table),
        "invariants": invariants(table)["invariants"],
        "liquidus": liquidus(table)["points"],
        "fields": boundaries(table)["fields"],
    }


def comparison(first: PhaseTable, second: PhaseTable) -> Data:
    """The reactions of two descriptions side by side as bronzeward/comparison/1."""
    return {
        "schema": "bronzeward/comparison/1",
        "first": _origin(first),
        "second": _origin(second),
        "rows": [_pair(pair) for pair in compare_invariants(first, second)],
    }


def path(stretches: Sequence[Stretch], x_sn: float) -> Data:
    """A path from `phases_along` as bronzeward/path/1."""
    return {
        "schema": "bronzeward/path/1",
        **_tin(x_sn),
        "stretches": [_stretch(one) for one in stretches],
    }


def invariants_csv(table: PhaseTable) -> str:
    """All reactions as CSV, one row for each phase of each."""
    rows = [
        [own["reaction"], own["kind"], own["temperature_K"], own["temperature_C"], *phase.values()]
        for own in invariants(table)["invariants"]
        for phase in own["phases"]
    ]
    return _csv(["reaction", "kind", "temperature_K", "temperature_C", "phase", "x_sn", "w_sn"], rows)


def liquidus_csv(table: PhaseTable, x_sn: Any = None) -> str:
    """Liquidus and solidus as CSV, one row for each composition."""
    points = liquidus(table, x_sn)["points"]
    return _csv(list(points[0]), [list(point.values()) for point in points])


def boundaries_csv(table: PhaseTable) -> str:
    """Every boundary point as CSV, one row for each."""
    names = ["copper_side", "tin_side", *_COLUMNS]
    rows = [
        [own["copper_side"], own["tin_side"], *values]
        for own in boundaries(table)["fields"]
        for values in zip(*[own[name] for name in _COLUMNS], strict=True)
    ]
    return _csv(names, rows)


def write_netcdf(table: PhaseTable, target: str | Path, overwrite: bool = False) -> None:
    """Reactions, liquidus and boundaries in one netCDF file, written whole or not at all.

    Raises InputError when the file exists and `overwrite` is false, or cannot be written.
    """
    import netCDF4

    with replacing(target, overwrite) as temporary, netCDF4.Dataset(temporary, "w") as data:
        _fill(data, table)


_COLUMNS = ("temperature_K", "temperature_C", "x_copper_side", "w_copper_side", "x_tin_side", "w_tin_side")


def _origin(table: PhaseTable) -> Data:
    return {
        "description": table.description,
        "tdb_sha256": table.tdb_sha256,
        "references": list(table.references),
        "warnings": list(table.warnings),
    }


def _temperature(name: str, kelvin: float) -> Data:
    return {f"{name}_K": float(kelvin), f"{name}_C": float(kelvin) - ZERO_CELSIUS}


def _tin(x_sn: float) -> Data:
    return {"x_sn": float(x_sn), "w_sn": float(mass_fraction(x_sn))}


def _invariant(own: Invariant) -> Data:
    return {
        "kind": own.kind,
        "reaction": own.reaction,
        **_temperature("temperature", own.temperature),
        "phases": [{"name": name, **_tin(x)} for name, x in zip(own.phases, own.x_sn, strict=True)],
    }


def _field(own: Field) -> Data:
    arrays: tuple[Array, ...] = (
        own.temperature,
        own.temperature - ZERO_CELSIUS,
        own.x_copper_side,
        mass_fraction(own.x_copper_side),
        own.x_tin_side,
        mass_fraction(own.x_tin_side),
    )
    lists = {name: values.tolist() for name, values in zip(_COLUMNS, arrays, strict=True)}
    return {"copper_side": own.copper_side, "tin_side": own.tin_side, **lists}


def _pair(pair: Pair) -> Data:
    known = pair.first or pair.second
    row: Data = {"reaction": pair.reaction, "kind": None if known is None else known.kind}
    for name, own in (("first", pair.first), ("second", pair.second)):
        row |= {f"{name}_K": None, f"{name}_C": None} if own is None else _temperature(name, own.temperature)
    return row | {"difference_K": pair.difference}


def _stretch(one: Stretch) -> Data:
    values = zip(one.phases, one.start_fraction, one.end_fraction, one.start_x_sn, one.end_x_sn, strict=True)
    phases = [
        {
            "name": name,
            "start": {"fraction": start, **_tin(start_x)},
            "end": {"fraction": end, **_tin(end_x)},
        }
        for name, start, end, start_x, end_x in values
    ]
    return {
        **_temperature("from", one.from_temperature),
        **_temperature("to", one.to_temperature),
        "phases": phases,
    }


def _csv(header: Sequence[str], rows: Iterable[Sequence[Any]]) -> str:
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(header)
    writer.writerows(rows)
    return stream.getvalue()


def _fill(data: Any, table: PhaseTable) -> None:
    """Write the diagram into an open netCDF dataset."""
    data.setncattr("Conventions", "CF-1.11")
    data.setncattr("title", f"Phase diagram: {table.title}")
    now = datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
    data.setncattr("history", f"{now} written by bronzeward {bronzeward.__version__}")
    data.setncattr("schema", "bronzeward/diagram/1")
    data.setncattr("description", table.description)
    data.setncattr("tdb_sha256", table.tdb_sha256)
    data.setncattr("references", ", ".join(table.references))
    data.setncattr("warnings", "; ".join(table.warnings))
    _fill_invariants(data, table.invariants)
    _fill_liquidus(data, liquidus(table)["points"])
    _fill_boundaries(data, table.fields)


def _fill_invariants(data: Any, own: Sequence[Invariant]) -> None:
    _text(data, "invariant_kind", "invariant", [one.kind for one in own])
    _text(data, "invariant_reaction", "invariant", [one.reaction for one in own])
    _numbers(
        data, "invariant_temperature", "invariant", [one.temperature for one in own], "K", "temperature of the reaction"
    )
    flat = [(k, name, x) for k, one in enumerate(own) for name, x in zip(one.phases, one.x_sn, strict=True)]
    _numbers(
        data,
        "invariant_phase_reaction",
        "invariant_phase",
        [k for k, _, _ in flat],
        "1",
        "index of the reaction a phase takes part in",
    )
    _text(data, "invariant_phase_name", "invariant_phase", [name for _, name, _ in flat])
    _tin_numbers(data, "invariant_phase", "invariant_phase", [x for _, _, x in flat])


def _fill_liquidus(data: Any, points: Sequence[Data]) -> None:
    _tin_numbers(data, "composition", "composition", [point["x_sn"] for point in points])
    for name in ("liquidus", "solidus"):
        _numbers(data, name, "composition", [point[f"{name}_K"] for point in points], "K", name)


def _fill_boundaries(data: Any, fields: Sequence[Field]) -> None:
    _text(data, "field_copper_side", "field", [own.copper_side for own in fields])
    _text(data, "field_tin_side", "field", [own.tin_side for own in fields])
    owner = np.concatenate([np.full(own.temperature.size, k) for k, own in enumerate(fields)])
    _numbers(data, "boundary_field", "boundary_point", owner, "1", "index of the field a point belongs to")
    _numbers(
        data,
        "boundary_temperature",
        "boundary_point",
        np.concatenate([own.temperature for own in fields]),
        "K",
        "temperature",
    )
    for side in ("copper", "tin"):
        x = np.concatenate([getattr(own, f"x_{side}_side") for own in fields])
        _tin_numbers(data, f"boundary_{side}_side", "boundary_point", x)


def _tin_numbers(data: Any, name: str, dimension: str, x: Any) -> None:
    _numbers(data, f"{name}_x_sn", dimension, x, "1", "atom fraction of tin")
    _numbers(data, f"{name}_w_sn", dimension, mass_fraction(x), "1", "mass fraction of tin")


def _numbers(data: Any, name: str, dimension: str, values: Any, units: str, long_name: str) -> None:
    array = np.asarray(values)
    if dimension not in data.dimensions:
        data.createDimension(dimension, array.size)
    kind = "i4" if np.issubdtype(array.dtype, np.integer) else "f8"
    variable = data.createVariable(name, kind, (dimension,))
    variable.setncatts({"units": units, "long_name": long_name})
    variable[:] = array


def _text(data: Any, name: str, dimension: str, values: Sequence[str]) -> None:
    if dimension not in data.dimensions:
        data.createDimension(dimension, len(values))
    variable = data.createVariable(name, str, (dimension,))
    variable.setncattr("long_name", name.replace("_", " "))
    variable[:] = np.array(list(values), dtype=object)
