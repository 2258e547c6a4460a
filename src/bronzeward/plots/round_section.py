"""Section of a round strand: layers as rings, the pack as dots, the barrier round all of it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from math import cos, pi, sin, sqrt, tau
from typing import TYPE_CHECKING, NamedTuple

from bronzeward.inputs.strand import Strand
from bronzeward.model.layer_stack import SEED, Layer
from bronzeward.plots import style
from bronzeward.plots.section_words import layer_line, layer_look, scale_bar, shift

if TYPE_CHECKING:
    from matplotlib.axes import Axes

MOST_FILAMENTS = 310
"""Filaments drawn in one section at most; a pattern, not a count."""

THINNEST_HATCHED = 0.005
"""Layers thinner than this share of the barrier's radius are filled without a hatch."""

SEEN_THROUGH = 0.6
"""Opacity of filaments, so that the layers they lie in are seen."""

_WALL = 0.035
"""Thickness of the barrier as drawn, over its radius."""


class Size(NamedTuple):
    """Width and height of a drawing in radii of the barrier."""

    wide: float
    high: float


SINGLE, STRIP = Size(3.3, 2.14), Size(2.14, 2.32)
"""Of a section with call-outs, and of one in a strip."""

_MARGIN = 1.07
"""From the centre to the left and upper edge, in radii of the barrier."""


def draw_rings(ax: Axes, layers: Sequence[Layer], strand: Strand, callouts: bool) -> None:
    """Every layer as a ring to scale, filaments, barrier and a scale bar; layers named at the right if asked for."""
    from matplotlib.patches import Wedge

    barrier = strand.barrier_radius * 1e6
    size = SINGLE if callouts else STRIP
    left = 1e6 * shift(strand, layers[-1].inner)  # copper is outermost, and stays where it is
    for layer in reversed(layers):
        _ring(ax, layer, barrier, 0.0 if layer is layers[-1] else left, whole=layer is layers[-1] and left > 0.0)
    _filaments(ax, strand)
    wall = _WALL * barrier
    ax.add_patch(Wedge((0, 0), barrier + wall, 0, 360, width=wall, facecolor=style.BARRIER, linewidth=0))
    ax.set_xlim(-_MARGIN * barrier, (size.wide - _MARGIN) * barrier)
    ax.set_ylim(-(size.high - _MARGIN) * barrier, _MARGIN * barrier)
    scale_bar(ax, (1.2 * barrier, -1.0 * barrier) if callouts else (-1.04 * barrier, -1.16 * barrier), barrier)
    if callouts:
        _call_out_layers(ax, [layer for layer in layers if layer.thickness > SEED], barrier, left)
        _call_out_pack(ax, strand)


def _ring(ax: Axes, layer: Layer, barrier: float, left: float, whole: bool) -> None:
    """A layer, `left` of the middle [µm]; a `whole` one is filled to its centre, for others to lie on."""
    from matplotlib.patches import Circle, Wedge

    outer, width = layer.outer * 1e6, layer.thickness * 1e6
    look = layer_look(layer)
    if layer.phase is not None and width < THINNEST_HATCHED * barrier:
        look["hatch"] = ""
    full, centre = whole or layer.inner <= 0.0, (-left, 0.0)
    ax.add_patch(Circle(centre, outer, **look) if full else Wedge(centre, outer, 0, 360, width=width, **look))
    if layer.phase is not None:  # above the filaments, which hide thin layers
        ax.add_patch(Circle(centre, outer, fill=False, edgecolor=style.INK, linewidth=0.5, zorder=4))


def _filaments(ax: Axes, strand: Strand) -> None:
    from matplotlib.collections import EllipseCollection

    for places, radius in filament_dots(strand):
        dots = EllipseCollection(
            2.0 * radius, 2.0 * radius, 0.0, units="xy", offsets=places, offset_transform=ax.transData,
            facecolor=style.FILAMENT, edgecolor="white", linewidth=0.1, zorder=3, alpha=SEEN_THROUGH,
        )  # fmt: skip
        ax.add_collection(dots)


