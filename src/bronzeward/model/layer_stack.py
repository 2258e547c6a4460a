"""What lies where in a strand at one moment, from its centre outwards."""

from __future__ import annotations

import json
from pathlib import Path
from typing import NamedTuple

import numpy as np

from bronzeward.inputs.case import case_from_data
from bronzeward.inputs.strand import Strand
from bronzeward.materials.phases import LIQUID, PHASES, SOLID_TIN
from bronzeward.model.layers import COLUMN
from bronzeward.model.result import Result

SEED = 2e-9
"""Layers thinner than this are seeds [m]."""


class Layer(NamedTuple):
    """A ring (plane couple: a slab) of one phase, radii [m]; phase None is void."""

    phase: str | None
    inner: float
    outer: float

    @property
    def thickness(self) -> float:
        """Thickness [m]."""
        return self.outer - self.inner


def strand_of(result: Result) -> Strand:
    """The strand a result was computed for."""
    inputs = json.loads(result.attributes["inputs"])
    kept = {key: inputs[key] for key in ("strand", "couple") if key in inputs}
    heating = {"start_C": 20.0, "steps": [{"ramp_C_per_h": 1.0, "to_C": 30.0}]}
    return case_from_data({**kept, "schedule": heating}, Path()).strand


def layers_at(result: Result, row: int) -> list[Layer]:
    """All layers at one moment, from the centre (plane couple: the free surface of the tin) outwards, gapless.

    Gamma at both sides of epsilon is told from the gap that its tin side leaves there.
    """
    inner, outer, thickness = (result[name][row] for name in ("inner_radius", "outer_radius", "thickness"))
    stored = [
        Layer(phase, float(inner[k]), float(outer[k]))
        for k, phase in enumerate(PHASES)
        if np.isfinite(inner[k]) and outer[k] > inner[k]
    ]
    k = COLUMN["gamma"]
    hidden = float(thickness[k] - (outer[k] - inner[k])) if np.isfinite(inner[k]) else 0.0
    layers: list[Layer] = []
    edge = 0.0
    for layer in sorted(stored, key=lambda layer: layer.inner):
        gap = layer.inner - edge
        if gap > 1e-12:
            gamma = min(hidden, gap) if hidden > 1e-10 and layer.phase == "epsilon" else 0.0
            layers += [Layer(None, edge, layer.inner - gamma)] if gap - gamma > 1e-12 and not layers else []
            layers += [Layer("gamma", layer.inner - gamma, layer.inner)] if gamma else []
        layers.append(layer)
        edge = layer.outer
    return layers


PLACES: tuple[str | None, ...] = (
    None, LIQUID, SOLID_TIN, "eta", "gamma", "epsilon", "zeta", "delta", "gamma", "beta", "alpha",
)  # fmt: skip
"""Where a phase can lie, from the void at the centre outwards; gamma at either side of epsilon."""


def edges_at(result: Result, row: int) -> list[float]:
    """Outer radius [m] of each of `PLACES` at one moment; where nothing lies, that of the place inside it."""
    edges = [0.0] * len(PLACES)
    layers = layers_at(result, row)
    for layer, outside in zip(layers, [*layers[1:], None], strict=True):
        beyond = layer.phase == "gamma" and (outside is None or outside.phase != "epsilon")
        place = PLACES.index(layer.phase, PLACES.index("epsilon") if beyond else 0)
        edges[place:] = [layer.outer] * (len(PLACES) - place)
    return edges


def seen_layers(result: Result, row: int) -> list[Layer]:
    """All layers but seeds."""
    return [layer for layer in layers_at(result, row) if layer.thickness > SEED]
