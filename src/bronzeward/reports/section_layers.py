"""What lies where at chosen moments, as data for other tools and as a table to lay beside a micrograph."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from bronzeward.files import write_text
from bronzeward.model.asked_moments import with_states_at
from bronzeward.model.layer_stack import Layer, layers_at, strand_of
from bronzeward.model.moments import find_moment
from bronzeward.model.result import Source, as_result
from bronzeward.units import HOUR, ZERO_CELSIUS

HEAD = ("moment", "time_h", "temperature_C", "layer", "inner_um", "outer_um", "thickness_um")


def section_data(run: Source, moments: Sequence[str]) -> dict[str, Any]:
    """Layers at every moment from the centre outwards (plane couple: from the free surface of the tin), SI units.

    Raises
    ------
    InputError
        For a moment that the run does not have.
    """
    result, doubt = with_states_at(as_result(run), moments)
    rows = [find_moment(result, text) for text in moments]
    strand = strand_of(result)
    return {
        "schema": "bronzeward/section/1",
        "shape": "plane" if strand.plane else "round",
        "barrier_radius_m": strand.barrier_radius,
        "moments": [
            {
                "moment": " ".join(text.split()),
                "time_s": float(result["time"][row]),
                "temperature_K": float(result["temperature"][row]),
                "layers": [_layer_data(layer) for layer in layers_at(result, row)],
            }
            for text, row in zip(moments, rows, strict=True)
        ],
        "warnings": [f"times and temperatures asked for are the nearest stored: {doubt}"] if doubt else [],
    }


def _layer_data(layer: Layer) -> dict[str, object]:
    name = layer.phase or "void"
    return {"layer": name, "inner_m": layer.inner, "outer_m": layer.outer, "thickness_m": layer.thickness}


def write_layers(data: dict[str, Any], path: str | Path, overwrite: bool = False) -> Path:
    """Write what `section_data` gives as CSV with `HEAD`: h, °C and µm, a row for each layer of each moment."""
    stream = io.StringIO()
    table = csv.writer(stream, lineterminator="\n")
    table.writerow(HEAD)
    for moment in data["moments"]:
        when = f"{moment['time_s'] / HOUR:.4f}", f"{moment['temperature_K'] - ZERO_CELSIUS:.2f}"
        for layer in moment["layers"]:
            lengths = (f"{layer[key] * 1e6:.4f}" for key in ("inner_m", "outer_m", "thickness_m"))
            table.writerow([moment["moment"], *when, layer["layer"], *lengths])
    return write_text(stream.getvalue(), path, overwrite)
