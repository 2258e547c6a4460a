"""A fit of growth constants as a picture."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from bronzeward.inputs.layer_measurements import AREA
from bronzeward.materials.phases import LETTERS
from bronzeward.plots import style
from bronzeward.plots.axes import fit_ticks, new_axes
from bronzeward.studies.calibration import Fit

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Array = NDArray[np.float64]


@style.settings()
def plot_fit(fit: Fit, ax: Axes | None = None) -> Axes:
    """Measured against computed thickness or area, with two standard errors.

    Areas are hollow; of a layer that is not there, the limit of detection has an arrow down.
    """
    ax = ax or new_axes()
    layers = list(dict.fromkeys(m.layer for m in fit.measurements))
    scales = np.array([100.0 if m.of_area else 1e6 for m in fit.measurements])
    computed, measured = fit.computed * scales, np.array([m.mean for m in fit.measurements]) * scales
    low, high, logarithmic = _ends(computed, measured)
    ends = low, high
    kinds = list(dict.fromkeys(_of_what(layer) for layer in layers))
    for layer in layers:
        colour, _, marker = style.STROKES[kinds.index(_of_what(layer)) % len(style.STROKES)]
        of_layer = [j for j, m in enumerate(fit.measurements) if m.layer == layer]
        first = fit.measurements[of_layer[0]]
        x, y = np.maximum(computed[of_layer], low), measured[of_layer]
        bar = 2.0 * y * np.array([fit.measurements[j].log_error for j in of_layer])
        if first.absent:  # an arrow down from the limit
            bar = 0.35 * y
        words = "+".join(LETTERS.get(part, part) for part in _of_what(layer).split("+"))
        label = f"{'no ' if first.absent else AREA if first.of_area else ''}{words}"
        ax.errorbar(
            x, y, bar, fmt=marker, color=colour, ms=3.5, lw=0.8, capsize=1.5, label=label, clip_on=False,
            uplims=first.absent, mfc="none" if first.of_area else colour,
        )  # fmt: skip
    ax.plot(ends, ends, color=style.FAINT, lw=0.7, zorder=1)
    if logarithmic:
        for axis in (ax.xaxis, ax.yaxis):
            fit_ticks(axis, np.geomspace(low, high, 6))
    ax.set_xlim(ends)
    ax.set_ylim(ends)
    areas = [m.of_area for m in fit.measurements]
    what = "area, %" if all(areas) else "thickness, µm, or area, %" if any(areas) else "thickness, µm"
    ax.set_xlabel(f"computed {what}")
    ax.set_ylabel(f"measured {what}")
    ax.legend(loc="upper left")
    ax.spines[["top", "right"]].set_visible(False)
    return ax


def _of_what(layer: str) -> str:
    """A layer as it was written, without what is said of it."""
    return layer.removeprefix("no ").removeprefix(AREA)


def _ends(x: Array, y: Array) -> tuple[float, float, bool]:
    """Ends of both axes, and whether these are logarithmic: where what was measured spans a decade or more.

    A layer that is computed not to be there then lies on the left edge.
    """
    low, high = float(y.min()), 1.1 * float(max(x.max(), y.max()))
    return (0.35 * low, 1.2 * high, True) if 0.0 < low and high > 10.0 * low else (0.0, high, False)
