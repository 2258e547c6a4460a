"""A sweep as a picture: an answer over one or two of the values that vary."""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path
from textwrap import fill
from typing import TYPE_CHECKING, cast

import numpy as np

from bronzeward.errors import InputError
from bronzeward.model.dataset_file import as_dataset
from bronzeward.plots import style
from bronzeward.plots.axes import PAGE_WIDTH, fit_ticks, frame, light_map, new_axes, new_figure, note_below
from bronzeward.studies.sweep_cut import Cut, cut

if TYPE_CHECKING:
    import xarray as xr
    from matplotlib.axes import Axes
    from matplotlib.contour import ContourSet
    from matplotlib.figure import Figure


@style.settings()
def plot_sweep(
    data: xr.Dataset | str | Path, answer: str, ax: Axes | None = None, at: Mapping[str, float | str] | None = None
) -> Axes:
    """Contours of an answer over two values, or its course over one with its band; see `draw_sweep`."""
    part = cut(as_dataset(data), answer, at)
    ax = ax or new_axes()
    label = f"{part.answer.title}, {part.answer.shown_unit}"
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
    if part.caveat:
        note_below(ax, part.caveat)
    return ax


def _course(ax: Axes, part: Cut, label: str) -> None:
    dim = part.values.dims[0]
    x = part.values[dim].values
    if part.band:
        low, high = part.band
        ax.fill_between(x, low.values, high.values, color=style.RULE, lw=0, label="5 to 95 % of the members")
    middle = "median" if part.band else "single runs"
    ax.plot(x, part.values.values, color=style.INK, lw=1.4, marker="o", ms=2.5, label=middle)
    ax.set_xlabel(axis_label(str(dim)))
    ax.set_ylabel(label)
    fit_ticks(ax.xaxis, x)
    if part.band:
        ax.legend(loc="lower left", bbox_to_anchor=(0.0, 1.0), ncols=2, borderaxespad=0.2)
    frame(ax)


def _contour_levels(part: Cut) -> list[float]:
    """Levels for the median and both ends of its band."""
    from matplotlib.ticker import MaxNLocator

    columns = [part.values, *(part.band or ())]
    low, high = (float(end([end(column) for column in columns])) for end in (np.nanmin, np.nanmax))
    return [float(level) for level in MaxNLocator(12).tick_values(low, high)]


@style.settings()
def draw_sweep(data: xr.Dataset | str | Path, answer: str, at: Mapping[str, float | str] | None = None) -> Figure:
    """`plot_sweep` one column wide; of a band over two values its ends beside the median, page-wide, in one scale."""
    part = cut(as_dataset(data), answer, at)
    named = any(part.values[dim].dtype.kind == "U" for dim in part.values.dims)
    if part.values.ndim < 2 or part.band is None or named:
        return cast("Figure", plot_sweep(data, answer, None, at).figure)
    figure = new_figure(PAGE_WIDTH, 0.36 * PAGE_WIDTH, layout="constrained")
    axes = figure.subplots(1, 3, sharex=True, sharey=True)
    levels = _contour_levels(part)
    for ax, title, values in zip(
        axes, ("5 % lie below", "median", "95 % lie below"), (part.band[0], part.values, part.band[1]), strict=True
    ):
        filled = _field(ax, Cut(part.answer, values, None), levels)
        ax.set_title(title, loc="left")
        ax.label_outer()
    if filled is not None:
        figure.colorbar(filled, ax=list(axes), label=f"{part.answer.title}, {part.answer.shown_unit}")
    note = fill(part.caveat, 160)
    figure.supxlabel(note, x=0.01, ha="left", fontsize=5.5, color=style.FAINT, fontweight="normal")
    return figure


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
    filled = _field(ax, part, _contour_levels(part) if np.isfinite(part.values).any() else [])
    if filled is None:
        ax.text(0.5, 0.5, f"{label}: the same everywhere", transform=ax.transAxes, ha="center", fontsize=6)
    else:
        ax.figure.colorbar(filled, ax=ax, label=label)


def _field(ax: Axes, part: Cut, levels: list[float]) -> ContourSet | None:
    """Filled contours with lines at every other level, named; the border of overfill in red. None where all is one."""
    down, across = part.values.dims
    field = part.values.sortby([down, across])
    x, y, values = field[across].values, field[down].values, field.values
    filled = None
    fit_ticks(ax.xaxis, x)
    fit_ticks(ax.yaxis, y)
    if np.isfinite(values).any() and np.nanmax(values) > np.nanmin(values):
        filled = ax.contourf(x, y, values, levels=levels, cmap=light_map())
        lines = ax.contour(x, y, values, levels=levels[::2], colors=style.INK, linewidths=0.5, linestyles="-")
        places = _places_of_names(ax, lines)
        if places:
            for text in ax.clabel(lines, fontsize=6, manual=places, inline_spacing=2):
                text.set_rotation(0)  # a turned minus sign reads as a piece of the line
        if part.answer.key.startswith("overfill") and np.nanmin(values) < 0 < np.nanmax(values):
            ax.contour(x, y, values, levels=[0.0], colors=style.WARN, linewidths=1.4)
            ax.set_title("red: 0 %", fontsize=6.5, color=style.WARN, loc="right")
    ax.set_xlabel(axis_label(str(across)))
    ax.set_ylabel(axis_label(str(down)))
    return filled


def _places_of_names(ax: Axes, lines: ContourSet) -> list[tuple[float, float]]:
    """Where lines have room for their number: the vertex nearest to the middle, if it is well inside the axes."""
    change = ax.transScale + ax.transLimits
    places: list[tuple[float, float]] = []
    for paths in lines.allsegs:
        vertices = np.concatenate([*paths, np.empty((0, 2))])
        inner = np.abs(change.transform(vertices) - 0.5).max(axis=1) if len(vertices) else np.array([1.0])
        if inner.min() < 0.38:
            x, y = vertices[np.argmin(inner)]
            places.append((float(x), float(y)))
    return places


_STEP = re.compile(r"steps_(\d+)_")
_UNITS = {"_C_per_h": "°C/h", "_um": "µm", "_C": "°C", "_h": "h", "_nm": "nm"}


def axis_label(name: str) -> str:
    """The name of a dimension with its unit in brackets; of a step, what it is and which in the case file."""
    place = _STEP.match(name)
    of = f" (steps.{place[1]})" if place else ""
    rest = name.removeprefix(place[0]) if place else name
    for end, text in _UNITS.items():
        if rest.endswith(end):
            return f"{rest.removesuffix(end).replace('_', ' ')}{of}, {text}"
    return rest.replace("_", " ") + of
