"""What a section shows and says of its layers: fills, names, thicknesses; and the scale."""

from __future__ import annotations

from math import floor, log10
from typing import TYPE_CHECKING, Any

from bronzeward.inputs.strand import Strand
from bronzeward.materials.phases import LETTERS
from bronzeward.model.layer_stack import Layer
from bronzeward.plots import style

if TYPE_CHECKING:
    from matplotlib.axes import Axes


def layer_line(layer: Layer, plane: bool) -> str:
    """Name and thickness of a layer; of what fills the centre, the diameter."""
    name = "void" if layer.phase is None else style.LOOKS[layer.phase].name
    if layer.inner <= 0.0 and not plane:
        return f"{name}, ⌀ {micrometres(2.0 * layer.outer)}"
    return f"{name}, {micrometres(layer.thickness)}"


def layer_look(layer: Layer) -> dict[str, Any]:
    """Keywords that fill a layer; void is white with a rim."""
    void = {"facecolor": style.VOID, "edgecolor": style.INK, "linewidth": 0.4}
    return void if layer.phase is None else style.fill(layer.phase)


def layer_letter(layer: Layer) -> str:
    """The letter of a layer's phase."""
    return "void" if layer.phase is None else LETTERS[layer.phase]


def off_centre(strand: Strand) -> str:
    """What must be said of a core that does not lie in the middle; nothing of others."""
    if strand.offset <= 0.0:
        return ""
    return f"Core {micrometres(strand.offset)} off centre: so much less copper on one side, more on the other."


def shift(strand: Strand, edge: float) -> float:
    """How far to the left [m] a circle round the core lies, by its radius [m]; at most until it touches the barrier."""
    return max(0.0, min(strand.offset, strand.barrier_radius - edge))


def micrometres(metres: float) -> str:
    """A length with three figures or so."""
    value = metres * 1e6
    return f"{value:.1f} µm" if value >= 9.95 else f"{value:.2f} µm" if value >= 0.0995 else f"{value:.3f} µm"


def round_length(size: float) -> float:
    """A round length, the longest of 1, 2 and 5 times a power of ten up to 0.4 of `size`, in the same unit."""
    rough = 0.4 * size
    decade = 10.0 ** floor(log10(rough))
    return max(step * decade for step in (1.0, 2.0, 5.0) if step * decade <= rough)


def scale_bar(ax: Axes, corner: tuple[float, float], size: float) -> None:
    """A bar of a round length [µm], about a third of `size` long, with its length beside it."""
    from matplotlib.patches import Rectangle

    length = round_length(size)
    x, y = corner
    ax.add_patch(Rectangle((x, y), length, 0.022 * size, facecolor=style.INK, linewidth=0))
    ax.text(x + length + 0.04 * size, y + 0.011 * size, f"{length:g} µm", va="center", fontsize=6.5)
