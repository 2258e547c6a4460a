"""The copper-tin phase diagram drawn from a table.

Single-phase regions are tinted, each phase in its own colour; two-phase fields stay white.
Atomic percent of tin below, mass percent above, degrees Celsius. The colours are told apart in
the common forms of colour blindness by lightness as well as by hue, and no meaning hangs on
colour alone: every phase carries its letter.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from bronzeward.errors import InputError
from bronzeward.materials.composition import atom_fraction, mass_fraction
from bronzeward.materials.phases import FORMULAS
from bronzeward.plots.style import COLUMN_WIDTH, FAINT, INK, LOOKS, WARN
from bronzeward.thermo.table import PhaseTable
from bronzeward.units import ZERO_CELSIUS

Array = npt.NDArray[np.float64]

_LETTERS = {label: look.letter for label, look in LOOKS.items()} | {"eta_prime": "η′", "(Sn)": "(Sn)"}
_WASH = 0.3
"""Share of white in the fill of a region, so that its label stays readable."""

_OTHER = "#9a9a9a"
"""Colour of a phase that only a user's own description has."""


class View(NamedTuple):
    """What part is drawn: tin [at.%] and temperature [°C]."""

    x: tuple[float, float]
    t: tuple[float, float]


VIEWS: dict[str | None, View] = {
    None: View((0.0, 100.0), (100.0, 1120.0)),
    "tin": View((94.0, 100.0), (190.0, 310.0)),
    "copper": View((0.0, 32.0), (300.0, 1100.0)),
}


def draw_diagram(
    table: PhaseTable,
    ax: Any = None,
    zoom: str | None = None,
    points: Sequence[tuple[float, float]] | Any = None,
    path: tuple[float, Any] | None = None,
) -> Any:
    """Draw the phase diagram of a table and return the axes.

    ax: matplotlib axes to draw on; without, a new figure one column wide. zoom: None for all of it,
    "tin" for the tin corner, "copper" for the copper side. points: pairs (tin fraction,
    temperature [K]), marked. path: a tin fraction and a sequence of temperatures [K], the course
    of a heat treatment, drawn as a line with an arrow to its highest temperature.

    Raises InputError for an unknown zoom, or points or a path that are not of this form.
    """
    if zoom not in VIEWS:
        raise InputError(f"zoom is {zoom!r}, expected 'tin', 'copper' or none")
    marks = None if points is None else _pairs(points)
    course = None if path is None else _course(path)
    view = VIEWS[zoom]
    ax = _new_axes() if ax is None else ax
    _axes(ax, view)
    _regions(ax, table, view)
    _boundaries(ax, table, view)
    taken = _marked(view, marks, course)
    lines = _lines(table, view)
    _compound_labels(ax, table, view, lines, taken)
    _region_labels(ax, table, view, lines, taken)
    _field_labels(ax, table, view, lines, taken)
    if course is not None:
        _draw_path(ax, *course)
    if marks is not None:
        ax.plot(100 * marks[:, 0], marks[:, 1] - ZERO_CELSIUS, "o", ms=4, mfc="white", mec=WARN, mew=1.2, zorder=6)
    return ax


def _pairs(points: Any) -> Array:
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


def _new_axes() -> Any:
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(COLUMN_WIDTH, 0.92 * COLUMN_WIDTH), layout="constrained")
    FigureCanvasAgg(figure)
    return figure.add_subplot()


def _axes(ax: Any, view: View) -> None:
    ax.set_xlim(*view.x)
    ax.set_ylim(*view.t)
    ax.set_xlabel("tin, at.%", fontsize=7, color=INK, labelpad=2)
    ax.set_ylabel("temperature, °C", fontsize=7, color=INK, labelpad=2)
    top = ax.secondary_xaxis("top", functions=(_to_mass, _to_atoms))
    top.set_xlabel("tin, wt.%", fontsize=7, color=INK, labelpad=3)
    low, high = (float(_to_mass(edge)) for edge in view.x)
    top.set_xticks(_ticks(low, high))
    for own in (ax, top):
        own.tick_params(labelsize=6, length=2.5, width=0.6, color=FAINT, labelcolor=INK, pad=2)
        for spine in own.spines.values():
            spine.set(linewidth=0.7, color=INK)


def _ticks(low: float, high: float) -> Array:
    step = next(s for s in (1, 2, 5, 10, 20) if (high - low) / s <= 6)
    return np.arange(np.ceil(low / step - 1e-9) * step, high + 1e-9, step)


def _to_mass(percent: Any) -> Any:
    return 100 * mass_fraction(np.clip(percent, 0, 100) / 100)