def filament_dots(strand: Strand) -> Iterator[tuple[list[tuple[float, float]], float]]:
    """Dots that take up what copper leaves of each ring of the pack, in rows round the centre: places, radius [µm]."""
    rings = list(zip(_inner_radii(strand), strand.rings, strict=True))
    areas = [(1.0 - ring.copper_fraction) * pi * (ring.radius**2 - inner**2) for inner, ring in rings]
    for (inner, ring), area in zip(rings, areas, strict=True):
        if area > 0.0:
            count = max(12, round(MOST_FILAMENTS * area / sum(areas)))
            yield _ring_of_dots(inner * 1e6, ring.radius * 1e6, 1.0 - ring.copper_fraction, count)


def _inner_radii(strand: Strand) -> list[float]:
    return [strand.core_radius, *(ring.radius for ring in strand.rings[:-1])]


def _ring_of_dots(inner: float, outer: float, share: float, count: int) -> tuple[list[tuple[float, float]], float]:
    """Places of about `count` equal circles, and their radius, that cover `share` of a ring."""
    pitch = sqrt(pi * (outer**2 - inner**2) / count)
    rows = max(1, round((outer - inner) / pitch))
    step = (outer - inner) / rows
    places: list[tuple[float, float]] = []
    for k in range(rows):
        r = inner + (k + 0.5) * step
        n = max(6, round(tau * r / pitch))
        angles = [tau * (j + 0.5 * (k % 2)) / n for j in range(n)]
        places += [(r * cos(angle), r * sin(angle)) for angle in angles]
    radius = sqrt(share * (outer**2 - inner**2) / len(places))
    return places, min(radius, 0.5 * step)


def _call_out_layers(ax: Axes, layers: Sequence[Layer], barrier: float, left: float) -> None:
    """Name and thickness of every layer in a column at the right, led to a point in the layer; innermost lowest.

    All but the outermost lie `left` of the middle [µm].
    """
    step = min(0.21, 0.95 / max(len(layers) - 1, 1))
    for k, layer in enumerate(layers):
        y = k * step
        middle = 0.5 * (layer.inner + layer.outer) * 1e6 / barrier
        height = min(y, 0.9 * middle)
        # of what is outermost half of it lies further to the left
        x = sqrt(middle**2 - height**2) - left / barrier * (0.5 if layer is layers[-1] else 1.0)
        _lead(ax, layer_line(layer, False), (x, height), y, barrier, style.INK)


def _call_out_pack(ax: Axes, strand: Strand) -> None:
    """Name the pack and the barrier."""
    barrier = strand.barrier_radius * 1e6
    packed = [ring for ring in strand.rings if ring.copper_fraction < 1.0]
    if packed:
        shares = sorted({round(100 * ring.copper_fraction) for ring in packed})
        words = f"pack, {shares[0]} % Cu" if len(shares) == 1 else f"pack, {shares[0]}–{shares[-1]} % Cu"
        inner = _inner_radii(strand)[strand.rings.index(packed[0])] * 1e6 / barrier
        r = 0.5 * (inner + 1.0)
        _lead(ax, words, (r * cos(0.3), -r * sin(0.3)), -0.36, barrier, style.FAINT)
    r = 1.0 + 0.5 * _WALL
    _lead(ax, "barrier", (r * cos(0.62), -r * sin(0.62)), -0.6, barrier, style.FAINT)


def _lead(ax: Axes, text: str, target: tuple[float, float], y: float, barrier: float, colour: str) -> None:
    """A text at the right, led to a target; places in radii of the barrier."""
    from matplotlib.patheffects import Normal, Stroke

    place = (target[0] * barrier, target[1] * barrier)
    casing = [Stroke(linewidth=1.4, foreground="white"), Normal()]
    lead = {"arrowstyle": "-", "linewidth": 0.5, "color": style.INK, "shrinkA": 1, "shrinkB": 0, "relpos": (0.0, 0.5)}
    ax.annotate(
        text, place, (1.2 * barrier, y * barrier), va="center", ha="left", fontsize=6.5, color=colour, zorder=6,
        arrowprops={**lead, "path_effects": casing},
    )  # fmt: skip
    ax.plot(*place, "o", markersize=2.2, color=style.INK, markeredgecolor="white", markeredgewidth=0.5, zorder=7)
