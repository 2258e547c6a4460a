"""Hottest and coldest strand of a furnace load as a picture."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from bronzeward.model.dataset_file import as_dataset
from bronzeward.plots import style
from bronzeward.plots.axes import frame, new_axes
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
    for k, strand in enumerate(STRANDS):
        ax.plot(time[k], kelvin[k], color=colours[k], lw=1.4 if k == 0 else 0.9, label=strand)
    for name, t in zip(data["reaction"].values, data["reaction_temperature"].values, strict=True):
        ax.axhline(t - ZERO_CELSIUS, color=style.WARN, lw=0.7, dashes=(4, 2))
        at = (1.0, t - ZERO_CELSIUS)
        ax.annotate(str(name), at, xycoords=("axes fraction", "data"), ha="right", va="bottom", fontsize=6)
    ax.set_xlabel("time [h]")
    ax.set_ylabel("temperature [°C]")
    ax.legend(loc="lower right")
    frame(ax)
    return ax
