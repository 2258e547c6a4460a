"""Hottest and coldest strand of a furnace load as a picture."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike

from bronzeward.model.dataset_file import as_dataset
from bronzeward.plots import style
from bronzeward.plots.axes import frame, new_axes
from bronzeward.plots.lettering import spread_out
from bronzeward.studies.furnace_margins import STRANDS
from bronzeward.units import HOUR, ZERO_CELSIUS

if TYPE_CHECKING:
    import xarray as xr
    from matplotlib.axes import Axes


@style.settings()
def plot_margins(data: xr.Dataset | str | Path, ax: Axes | None = None) -> Axes:
    """Programme, hottest and coldest strand against time, with the reactions."""
    data = as_dataset(data)
    ax = ax or new_axes()
    time, kelvin = data["knot_time"].values / HOUR, data["knot_temperature"].values - ZERO_CELSIUS
    colours = (style.INK, style.STROKES[1][0], style.STROKES[2][0])
    dashes = ("-", (0, (4, 1)), (0, (1, 1)))
    for k, strand in enumerate(STRANDS):
        ax.plot(time[k], kelvin[k], color=colours[k], lw=1.4 if k == 0 else 0.9, ls=dashes[k], label=strand)
    ax.set_xlim(0.0, float(np.nanmax(time)))
    top = max(float(data["reaction_temperature"].max()) - ZERO_CELSIUS, float(np.nanmax(kelvin)))
    ax.set_ylim(0.0, 1.12 * top)
    _name_reactions(ax, [str(name) for name in data["reaction"].values], data["reaction_temperature"].values)
    ax.set_xlabel("time, h")
    ax.set_ylabel("temperature, °C")
    ax.legend(loc="lower left", bbox_to_anchor=(0.0, 1.0), ncols=3, borderaxespad=0.2, columnspacing=1.2)
    frame(ax)
    return ax


def _name_reactions(ax: Axes, names: Sequence[str], kelvin: ArrayLike) -> None:
    """A line for each reaction, named beside the axes, the names apart."""
    celsius = np.asarray(kelvin) - ZERO_CELSIUS
    order = np.argsort(celsius)
    most = 0.92 * ax.get_ylim()[1]  # of the height, for the middle of a name
    heights = [0.92 * place for place in spread_out([float(celsius[k]) / most for k in order], 0.15)]
    lead = {"arrowstyle": "-", "linewidth": 0.5, "color": style.WARN, "shrinkA": 0, "shrinkB": 0, "relpos": (0.0, 0.5)}
    for k, height in zip(order, heights, strict=True):
        ax.axhline(celsius[k], color=style.WARN, lw=0.7, dashes=(4, 2))
        ax.annotate(
            f"{names[k].replace('eta', 'η', 1) if names[k].startswith('eta') else names[k]}\n{celsius[k]:.0f} °C",
            (1.0, celsius[k]), (1.05, height), xycoords=("axes fraction", "data"), textcoords="axes fraction",
            va="center", fontsize=6, annotation_clip=False, arrowprops=lead,
        )  # fmt: skip
