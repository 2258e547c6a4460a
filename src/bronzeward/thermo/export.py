"""Temperatures and boundaries for other tools: plain data and CSV text.

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

In CSV the columns have the same names, one row a phase, point or boundary point. As netCDF the diagram is written by
`table_file`.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from bronzeward.materials.composition import mass_fraction
from bronzeward.thermo.compare import Pair, compare_invariants
from bronzeward.thermo.diagram_parts import Array, Field, Invariant
from bronzeward.thermo.table import PhaseTable
from bronzeward.thermo.temperature_path import Stretch
from bronzeward.units import ZERO_CELSIUS

Data = dict[str, Any]


def invariants(table: PhaseTable) -> Data:
    """All reactions as bronzeward/invariants/1."""
    return _document("invariants", table, invariants=[_invariant(each) for each in table.invariants])


def liquidus(table: PhaseTable, x_sn: npt.ArrayLike | None = None) -> Data:
    """Liquidus and solidus at tin fractions (every half at.% without any) as bronzeward/liquidus/1."""
    x = np.linspace(0, 1, 201) if x_sn is None else np.atleast_1d(np.asarray(x_sn, dtype=float))
    rows = zip(x, table.liquidus(x), table.solidus(x), strict=True)
    points = [{**_tin(x), **_temperature("liquidus", high), **_temperature("solidus", low)} for x, high, low in rows]
    return _document("liquidus", table, points=points)


def boundaries(table: PhaseTable) -> Data:
    """Every two-phase field as bronzeward/boundaries/1."""
    return _document("boundaries", table, fields=[_field(each) for each in table.fields])


def everything(table: PhaseTable) -> Data:
    """Reactions, liquidus and boundaries as bronzeward/diagram/1."""
    reactions, points, fields = invariants(table)["invariants"], liquidus(table)["points"], boundaries(table)["fields"]
    return _document("diagram", table, invariants=reactions, liquidus=points, fields=fields)


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
        "stretches": [_stretch(stretch) for stretch in stretches],
    }


def invariants_csv(table: PhaseTable) -> str:
    """All reactions as CSV, one row for each phase of each."""
    rows = [
        [row["reaction"], row["kind"], row["temperature_K"], row["temperature_C"], *phase.values()]
        for row in invariants(table)["invariants"]
        for phase in row["phases"]
    ]
    return _csv(["reaction", "kind", "temperature_K", "temperature_C", "phase", "x_sn", "w_sn"], rows)


def liquidus_csv(table: PhaseTable, x_sn: npt.ArrayLike | None = None) -> str:
    """Liquidus and solidus as CSV, one row for each composition."""
    points = liquidus(table, x_sn)["points"]
    return _csv(list(points[0]), [list(point.values()) for point in points])


def boundaries_csv(table: PhaseTable) -> str:
    """Every boundary point as CSV, one row for each."""
    names = ["copper_side", "tin_side", *_COLUMNS]
    rows = [
        [field["copper_side"], field["tin_side"], *values]
        for field in boundaries(table)["fields"]
        for values in zip(*[field[name] for name in _COLUMNS], strict=True)
    ]
    return _csv(names, rows)


_COLUMNS = ("temperature_K", "temperature_C", "x_copper_side", "w_copper_side", "x_tin_side", "w_tin_side")


def _document(kind: str, table: PhaseTable, **parts: list[Data]) -> Data:
    return {"schema": f"bronzeward/{kind}/1", **_origin(table), **parts}


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


def _invariant(invariant: Invariant) -> Data:
    return {
        "kind": invariant.kind,
        "reaction": invariant.reaction,
        **_temperature("temperature", invariant.temperature),
        "phases": [{"name": name, **_tin(x)} for name, x in zip(invariant.phases, invariant.x_sn, strict=True)],
    }


def _field(field: Field) -> Data:
    arrays: tuple[Array, ...] = (
        field.temperature,
        field.temperature - ZERO_CELSIUS,
        field.x_copper_side,
        mass_fraction(field.x_copper_side),
        field.x_tin_side,
        mass_fraction(field.x_tin_side),
    )
    lists = {name: values.tolist() for name, values in zip(_COLUMNS, arrays, strict=True)}
    return {"copper_side": field.copper_side, "tin_side": field.tin_side, **lists}


def _pair(pair: Pair) -> Data:
    known = pair.first or pair.second
    row: Data = {"reaction": pair.reaction, "kind": None if known is None else known.kind}
    for name, reaction in (("first", pair.first), ("second", pair.second)):
        row |= {f"{name}_K": None, f"{name}_C": None} if reaction is None else _temperature(name, reaction.temperature)
    return row | {"difference_K": pair.difference}


def _stretch(stretch: Stretch) -> Data:
    values = zip(
        stretch.phases, stretch.start_fraction, stretch.end_fraction, stretch.start_x_sn, stretch.end_x_sn, strict=True
    )
    phases = [
        {
            "name": name,
            "start": {"fraction": start, **_tin(start_x)},
            "end": {"fraction": end, **_tin(end_x)},
        }
        for name, start, end, start_x, end_x in values
    ]
    return {
        **_temperature("from", stretch.from_temperature),
        **_temperature("to", stretch.to_temperature),
        "phases": phases,
    }


def _csv(header: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(header)
    writer.writerows(rows)
    return stream.getvalue()
