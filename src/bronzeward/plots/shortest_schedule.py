"""Least hours against the value of a limit."""

from __future__ import annotations

from typing import TYPE_CHECKING

from bronzeward.model.answer_text import shown, title, unit
from bronzeward.plots import style

if TYPE_CHECKING:
    import xarray as xr
    from matplotlib.axes import Axes


def plot_trade_off(data: xr.Dataset, ax: Axes | None = None) -> Axes:
    """Least hours against the value of a limit."""
    ax = style.new_axes() if ax is None else ax
    answer = str(data.attrs["answer"])
    ax.plot(shown(answer, data["limit"]), data["hours"], color=style.INK, lw=1.4, marker="o", ms=3)
    kept = 100 * float(data.attrs["confidence"])
    bound = "at most" if data.attrs["kind"] == "<=" else "at least"
    ax.set_xlabel(f"{title(answer)}, {bound} [{unit(answer)}]\nin {kept:g} % of the members")
    ax.set_ylabel("least length [h]")
    style.frame(ax)
    return ax