def _to_atoms(percent: Any) -> Any:
    return 100 * atom_fraction(np.clip(percent, 0, 100) / 100)


def _regions(ax: Any, table: PhaseTable, view: View) -> None:
    """Tint every single-phase region, interval by interval."""
    for k in range(len(table.stacks)):
        t = _heights(table, k, view)
        if t.size:
            for region, label in enumerate(table.regions(k)):
                low, high = table.range_of(k, region, t + ZERO_CELSIUS)
                ax.fill_betweenx(
                    t, 100 * low, 100 * high, facecolor=_tint(label), edgecolor=_tint(label), lw=0.4, zorder=1
                )


def _heights(table: PhaseTable, k: int, view: View, most: int = 60) -> Array:
    """Temperatures [°C] at which to draw one interval, none where it is out of view."""
    low, high = (t - ZERO_CELSIUS for t in table.interval(k))
    low, high = max(low, view.t[0]), min(high, view.t[1])
    if high <= low:
        return np.empty(0)
    # closer at both ends, where fields close like a root
    return low + (high - low) * 0.5 * (1 - np.cos(np.pi * np.linspace(0, 1, most)))


def _boundaries(ax: Any, table: PhaseTable, view: View) -> None:
    """Every phase boundary, and the horizontals of the reactions."""
    for own in table.fields:
        heights = own.temperature - ZERO_CELSIUS
        for label, x in ((own.copper_side, own.x_copper_side), (own.tin_side, own.x_tin_side)):
            line = np.ptp(x) < 1e-9
            colour = _tint(label, line=True) if line else INK
            ax.plot(100 * x, heights, color=colour, lw=1.6 if line else 0.8, zorder=3, solid_capstyle="butt")
    for x0, x1, t, solid in _horizontals(table):
        ax.plot(
            [x0, x1], [t, t], "-" if solid else "--", color=INK if solid else FAINT, lw=0.8 if solid else 0.6, zorder=2
        )


def _horizontals(table: PhaseTable) -> list[tuple[float, float, float, bool]]:
    """Lines of the reactions: from and to [at.%], temperature [°C], solid (dashed: a change of form)."""
    lines: list[tuple[float, float, float, bool]] = []
    for reaction in table.invariants:
        t = reaction.temperature
        if len(reaction.x_sn) > 2:
            lines.append((100 * min(reaction.x_sn), 100 * max(reaction.x_sn), t - ZERO_CELSIUS, True))
        elif reaction.kind == "polymorphic":
            for own in table.fields:
                if own.temperature[-1] == t:
                    ends = 100 * own.x_copper_side[-1], 100 * own.x_tin_side[-1]
                    lines.append((float(ends[0]), float(ends[1]), t - ZERO_CELSIUS, False))
    return lines


class Box(NamedTuple):
    """A rectangle in the drawing: tin [at.%] and temperature [°C]."""

    x0: float
    x1: float
    t0: float
    t1: float

    @classmethod
    def around(cls, x: float, t: float, width: float, height: float) -> Box:
        """The rectangle of a size around a place."""
        return cls(x - 0.5 * width, x + 0.5 * width, t - 0.5 * height, t + 0.5 * height)

    def meets(self, other: Box) -> bool:
        """Whether two rectangles overlap."""
        return self.x0 < other.x1 and other.x0 < self.x1 and self.t0 < other.t1 and other.t0 < self.t1


def _size(ax: Any, view: View, text: str, points: float, turned: bool = False) -> tuple[float, float]:
    """Width [at.%] and height [°C] of a text of so many points, on a drawing of the axes' size."""
    box = ax.get_position()
    width, height = (72 * s for s in ax.figure.get_size_inches())
    long, tall = 0.62 * points * max(len(text), 1), 1.25 * points
    if turned:
        long, tall = tall, long
    x = long / (width * box.width) * (view.x[1] - view.x[0])
    return x, tall / (height * box.height) * (view.t[1] - view.t[0])


def _marked(view: View, marks: Array | None, course: tuple[float, Array] | None) -> list[Box]:
    """What points and a path cover, to keep labels off them."""
    width, height = 0.03 * (view.x[1] - view.x[0]), 0.03 * (view.t[1] - view.t[0])
    taken = [] if marks is None else [Box.around(100 * x, t - ZERO_CELSIUS, width, height) for x, t in marks]
    if course is not None:
        x, t = 100 * course[0], course[1] - ZERO_CELSIUS
        taken.append(Box(x - 0.5 * width, x + 0.5 * width, float(t.min()), float(t.max()) + height))
    return taken


