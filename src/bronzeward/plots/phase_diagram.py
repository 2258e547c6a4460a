"""The copper-tin phase diagram drawn from a table.

Single-phase regions are tinted, each phase in its own colour; two-phase fields stay white.
Atomic percent of tin below, mass percent above, degrees Celsius. The colours are told apart in
the common forms of colour blindness by lightness as well as by hue, and no meaning hangs on
colour alone: every phase carries its letter.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from bronzeward.errors import InputError
from bronzeward.materials.composition import atom_fraction, mass_fraction
from bronzeward.plots.axes import COLUMN_WIDTH, new_axes
from bronzeward.plots.diagram_labels import Box, Labels
from bronzeward.plots.diagram_lines import VIEWS, View, heights, horizontals
from bronzeward.plots.style import FAINT, INK, LOOKS, WARN
from bronzeward.thermo.table import PhaseTable
from bronzeward.units import ZERO_CELSIUS

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Array = npt.NDArray[np.float64]

_WASH = 0.3
"""Share of white in the fill of a region, so that its label stays readable."""

_OTHER = "#9a9a9a"
"""Colour of a phase that only a user's own description has."""


def draw_diagram(
    table: PhaseTable,
    ax: Axes | None = None,
    zoom: str | None = None,
    points: Sequence[tuple[float, float]] | Array | None = None,
    path: tuple[float, Sequence[float] | Array] | None = None,
) -> Axes:
    """Draw the phase diagram of a table and return the axes.

    ax: matplotlib axes to draw on; without, a new figure one column wide. zoom: None for all of it,
    "tin" for the tin corner, "copper" for the copper side. points: pairs (tin fraction,
    temperature [K]), marked. path: a tin fraction and a sequence of temperatures [K], the course
    of a heat treatment, drawn as a line with an arrow to its highest temperature.

    Raises InputError for an unknown zoom, or points or a path that are not of this form.
    """
    if zoom not in VIEWS:
        raise InputError(f"zoom is {zoom!r}, expected 'tin', 'copper' or none")
    marks = np.empty((0, 2)) if points is None else _pairs(points)
    course = None if path is None else _course(path)
    view = VIEWS[zoom]
    ax = ax or new_axes(COLUMN_WIDTH, 0.92 * COLUMN_WIDTH)
    _axes(ax, view)
    _regions(ax, table, view)
    _boundaries(ax, table)
    labels = Labels(ax, table, view, _marked(view, marks, course))
    labels.name_compounds()
    labels.name_regions()
    labels.name_fields()
    if course is not None:
        _draw_course(ax, *course)
    if len(marks):
        ax.plot(100 * marks[:, 0], marks[:, 1] - ZERO_CELSIUS, "o", ms=4, mfc="white", mec=WARN, mew=1.2, zorder=6)
    return ax


def _pairs(points: npt.ArrayLike) -> Array:
    marks = np.atleast_2d(np.asarray(points, dtype=float))
    if marks.ndim != 2 or marks.shape[1] != 2 or not np.all(np.isfinite(marks)):
        raise InputError("points must be pairs of tin fraction and temperature [K]")
    if np.any((marks[:, 0] < 0) | (marks[:, 0] > 1)):
        raise InputError("tin fractions of points must lie between 0 and 1")
    return marks


def _course(path: Any) -> tuple[float, Array]:
    try:
        x, temperatures = path
        course = float(x), np.atleast_1d(np.asarray(temperatures, dtype=float))
    except (TypeError, ValueError):
        raise InputError("a path is a tin fraction and a sequence of temperatures [K]") from None
    if not (0 <= course[0] <= 1 and course[1].size and np.all(np.isfinite(course[1]))):
        raise InputError("a path needs a tin fraction between 0 and 1 and finite temperatures [K]")
    return course


