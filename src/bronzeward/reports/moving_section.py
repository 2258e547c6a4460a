"""The section through time, for the slider of a report: what the page's own small script draws.

Places between two stored states are interpolated by that script; events are stored before and after.
"""

from __future__ import annotations

from itertools import pairwise
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from bronzeward.model.events import events
from bronzeward.model.layer_stack import PLACES, SEED, edges_at, strand_of
from bronzeward.model.result import Result
from bronzeward.plots import style
from bronzeward.plots.round_section import filament_dots
from bronzeward.plots.section_words import off_centre, round_length
from bronzeward.units import ZERO_CELSIUS

MOST_STATES = 400
"""States that a page carries at most, the ones at events besides."""

STROKES = {
    "/": "M-1 1L1 -1M-1 7L7 -1M5 7L7 5", "\\": "M-1 5L1 7M-1 -1L7 7M5 -1L7 1",
    "x": "M0 0L6 6M0 6L6 0", "+": "M0 3H6M3 0V6", "-": "M0 3H6",
    "o": "M1.5 3a1.5 1.5 0 1 0 3 0a1.5 1.5 0 1 0 -3 0", ".": "M2.5 3H3.5",
}  # fmt: skip
"""A tile of 6 by 6 for each kind of hatch in `style.LOOKS`."""


class Layer(NamedTuple):
    """How a place of `layer_stack.PLACES` looks: name, fill, and the colour, hatch (a path in a tile) and ink of it."""

    name: str
    fill: str
    colour: str
    strokes: str
    ink: str


class MovingSection(NamedTuple):
    """What the page draws once, in µm, and the states that its script moves through."""

    layers: list[Layer]
    plane: bool
    barrier: float
    bar: float
    """Length of the scale bar [µm]."""
    dots: list[tuple[float, float, float]]
    """Filaments: place and radius [µm]."""
    most: int
    """Layers that are there at one time, at most."""
    words: str
    """What must be said of a core off the middle."""
    states: dict[str, object]
    """Seconds, °C, liquid in % of the tin, edges [µm] by state and place; names and seconds of the events."""


def moving_section(result: Result) -> MovingSection:
    """The section of a result through time."""
    strand = strand_of(result)
    rows = _rows(result)
    edges = [[round(1e6 * edge, 4) for edge in edges_at(result, int(row), strand)] for row in rows]
    states = {
        "seconds": [round(float(t), 3) for t in result["time"][rows]],
        "celsius": [round(float(kelvin) - ZERO_CELSIUS, 1) for kelvin in result["temperature"][rows]],
        "liquid": [round(100.0 * float(share), 2) for share in result["liquid_tin_fraction"][rows]],
        "edges": edges,
        "seed": 1e6 * SEED,
        "plane": strand.plane,
        "offset": 1e6 * strand.offset,
        "events": [(event.words, round(float(result["time"][event.row]), 3)) for event in events(result)],
    }
    barrier = 1e6 * strand.barrier_radius
    dots = [] if strand.plane else [(x, y, radius) for places, radius in filament_dots(strand) for x, y in places]
    layers = [_layer(place, phase) for place, phase in enumerate(PLACES)]
    most = max(sum(outer - inner > 1e6 * SEED for inner, outer in pairwise([0.0, *state])) for state in edges)
    return MovingSection(layers, strand.plane, barrier, round_length(barrier), dots, most, off_centre(strand), states)


def _rows(result: Result) -> NDArray[np.intp]:
    """Rows along time that the page carries: all of them if they are few, those at events always."""
    count = len(result["time"])
    at_events = [row for event in events(result) for row in (max(event.row - 1, 0), event.row)]
    even = np.linspace(0, count - 1, min(count, MOST_STATES)).round().astype(int)
    return np.unique(np.concatenate([even, np.array(at_events, dtype=int)]))


def _layer(place: int, phase: str | None) -> Layer:
    if phase is None:
        return Layer("void", style.VOID, style.VOID, "", style.INK)
    look = style.LOOKS[phase]
    strokes = STROKES[look.hatch[0]] if look.hatch else ""
    return Layer(
        look.name, f"url(#hatch-{place})" if strokes else look.colour, look.colour, strokes, style.hatch_ink(phase)
    )
