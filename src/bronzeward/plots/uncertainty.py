"""Bands of an answer as pictures: its distribution over the members, and what it depends on."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from bronzeward.model.answer_text import checked_answer, shown, title, unit
from bronzeward.plots import style
from bronzeward.studies.uncertainty import QUANTILES

if TYPE_CHECKING:
    import xarray as xr
    from matplotlib.axes import Axes


def plot_band(data: xr.Dataset, answer: str = "shell_at_first_liquid", ax: Axes | None = None) -> Axes:
    """Distribution of an answer over the members, with the quantiles and the single run."""
    ax = style.new_axes() if ax is None else ax
    values = shown(checked_answer(answer), data[f"{answer}_members"])
    values = np.sort(values[np.isfinite(values)])
    colour = style.STROKES[2][0]
    ax.plot(values, (np.arange(values.size) + 0.5) / max(values.size, 1), color=colour, lw=1.4)
    for level, value in zip(QUANTILES, shown(answer, data[answer]), strict=True):
        ax.plot([value], [level], "o", color=style.INK, ms=3)
        ax.annotate(f" {100 * level:.0f} %: {value:.2f}", (value, level), fontsize=6, va="top")
    ax.axvline(float(shown(answer, data[f"{answer}_single"])), color=style.FAINT, lw=0.8, dashes=(3, 2))
    ax.set_xlabel(f"{title(answer)} [{unit(answer)}]")
    ax.set_ylabel("share of members below")
    ax.set_ylim(0, 1)
    style.frame(ax)
    return ax


def plot_shares(data: xr.Dataset, answer: str = "shell_at_first_liquid", ax: Axes | None = None) -> Axes:
    """Shares of the variance of an answer by source, the largest at the top."""
    ax = style.new_axes() if ax is None else ax
    shares = np.nan_to_num(np.asarray(data[f"{checked_answer(answer)}_share"], dtype=float))
    order = np.argsort(shares)
    ax.barh(np.arange(order.size), 100 * shares[order], color=style.STROKES[2][0], height=0.7)
    ax.set_yticks(np.arange(order.size), [str(s) for s in data["source"].values[order]])
    ax.set_xlabel(f"share of the variance of {title(answer)} [%]")
    ax.spines[["top", "right"]].set_visible(False)
    return ax
