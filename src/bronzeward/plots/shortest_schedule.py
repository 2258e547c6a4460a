"""Least hours against the value of a limit."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from bronzeward.model.answers import answer_of
from bronzeward.model.dataset_file import as_dataset
from bronzeward.plots import style
from bronzeward.plots.axes import frame, new_axes, note_below

if TYPE_CHECKING:
    import xarray as xr
    from matplotlib.axes import Axes


@style.settings()
def plot_trade_off(data: xr.Dataset | str | Path, ax: Axes | None = None) -> Axes:
    """Least hours against the value of a limit."""
    data = as_dataset(data)
    ax = ax or new_axes()
    answer = answer_of(str(data.attrs["answer"]))
    x, hours = answer.shown(data["limit"]), np.asarray(data["hours"], dtype=float)
    order = np.argsort(x)
    x, hours = x[order], hours[order]
    ax.plot(x, hours, color=style.INK, lw=1.4, marker="o", ms=3)
    none = x[~np.isfinite(hours)]
    ax.plot(none, np.zeros(none.size), "x", color=style.WARN, ms=4, transform=ax.get_xaxis_transform(), clip_on=False)
    if none.size:
        ax.set_title("× no schedule found that keeps it", fontsize=6.5, color=style.WARN, loc="right")
    kept = 100 * float(data.attrs["confidence"])
    bound = "at most" if data.attrs["kind"] == "<=" else "at least"
    ax.set_xlabel(f"{answer.title}, {bound}, {answer.shown_unit}\nin {kept:g} % of the members")
    ax.set_ylabel("least length, h")
    ax.margins(x=0.06)
    ax.locator_params(axis="x", nbins=7)
    frame(ax)
    note_below(ax, str(data.attrs["caveat"]), 37.0)
    return ax
