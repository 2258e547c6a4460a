"""Section of a plane couple: tin surface at the left, copper at the right."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from bronzeward.inputs.strand import Strand
from bronzeward.model.layer_stack import SEED, Layer
from bronzeward.plots import style
from bronzeward.plots.lettering import spread_out
from bronzeward.plots.section_words import layer_letter, layer_look, micrometres, scale_bar

if TYPE_CHECKING:
    from matplotlib.axes import Axes


SLAB = (1.08, 0.375)
"""Width and height of a drawing without call-outs, over the thickness of the couple."""


def draw_slabs(ax: Axes, layers: Sequence[Layer], strand: Strand, callouts: bool) -> None:
    """Every layer as a slab to scale, with a scale bar, named above if asked for."""
    from matplotlib.patches import Rectangle

    whole = strand.barrier_radius * 1e6
    tall = 0.27 * whole
    for layer in layers:
        ax.add_patch(Rectangle((layer.inner * 1e6, 0.0), layer.thickness * 1e6, tall, **layer_look(layer)))
        ax.plot([layer.outer * 1e6] * 2, [0.0, tall], color=style.INK, linewidth=0.4)
    ax.add_patch(Rectangle((0.0, 0.0), whole, tall, fill=False, edgecolor=style.INK, linewidth=0.6))
    ax.set_xlim(-0.04 * whole, 1.04 * whole)
    ax.set_ylim(-0.1 * whole, 1.6 * tall if callouts else (SLAB[1] - 0.1) * whole)
    scale_bar(ax, (0.0, -0.05 * whole), 0.7 * whole)
    if callouts:
        _name_slabs(ax, [layer for layer in layers if layer.thickness > SEED], whole, tall)


def _name_slabs(ax: Axes, layers: Sequence[Layer], whole: float, tall: float) -> None:
    """Letter and thickness above every slab, spread apart between 6 and 94 % of the width so that texts stay inside."""
    places = [(layer.inner + layer.outer) * 0.5e6 / whole for layer in layers]
    spread = spread_out([(place - 0.06) / 0.88 for place in places], 0.2)
    lead = {"arrowstyle": "-", "linewidth": 0.5, "color": style.INK, "shrinkA": 0, "shrinkB": 0, "relpos": (0.5, 0.0)}
    for layer, place, moved in zip(layers, places, spread, strict=True):
        text, at = (
            f"{layer_letter(layer)}\n{micrometres(layer.thickness)}",
            ((0.06 + 0.88 * moved) * whole, 1.22 * tall),
        )
        ax.annotate(text, (place * whole, tall), at, ha="center", va="bottom", fontsize=6, arrowprops=lead)
