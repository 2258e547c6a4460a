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
    """Measured against computed thickness, with two standard errors."""
    ax = ax or new_axes()
    layers = list(dict.fromkeys(m.layer for m in fit.measurements))
    for k, layer in enumerate(layers):
        colour, _, marker = style.STROKES[k % len(style.STROKES)]
        mine = [j for j, m in enumerate(fit.measurements) if m.layer == layer]
        x = fit.computed[mine] * 1e6
        y = np.array([fit.measurements[j].mean for j in mine]) * 1e6
        bar = 2.0 * y * np.array([fit.measurements[j].log_error for j in mine])
        ax.errorbar(x, y, bar, fmt=marker, color=colour, ms=3.5, lw=0.8, capsize=1.5, label=layer)
    low = max(0.8 * min(ax.get_xlim()[0], ax.get_ylim()[0]), 0.0)
    ends = low, 1.1 * max(ax.get_xlim()[1], ax.get_ylim()[1])
    ax.plot(ends, ends, color=style.FAINT, lw=0.7)
    ax.set_xlim(ends)
    ax.set_ylim(ends)
    ax.set_xlabel("computed thickness [µm]")
    ax.set_ylabel("measured thickness [µm]")
    ax.legend(loc="upper left")
    ax.spines[["top", "right"]].set_visible(False)
    return ax
