"""Tables kept on disk: one netCDF file each in the user's cache folder.

`place` says where, and names the layout. A file is written under a temporary name and renamed, so that a reader never
sees half of it, and carries a checksum of its contents, so that a damaged one is noticed and built anew.
A folder that cannot be written to only means that nothing is kept.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import tempfile
from pathlib import Path
from typing import Any

import numpy as np

from bronzeward.thermo.place import LAYOUT
from bronzeward.thermo.records import Array, Field, Invariant
from bronzeward.thermo.table import PhaseTable, Width


def read(path: Path) -> PhaseTable | None:
    """The table in a file, or None when there is none or it is damaged."""
    import netCDF4

    try:
        if not path.is_file():
            return None
        with netCDF4.Dataset(path) as data:
            data.set_auto_mask(False)
            meta_text = str(data.getncattr("table"))
            values = np.array(data.variables["values"][:], dtype=float)
            stated = str(data.getncattr("checksum"))
        if stated != _checksum(meta_text, values):
            return None
        return _unpacked(json.loads(meta_text), values)
    except (OSError, RuntimeError, KeyError, AttributeError, ValueError, TypeError, IndexError):
        return None


def write(path: Path, table: PhaseTable) -> bool:
    """Keep a table; False where the folder cannot be written to."""
    import netCDF4

    meta, values = _packed(table)
    text = json.dumps(meta)
    temporary = None
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, temporary = tempfile.mkstemp(prefix=f".{path.stem}-", suffix=".tmp", dir=path.parent)
        os.close(handle)
        with netCDF4.Dataset(temporary, "w") as data:
            data.setncattr("title", f"bronzeward phase table of {table.description}")
            data.setncattr("table", text)
            data.setncattr("checksum", _checksum(text, values))
            data.createDimension("value", values.size)
            data.createVariable("values", "f8", ("value",))[:] = values
        os.replace(temporary, path)
        return True
    except (OSError, RuntimeError):
        if temporary is not None:
            with contextlib.suppress(OSError):
                os.unlink(temporary)
        return False


def _checksum(text: str, values: Array) -> str:
    return hashlib.sha256(text.encode() + np.ascontiguousarray(values, dtype="<f8").tobytes()).hexdigest()


def _packed(table: PhaseTable) -> tuple[dict[str, Any], Array]:
    """A table as JSON-able data and one long array; arrays appear in the data as their length."""
    arrays: list[Array] = []

    def keep(*parts: Array) -> int:
        arrays.extend(parts)
        return int(parts[0].size)

    meta = {
        "layout": LAYOUT,
        "description": table.description,
        "title": table.title,
        "tdb_sha256": table.tdb_sha256,
        "references": table.references,
        "warnings": table.warnings,
        "limits": list(table.limits),
        "stacks": [list(stack) for stack in table.stacks],
        "ends": [list(pair) for pair in table.ends],
        "invariants": [[i.kind, i.reaction, list(i.phases)] for i in table.invariants],
        "points": [keep(np.array([i.temperature, *i.x_sn])) for i in table.invariants],
        "fields": [
            [f.tin_side, f.copper_side, keep(f.temperature, f.x_tin_side, f.x_copper_side)] for f in table.fields
        ],
        "widths": [[w.stack, w.region, keep(w.temperature, w.value)] for w in table.widths],
    }
    return meta, np.concatenate(arrays) if arrays else np.empty(0)


def _unpacked(meta: dict[str, Any], values: Array) -> PhaseTable | None:
    if meta["layout"] != LAYOUT:
        return None
    place = 0

    def take(size: int) -> Array:
        nonlocal place
        place += size
        return values[place - size : place]

    points = [take(size) for size in meta["points"]]
    invariants = [
        Invariant(kind, reaction, float(own[0]), tuple(phases), tuple(float(x) for x in own[1:]))
        for (kind, reaction, phases), own in zip(meta["invariants"], points, strict=True)
    ]
    fields = [Field(tin, copper, take(n), take(n), take(n)) for tin, copper, n in meta["fields"]]
    widths = [Width(stack, region, take(n), take(n)) for stack, region, n in meta["widths"]]
    return PhaseTable(
        description=meta["description"],
        title=meta["title"],
        tdb_sha256=meta["tdb_sha256"],
        references=list(meta["references"]),
        warnings=list(meta["warnings"]),
        invariants=tuple(invariants),
        fields=tuple(fields),
        stacks=tuple(tuple(stack) for stack in meta["stacks"]),
        ends=tuple((copper, tin) for copper, tin in meta["ends"]),
        limits=(meta["limits"][0], meta["limits"][1]),
        widths=tuple(widths),
    )