def _axes(ax: Axes, view: View) -> None:
    ax.set_xlim(*view.x)
    ax.set_ylim(*view.t)
    ax.set_xlabel("tin, at.%", fontsize=7, color=INK, labelpad=2)
    ax.set_ylabel("temperature, °C", fontsize=7, color=INK, labelpad=2)
    top = ax.secondary_xaxis("top", functions=(_to_mass, _to_atoms))
    top.set_xlabel("tin, wt.%", fontsize=7, color=INK, labelpad=3)
    low, high = (float(_to_mass(edge)) for edge in view.x)
    top.set_xticks(_ticks(low, high))
    for axes in (ax, top):
        axes.tick_params(labelsize=6, length=2.5, width=0.6, color=FAINT, labelcolor=INK, pad=2)
        for spine in axes.spines.values():
            spine.set(linewidth=0.7, color=INK)


def _ticks(low: float, high: float) -> Array:
    step = next(s for s in (1, 2, 5, 10, 20) if (high - low) / s <= 6)
    return np.arange(np.ceil(low / step - 1e-9) * step, high + 1e-9, step)


def _to_mass(percent: npt.ArrayLike) -> Array:
    return np.asarray(100 * mass_fraction(np.clip(percent, 0, 100) / 100))


def _to_atoms(percent: npt.ArrayLike) -> Array:
    return np.asarray(100 * atom_fraction(np.clip(percent, 0, 100) / 100))


def _regions(ax: Axes, table: PhaseTable, view: View) -> None:
    """Tint every single-phase region, interval by interval."""
    for k in range(len(table.stacks)):
        t = heights(table, k, view)
        if t.size:
            for region, label in enumerate(table.regions(k)):
                low, high = table.range_of(k, region, t + ZERO_CELSIUS)
                tint = _tint(label)
                ax.fill_betweenx(t, 100 * low, 100 * high, facecolor=tint, edgecolor=tint, lw=0.4, zorder=1)


def _boundaries(ax: Axes, table: PhaseTable) -> None:
    """Every phase boundary, and the horizontals of the reactions."""
    for field in table.fields:
        for label, x in ((field.copper_side, field.x_copper_side), (field.tin_side, field.x_tin_side)):
            compound = np.ptp(x) < 1e-9
            look: dict[str, Any] = (
                {"color": _tint(label, line=True), "lw": 1.6} if compound else {"color": INK, "lw": 0.8}
            )
            ax.plot(100 * x, field.temperature - ZERO_CELSIUS, zorder=3, solid_capstyle="butt", **look)
    for x0, x1, t, solid in horizontals(table):
        look = {"ls": "-", "color": INK, "lw": 0.8} if solid else {"ls": "--", "color": FAINT, "lw": 0.6}
        ax.plot([x0, x1], [t, t], zorder=2, **look)


def _marked(view: View, marks: Array, course: tuple[float, Array] | None) -> list[Box]:
    """What points and a path cover, to keep labels off them."""
    width, height = 0.03 * view.width, 0.03 * view.height
    boxes = [Box.around(100 * x, t - ZERO_CELSIUS, width, height) for x, t in marks]
    if course is not None:
        x, t = 100 * course[0], course[1] - ZERO_CELSIUS
        boxes.append(Box(x - 0.5 * width, x + 0.5 * width, float(t.min()), float(t.max()) + height))
    return boxes


def _draw_course(ax: Axes, x: float, temperatures: Array) -> None:
    """A heat treatment at one composition: a line, a bar at each hold, an arrow at the hottest."""
    low, high = temperatures.min() - ZERO_CELSIUS, temperatures.max() - ZERO_CELSIUS
    ax.plot([100 * x, 100 * x], [low, high], color=WARN, lw=1.1, zorder=6)
    knots = temperatures[1:][np.diff(temperatures) == 0]
    ax.plot(np.full(knots.size, 100 * x), knots - ZERO_CELSIUS, "_", color=WARN, ms=6, mew=1.1, zorder=6)
    ax.plot([100 * x], [high], "^", color=WARN, ms=3.5, zorder=6)


def _tint(label: str, line: bool = False) -> str:
    """Colour of a phase as everywhere in the project; a region is washed out, eta' lies between."""
    known = "eta" if label == "eta_prime" else label
    colour = LOOKS[known].colour if known in LOOKS else _OTHER
    white = 0.35 if label == "eta_prime" else 0.0 if line else _WASH
    parts = [int(colour[k : k + 2], 16) for k in (1, 3, 5)]
    return "#" + "".join(f"{round(part + white * (255 - part)):02x}" for part in parts)