def _compound_labels(ax: Any, table: PhaseTable, view: View, lines: Array, taken: list[Box]) -> None:
    """Name every line compound along its line, or with a leader where the line is too short."""
    for label, x, low, high in _compounds(table, view):
        text = FORMULAS.get(label, label)
        width, height = _size(ax, view, text, 6, turned=True)
        box = _beside(lines, view, Box(x, x, low, high), (width, height), taken)
        if box is not None:
            _write(ax, text, box, 6, INK, rotation=90)
            taken.append(box)
        else:
            taken.append(_leader(ax, view, text, x, 0.5 * (low + high)))


def _compounds(table: PhaseTable, view: View) -> list[tuple[str, float, float, float]]:
    """Line compounds in view: label, tin [at.%], lowest and highest temperature [°C]."""
    spans: dict[str, list[float]] = {}
    for own in table.fields:
        for label, x in ((own.copper_side, own.x_copper_side), (own.tin_side, own.x_tin_side)):
            if np.ptp(x) < 1e-9 and 1e-6 < x[0] < 1 - 1e-6:
                t = own.temperature - ZERO_CELSIUS
                known = spans.setdefault(label, [100 * float(x[0]), float(t[0]), float(t[-1])])
                known[1], known[2] = min(known[1], float(t[0])), max(known[2], float(t[-1]))
    cut = [(label, x, max(low, view.t[0]), min(high, view.t[1])) for label, (x, low, high) in spans.items()]
    return [one for one in cut if view.x[0] <= one[1] <= view.x[1] and one[3] > one[2]]


def _beside(lines: Array, view: View, line: Box, size: tuple[float, float], taken: list[Box]) -> Box | None:
    """A free place for turned text beside a line, clear of every boundary; None without one."""
    width, height = size
    if line.t1 - line.t0 < 1.1 * height:
        return None
    gap = 0.25 * width
    for middle in np.linspace(line.t0 + 0.55 * height, line.t1 - 0.55 * height, 15):
        for x0 in (line.x0 + gap, line.x0 - gap - width):
            box = Box(x0, x0 + width, middle - 0.5 * height, middle + 0.5 * height)
            if _free(lines, view, box, taken):
                return box
    return None


def _free(lines: Array, view: View, box: Box, taken: list[Box]) -> bool:
    """Whether a rectangle is in view, free of other labels and of every boundary and horizontal."""
    if box.x0 < view.x[0] or box.x1 > view.x[1] or box.t0 < view.t[0] or box.t1 > view.t[1]:
        return False
    if any(box.meets(other) for other in taken):
        return False
    x, t = lines
    return not bool(np.any((x > box.x0) & (x < box.x1) & (t > box.t0) & (t < box.t1)))


def _lines(table: PhaseTable, view: View) -> Array:
    """Closely spaced places on every boundary and horizontal in view, [at.%] and [°C], shape (2, n)."""
    fine = np.linspace(*view.t, 400)
    parts = []
    for own in table.fields:
        t = own.temperature - ZERO_CELSIUS
        rows = fine[(fine >= t[0]) & (fine <= t[-1])]
        parts += [np.stack([100 * np.interp(rows, t, x), rows]) for x in (own.x_copper_side, own.x_tin_side)]
    step = (view.x[1] - view.x[0]) / 300
    for x0, x1, level, _ in _horizontals(table):
        x = np.arange(max(x0, view.x[0]), min(x1, view.x[1]), step)
        parts.append(np.stack([x, np.full(x.size, level)]))
    return np.concatenate(parts, axis=1) if parts else np.empty((2, 0))


def _leader(ax: Any, view: View, text: str, x: float, t: float) -> Box:
    """Name a short line from a place to its right, with a thin leader."""
    width, height = _size(ax, view, text, 6)
    start = x + 0.07 * (view.x[1] - view.x[0])
    _point_at(ax, text, (x, t), (start, t), "left")
    return Box(x, start + width, t - 0.5 * height, t + 0.5 * height)


def _point_at(ax: Any, text: str, target: tuple[float, float], place: tuple[float, float], align: str) -> None:
    """A text with a thin line to what it names."""
    line = {"arrowstyle": "-", "lw": 0.5, "color": INK, "shrinkA": 1, "shrinkB": 0}
    ax.annotate(text, target, place, fontsize=6, color=INK, ha=align, va="center", zorder=5, arrowprops=line)


def _write(ax: Any, text: str, box: Box, size: float, colour: str, rotation: float = 0) -> None:
    """A text in the middle of a rectangle."""
    x, t = 0.5 * (box.x0 + box.x1), 0.5 * (box.t0 + box.t1)
    ax.text(x, t, text, fontsize=size, color=colour, rotation=rotation, ha="center", va="center", zorder=5)


