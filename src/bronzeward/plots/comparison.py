"""Several results against time on one figure."""

from __future__ import annotations

from collections.abc import Sequence
from textwrap import fill
from typing import TYPE_CHECKING

import numpy as np

from bronzeward.errors import InputError
from bronzeward.model.answer_bands import caveats_of
from bronzeward.model.result import Source, as_result
from bronzeward.plots import style
from bronzeward.plots.axes import COLUMN_WIDTH, column_of_axes, frame, new_axes
from bronzeward.plots.lettering import wrapped
from bronzeward.plots.panels import BAND, SHADED
from bronzeward.plots.run_history import LINE
from bronzeward.units import HOUR, ZERO_CELSIUS

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

PANELS = (
    ("temperature, °C", "temperature", 1.0, -ZERO_CELSIUS),
    ("whole shell, µm", "shell_thickness", 1e6, 0.0),
    ("liquid, % of tin", "liquid_tin_fraction", 100.0, 0.0),
    ("overfill, % of core", "overfill", 100.0, 0.0),
)
"""Label, variable, and how it is shown: value * scale + shift."""


@style.settings()
def draw_comparison(runs: Sequence[tuple[str, Source]]) -> Figure:
    """Temperature, shell, liquid and overfill of several results against time, on one column-wide figure.

    At most six results as (name, run), told apart by colour, dashes and number.

    Raises
    ------
    InputError
        For no result, or more than six.
    """
    if not 1 <= len(runs) <= len(style.STROKES):
        fault = (
            f"{len(runs)} results; one figure takes {len(style.STROKES)} at most"
            if runs
            else "give at least one result"
        )
        raise InputError(f"compare: {fault}")
    results = [(name, as_result(run)) for name, run in runs]
    titles = [str(result.attributes.get("title", "")) for _, result in results]
    names = [f"{name}: {title}" if title else name for (name, _), title in zip(results, titles, strict=True)]
    names = [wrapped(name, 50, 2) for name in names]
    key = 0.125 * sum(name.count("\n") + 1 for name in names) + 0.07
    note = "\n".join(fill(f"{SHADED} {caveat}", 76) for caveat in caveats_of([result for _, result in results]))
    figure, axes = column_of_axes(
        [1.05] * len(PANELS), top=key + 0.1, bottom=0.38 + (LINE * (note.count("\n") + 1) if note else 0.0)
    )
    figure.text(0.06 / COLUMN_WIDTH, 0.03 / figure.get_figheight(), note, fontsize=5.5, color=style.FAINT)
    total, left = figure.get_figheight(), axes[0].get_position().x0
    _write_names(figure.add_axes((left, 1.0 - (key + 0.02) / total, 0.97 - left, key / total)), names)
    longest = max(float(result["time"][-1]) for _, result in results) / HOUR
    for ax, (label, variable, scale, shift) in zip(axes, PANELS, strict=True):
        plot_compared(results, variable, ax, scale, shift)
        ax.set_ylabel(label)
        ax.set_xlim(0.0, longest)
        ax.tick_params(axis="x", labelbottom=ax is axes[-1])
        ax.set_xlabel("time, h" if ax is axes[-1] else "")
        if variable == "overfill":
            ax.axhline(0.0, color=style.INK, linewidth=0.6)
        else:
            ax.set_ylim(0.0, None)
    return figure


@style.settings()
def plot_compared(
    runs: Sequence[tuple[str, Source]], variable: str, ax: Axes | None = None, scale: float = 1.0, shift: float = 0.0
) -> Axes:
    """One variable of several results against time [h], shown as value * scale + shift; returns the axes."""
    ax = ax or new_axes()
    for (colour, dash, marker), (_, run) in zip(style.STROKES, runs, strict=False):
        result = as_result(run)
        hours, values = result["time"] / HOUR, result[variable] * scale + shift
        ends = [f"{variable}{ending}" for ending in BAND]
        if all(end in result.variables for end in ends):
            low, high = (result[end] * scale + shift for end in ends)
            ax.fill_between(hours, low, high, color=colour, alpha=0.18, linewidth=0)
        ax.plot(hours, values, color=colour, linewidth=1.2, linestyle=(0, dash) if dash else "-")
        k = int(np.argmax(np.abs(values - values[0])))
        _mark(ax, hours[k], values[k], marker, colour)
    frame(ax)
    ax.set_xlabel("time, h")
    return ax


def _mark(ax: Axes, x: float, y: float, marker: str, colour: str) -> None:
    ax.plot(x, y, marker, color=colour, markersize=3.2, markeredgecolor="white", markeredgewidth=0.4)


def _write_names(ax: Axes, names: Sequence[str]) -> None:
    """Stroke, number and name of each result, one or two lines each."""
    ax.set_axis_off()
    ax.set_xlim(0.0, 1.0)
    heights = [name.count("\n") + 1 for name in names]
    ax.set_ylim(sum(heights) - 0.5, -0.5)
    for k, ((colour, dash, marker), name) in enumerate(zip(style.STROKES, names, strict=False)):
        y = sum(heights[:k])
        ax.plot([0.0, 0.1], [y, y], color=colour, linewidth=1.2, linestyle=(0, dash) if dash else "-")
        _mark(ax, 0.05, y, marker, colour)
        ax.text(0.12, y, f"{k + 1}", va="center_baseline", fontsize=6.5)
        for n, line in enumerate(name.split("\n")):
            ax.text(0.16, y + n, line, va="center_baseline", fontsize=6.5)
