"""Bands of an answer as pictures: its distribution over the members, and what it depends on."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from bronzeward.model.answers import answer_of
from bronzeward.model.dataset_file import as_dataset
from bronzeward.plots import style
from bronzeward.plots.axes import frame, new_axes, note_below
from bronzeward.studies.quantiles import QUANTILES

if TYPE_CHECKING:
    import xarray as xr
    from matplotlib.axes import Axes

    from bronzeward.model.result import Result

    Band = Result | xr.Dataset | str | Path


@style.settings()
def plot_band(data: Band, answer: str = "shell_at_first_liquid", ax: Axes | None = None) -> Axes:
    """Distribution of an answer over the members, with the quantiles and the single run."""
    data = as_dataset(data)
    ax = ax or new_axes()
    chosen = answer_of(answer)
    values = chosen.shown(data[f"{answer}_members"])
    values = np.sort(values[np.isfinite(values)])
    colour = style.STROKES[2][0]
    ax.plot(values, (np.arange(values.size) + 0.5) / max(values.size, 1), color=colour, lw=1.4)
    single = float(chosen.shown(data[f"{answer}_single"]))
    ax.axvline(single, color=style.FAINT, lw=0.8, dashes=(3, 2), zorder=1, label=f"this case: {single:.2f}")
    middle = 0.5 * sum(ax.get_xlim())
    for level, value in zip(QUANTILES, chosen.shown(data[answer]), strict=True):
        ax.plot([value], [level], "o", color=style.INK, ms=3)
        side = -1 if value > middle else 1
        ax.annotate(
            f"{100 * level:.0f} %: {value:.2f}", (value, level), (5 * side, -4 * side), textcoords="offset points",
            fontsize=6, va="top" if side > 0 else "bottom", ha="left" if side > 0 else "right",
            path_effects=style.halo(),
        )  # fmt: skip
    ax.set_xlabel(f"{chosen.title}, {chosen.shown_unit}")
    ax.set_ylabel("share of members below")
    ax.set_ylim(-0.13, 1.07)
    ax.legend(loc="lower left", bbox_to_anchor=(0.0, 1.0), borderaxespad=0.2)
    note_below(ax, str(data.attrs["caveat"]))
    frame(ax)
    return ax


@style.settings()
def plot_shares(data: Band, answer: str = "shell_at_first_liquid", ax: Axes | None = None) -> Axes:
    """Shares of the variance of an answer by source, the largest at the top."""
    data = as_dataset(data)
    ax = ax or new_axes()
    chosen = answer_of(answer)
    shares = np.nan_to_num(np.asarray(data[f"{answer}_share"], dtype=float))
    order = np.argsort(shares)
    ax.barh(np.arange(order.size), 100 * shares[order], color=style.STROKES[2][0], height=0.7)
    ax.set_yticks(np.arange(order.size), [str(s) for s in data["source"].values[order]])
    ax.set_xlabel(f"share of the variance of {chosen.title}, %")
    ax.spines[["top", "right"]].set_visible(False)
    return ax
