"""A sweep as a picture: an answer over one or two of the values that vary."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np

from bronzeward.errors import InputError
from bronzeward.model.answer_text import shown, title, unit
from bronzeward.plots import style
from bronzeward.studies.sweep_cut import beside, cut

if TYPE_CHECKING:
    import xarray as xr
    from matplotlib.axes import Axes


def plot_sweep(data: xr.Dataset, answer: str, ax: Axes | None = None, at: Mapping[str, float] | None = None) -> Axes:
    """Contours of an answer over two values, or its course over one with its band."""
    field = cut(data, answer, at)
    ax = style.new_axes() if ax is None else ax
    values = shown(answer, field)
    label = f"{title(answer)} [{unit(answer)}]"
    if field.ndim == 1:
        x = field[field.dims[0]].values
        if f"{answer}_low" in data:
            low, high = (shown(answer, beside(data, field, f"{answer}{end}")) for end in ("_low", "_high"))
            ax.fill_between(x, low, high, color=style.RULE, lw=0)
        ax.plot(x, values, color=style.INK, lw=1.4, marker="o", ms=2.5)
        ax.set_xlabel(axis_label(str(field.dims[0])))
        ax.set_ylabel(label)
        style.scale(ax.xaxis, x)
        style.frame(ax)
        return ax
    if field.ndim != 2:
        raise InputError("sweep: a figure needs one or two values that vary")
    y, x = (field[dim].values for dim in field.dims)
    order_y, order_x = np.argsort(y), np.argsort(x)
    x, y, values = x[order_x], y[order_y], values[np.ix_(order_y, order_x)]
    if np.isfinite(values).any() and np.nanmax(values) > np.nanmin(values):
        filled = ax.contourf(x, y, values, levels=12, cmap=style.light_map())
        lines = ax.contour(x, y, values, levels=list(filled.levels)[::2], colors=style.INK, linewidths=0.5)
        ax.clabel(lines, fontsize=6)
        ax.figure.colorbar(filled, ax=ax, label=label)
        if answer.startswith("overfill") and np.nanmin(values) < 0 < np.nanmax(values):
            ax.contour(x, y, values, levels=[0.0], colors=style.WARN, linewidths=1.4)
    else:
        ax.text(0.5, 0.5, f"{label}: the same everywhere", transform=ax.transAxes, ha="center", fontsize=6)
    ax.set_xlabel(axis_label(str(field.dims[1])))
    ax.set_ylabel(axis_label(str(field.dims[0])))
    style.scale(ax.xaxis, x)
    style.scale(ax.yaxis, y)
    return ax


_STEP = re.compile(r"steps_(\d+)_")
_UNITS = {"_C_per_h": "°C/h", "_um": "µm", "_C": "°C", "_h": "h", "_nm": "nm"}


def axis_label(name: str) -> str:
    """The name of a dimension with its unit in brackets; of a step, what it is and which in the case file."""
    place = _STEP.match(name)
    of = f" (steps.{place[1]})" if place else ""
    rest = name.removeprefix(place[0]) if place else name
    for end, text in _UNITS.items():
        if rest.endswith(end):
            return f"{rest.removesuffix(end).replace('_', ' ')}{of} [{text}]"
    return rest.replace("_", " ") + of
