"""A sweep as a picture: an answer over one or two of the values that vary."""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from bronzeward.errors import InputError
from bronzeward.model.dataset_file import as_dataset
from bronzeward.plots import style
from bronzeward.plots.axes import fit_ticks, frame, light_map, new_axes
from bronzeward.studies.sweep_cut import Cut, cut

if TYPE_CHECKING:
    import xarray as xr
    from matplotlib.axes import Axes


@style.settings()
def plot_sweep(
    data: xr.Dataset | str | Path, answer: str, ax: Axes | None = None, at: Mapping[str, float | str] | None = None
) -> Axes:
    """Contours of an answer over two values, or its course over one with its band."""
    part = cut(as_dataset(data), answer, at)
    ax = ax or new_axes()
    label = f"{part.answer.title} [{part.answer.shown_unit}]"
    if part.values.ndim == 0:
        raise InputError("sweep: a figure needs one or two values that vary")
    named = [dim for dim in part.values.dims if part.values[dim].dtype.kind == "U"]
    if len(named) == part.values.ndim:
        raise InputError(f"sweep: a figure needs numbers across; {' and '.join(map(str, named))} are names")
    if part.values.ndim == 1:
        _course(ax, part, label)
    elif named:
        _courses(ax, part, str(named[0]), label)
    else:
        _contours(ax, part, label)
    return ax


def _course(ax: Axes, part: Cut, label: str) -> None:
    dim = part.values.dims[0]
    x = part.values[dim].values
    if part.band:
        low, high = part.band
        ax.fill_between(x, low.values, high.values, color=style.RULE, lw=0)
    ax.plot(x, part.values.values, color=style.INK, lw=1.4, marker="o", ms=2.5)
    ax.set_xlabel(axis_label(str(dim)))
    ax.set_ylabel(label)
    fit_ticks(ax.xaxis, x)
    frame(ax)


def _courses(ax: Axes, part: Cut, named: str, label: str) -> None:
    """A line for each name."""
    styles = ("-", "--", ":", "-.")
    for k, name in enumerate(part.values[named].values):
        line = part.values.sel({named: name})
        x = line[line.dims[0]].values
        ax.plot(x, line.values, color=style.INK, ls=styles[k % len(styles)], lw=1.4, marker="o", ms=2.5, label=name)
    ax.set_xlabel(axis_label(str(line.dims[0])))
    ax.set_ylabel(label)
    ax.legend(title=axis_label(named))
    fit_ticks(ax.xaxis, x)
    frame(ax)


def _contours(ax: Axes, part: Cut, label: str) -> None:
    down, across = part.values.dims
    field = part.values.sortby([down, across])
    x, y, values = field[across].values, field[down].values, field.values
    if np.isfinite(values).any() and np.nanmax(values) > np.nanmin(values):
        filled = ax.contourf(x, y, values, levels=12, cmap=light_map())
        lines = ax.contour(x, y, values, levels=list(filled.levels)[::2], colors=style.INK, linewidths=0.5)
        ax.clabel(lines, fontsize=6)
        ax.figure.colorbar(filled, ax=ax, label=label)
        if part.answer.key.startswith("overfill") and np.nanmin(values) < 0 < np.nanmax(values):
            ax.contour(x, y, values, levels=[0.0], colors=style.WARN, linewidths=1.4)
    else:
        ax.text(0.5, 0.5, f"{label}: the same everywhere", transform=ax.transAxes, ha="center", fontsize=6)
    ax.set_xlabel(axis_label(str(across)))
    ax.set_ylabel(axis_label(str(down)))
    fit_ticks(ax.xaxis, x)
    fit_ticks(ax.yaxis, y)


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
