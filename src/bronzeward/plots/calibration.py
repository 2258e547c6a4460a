"""A fit of growth constants as a picture."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from bronzeward.plots import style
from bronzeward.plots.axes import new_axes
from bronzeward.studies.calibration import Fit

if TYPE_CHECKING:
    from matplotlib.axes import Axes


@style.settings()
def plot_fit(fit: Fit, ax: Axes | None = None) -> Axes:
    """Measured against computed thickness or area, with two standard errors."""
    ax = ax or new_axes()
    layers = list(dict.fromkeys(m.layer for m in fit.measurements))
    for k, layer in enumerate(layers):
        colour, _, marker = style.STROKES[k % len(style.STROKES)]
        mine = [j for j, m in enumerate(fit.measurements) if m.layer == layer]
        scale = 100.0 if fit.measurements[mine[0]].of_area else 1e6
        x = fit.computed[mine] * scale
        y = np.array([fit.measurements[j].mean for j in mine]) * scale
        bar = 2.0 * y * np.array([fit.measurements[j].log_error for j in mine])
        ax.errorbar(x, y, bar, fmt=marker, color=colour, ms=3.5, lw=0.8, capsize=1.5, label=layer)
    low = max(0.8 * min(ax.get_xlim()[0], ax.get_ylim()[0]), 0.0)
    ends = low, 1.1 * max(ax.get_xlim()[1], ax.get_ylim()[1])
    ax.plot(ends, ends, color=style.FAINT, lw=0.7)
    ax.set_xlim(ends)
    ax.set_ylim(ends)
    areas = [m.of_area for m in fit.measurements]
    what = "area [%]" if all(areas) else "thickness [µm], area [%]" if any(areas) else "thickness [µm]"
    ax.set_xlabel(f"computed {what}")
    ax.set_ylabel(f"measured {what}")
    ax.legend(loc="upper left")
    ax.spines[["top", "right"]].set_visible(False)
    return ax