def _region_labels(ax: Any, table: PhaseTable, view: View, lines: Array, taken: list[Box]) -> None:
    """The name of every solution phase, once, where there is most room for it."""
    compounds = {label for label, *_ in _compounds(table, view)}
    labels = dict.fromkeys(label for k in range(len(table.stacks)) for label in table.regions(k))
    for label in labels:
        if label in compounds:
            continue
        middles = _middles(table, view, label)
        if not middles:
            continue
        for text in (FORMULAS.get(label, label), _LETTERS.get(label, label)):
            box = _roomiest(lines, view, _size(ax, view, text, 7), middles, taken)
            if box is not None:
                _write(ax, text, box, 7, INK)
                taken.append(box)
                break
        else:
            _edge_label(ax, table, view, lines, label, middles, taken)


def _middles(table: PhaseTable, view: View, label: str) -> list[tuple[float, float]]:
    """Places in the middle of a phase's region, at many temperatures: tin [at.%], temperature [°C]."""
    places = []
    for k in range(len(table.stacks)):
        t = _heights(table, k, view, most=25)
        for region, own in enumerate(table.regions(k)):
            if own == label and t.size:
                low, high = (np.clip(100 * x, *view.x) for x in table.range_of(k, region, t + ZERO_CELSIUS))
                inside = (high > view.x[0]) & (low < view.x[1])
                places += list(zip(0.5 * (low + high)[inside], t[inside], strict=True))
    return places


def _roomiest(
    lines: Array,
    view: View,
    size: tuple[float, float],
    middles: list[tuple[float, float]],
    taken: list[Box],
) -> Box | None:
    """The place where a text has most free space around it; None where it does not fit at all."""
    for scale in (6.0, 4.0, 3.0, 2.4, 2.0, 1.7, 1.4, 1.2, 1.0):
        around = size[0] + (scale - 1) * min(size[0], 2.0 * size[1]), scale * size[1]
        fitting = [m for m in middles if _free(lines, view, Box.around(*m, *around), taken)]
        if fitting:
            return Box.around(*fitting[len(fitting) // 2], *size)
    return None


def _edge_label(
    ax: Any,
    table: PhaseTable,
    view: View,
    lines: Array,
    label: str,
    middles: list[tuple[float, float]],
    taken: list[Box],
) -> None:
    """Name a region too narrow for its letter from beside it, with a leader."""
    text = _LETTERS.get(label, label)
    width, height = _size(ax, view, text, 6)
    ordered = middles[len(middles) // 2 :] + middles[: len(middles) // 2]
    for reach in (0.03, 0.05, 0.08):
        for x, t in ordered:
            for side in (-1, 1):
                start = x + side * (reach * (view.x[1] - view.x[0]) + 0.5 * width)
                box = Box.around(start, t, width, height)
                if _free(lines, view, box, taken) and _two_phases(table, start, t):
                    _point_at(ax, text, (x, t), (start, t), "center")
                    taken.append(Box(min(x, box.x0), max(x, box.x1), box.t0, box.t1))
                    return


def _two_phases(table: PhaseTable, x: float, t: float) -> bool:
    """Whether a place [at.%, °C] lies in a two-phase field, where another phase's name does not mislead."""
    return bool(np.count_nonzero(table.fractions(t + ZERO_CELSIUS, x / 100)) > 1)


def _field_labels(ax: Any, table: PhaseTable, view: View, lines: Array, taken: list[Box]) -> None:
    """Both phases of every two-phase field that has room for their names."""
    for own in table.fields:
        text = " + ".join(_LETTERS.get(label, label) for label in (own.copper_side, own.tin_side))
        width, height = _size(ax, view, text, 5.5)
        t = own.temperature - ZERO_CELSIUS
        low, high = max(t[0], view.t[0]), min(t[-1], view.t[1])
        for middle in _outwards(low, high):
            left, right = (100 * np.interp(middle, t, x) for x in (own.x_copper_side, own.x_tin_side))
            left, right = max(left, view.x[0]), min(right, view.x[1])
            x = 0.5 * (left + right)
            box = Box.around(x, middle, width, height)
            if _free(lines, view, box, taken):
                _write(ax, text, box, 5.5, FAINT)
                taken.append(box)
                break


def _outwards(low: float, high: float) -> Array:
    """Temperatures from the middle of a range outwards."""
    if high <= low:
        return np.empty(0)
    steps = np.linspace(low, high, 31)[1:-1]
    return steps[np.argsort(np.abs(steps - 0.5 * (low + high)))]


def _draw_path(ax: Any, x: float, temperatures: Array) -> None:
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
