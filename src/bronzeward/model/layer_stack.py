"""What lies where in a strand at one moment, from its centre outwards."""

from __future__ import annotations

import json
from functools import lru_cache
from itertools import pairwise
from pathlib import Path
from typing import NamedTuple

import numpy as np

from bronzeward.inputs.case import case_from_data
from bronzeward.inputs.strand import BEHIND_SHELL, Strand
from bronzeward.materials.phases import LIQUID, PHASES, SOLID_TIN
from bronzeward.model.layers import COLUMN, area_of_radius, radius_of_area
from bronzeward.model.result import Result

SEED = 2e-9
"""Layers thinner than this are seeds [m]."""


class Layer(NamedTuple):
    """A ring (plane couple: a slab) of one phase, radii [m] at temperature; phase None is void."""

    phase: str | None
    inner: float
    outer: float

    @property
    def thickness(self) -> float:
        """Thickness [m]."""
        return self.outer - self.inner


def strand_of(result: Result) -> Strand:
    """The strand a result was computed for."""
    return _strand_of_inputs(result.attributes["inputs"])


@lru_cache(maxsize=8)
def _strand_of_inputs(text: str) -> Strand:
    inputs = json.loads(text)
    kept = {key: inputs[key] for key in ("strand", "couple") if key in inputs}
    heating = {"start_C": 20.0, "steps": [{"ramp_C_per_h": 1.0, "to_C": 30.0}]}
    return case_from_data({**kept, "schedule": heating}, Path()).strand


def layers_at(result: Result, row: int, strand: Strand | None = None) -> list[Layer]:
    """All layers at one moment and its temperature, from the centre (plane couple: the free tin surface) outwards.

    Gapless, in the strand's size at 20 °C: each takes its share of the cavity there, what is void is the void of the
    account, and where the contents exceed the cavity there is none. Thicknesses of a result are at 25 °C instead.
    """
    strand, cold = strand or strand_of(result), cold_layers_at(result, row)
    phases = [layer.phase for layer in cold if layer.phase is not None]
    areas = [area_of_radius(strand, end.outer) - area_of_radius(strand, end.inner) for end in cold if end.phase]
    whole, void = strand.core_area + strand.copper_area, float(result["void_fraction"][row])
    of_phase = dict.fromkeys(phases, 0.0)
    for phase, area in zip(phases, areas, strict=True):
        of_phase[phase] += area
    shares = {phase: float(result["volume_fraction"][row, COLUMN[phase]]) / of_phase[phase] for phase in of_phase}
    parts: list[tuple[str | None, float]] = [
        (phase, (1.0 - void) * area * shares[phase]) for phase, area in zip(phases, areas, strict=True)
    ]
    behind = len(parts) - (phases[-1] == "alpha") if strand.void_place == BEHIND_SHELL else 0
    scale = (1.0 - void) / sum(area for _, area in parts)  # seeds are left out
    parts = [(phase, whole * scale * area) for phase, area in parts]
    if void > 0.0:
        parts.insert(behind, (None, whole * void))
    edges = radius_of_area(strand, np.cumsum([0.0, *(area for _, area in parts)])).tolist()
    edges[-1] = strand.barrier_radius
    return [Layer(phase, *ends) for (phase, _), ends in zip(parts, pairwise(edges), strict=True)]


def cold_layers_at(result: Result, row: int) -> list[Layer]:
    """All layers at one moment with the radii of the result, at 25 °C volumes; a void at the centre is one of them.

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
    None, LIQUID, SOLID_TIN, "eta", "gamma", "epsilon", "zeta", "delta", "gamma", "beta", None, "alpha",
)  # fmt: skip
"""Where a phase or a void can lie, from the centre outwards; gamma at either side of epsilon."""

BEHIND = 10
"""The place of a void between shell and copper."""


def edges_at(result: Result, row: int, strand: Strand | None = None) -> list[float]:
    """Outer radius [m] of each of `PLACES` at one moment; where nothing lies, that of the place inside it."""
    edges = [0.0] * len(PLACES)
    layers = layers_at(result, row, strand)
    for layer, outside in zip(layers, [*layers[1:], None], strict=True):
        beyond = layer.phase == "gamma" and (outside is None or outside.phase != "epsilon")
        behind = layer.phase is None and layer is not layers[0]
        place = BEHIND if behind else PLACES.index(layer.phase, PLACES.index("epsilon") if beyond else 0)
        edges[place:] = [layer.outer] * (len(PLACES) - place)
    return edges


def seen_layers(result: Result, row: int) -> list[Layer]:
    """All layers but seeds."""
    return [layer for layer in layers_at(result, row) if layer.thickness > SEED]
