"""Names on a phase diagram, each where there is room for it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import numpy.typing as npt

from bronzeward.materials.phases import FORMULAS, LETTERS, SOLID_TIN
from bronzeward.plots.diagram_lines import View, compounds, heights, places_on_lines
from bronzeward.plots.style import FAINT, INK
from bronzeward.thermo.table import PhaseTable
from bronzeward.units import ZERO_CELSIUS

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Array = npt.NDArray[np.float64]
Place = tuple[float, float]
"""Tin [at.%] and temperature [°C]; also a size."""

_SHORT = LETTERS | {SOLID_TIN: SOLID_TIN}


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

    @property
    def middle(self) -> Place:
        """Its middle."""
        return 0.5 * (self.x0 + self.x1), 0.5 * (self.t0 + self.t1)

    def meets(self, other: Box) -> bool:
        """Whether two rectangles overlap."""
        return self.x0 < other.x1 and other.x0 < self.x1 and self.t0 < other.t1 and other.t0 < self.t1


class Labels:
    """Writes names, keeping off every boundary, horizontal and what is `taken`, to which each name adds itself."""

    def __init__(self, ax: Axes, table: PhaseTable, view: View, taken: list[Box]) -> None:
        self.ax, self.table, self.view, self.taken = ax, table, view, taken
        self.line_x, self.line_t = places_on_lines(table, view)
        self.compounds = compounds(table, view)

    def name_compounds(self) -> None:
        """Name every line compound along its line, or with a leader where the line is too short."""
        for label, x, low, high in self.compounds:
            text = FORMULAS.get(label, label)
            box = self._beside(x, low, high, self._size(text, 6, turned=True))
            if box is not None:
                self._write(text, box, 6, rotation=90)
                continue
            width, height = self._size(text, 6)
            start = x + 0.07 * self.view.width
            boxes = [Box(x, start + width, t - 0.5 * height, t + 0.5 * height) for t in _outwards(low, high)]
            clear = (box for box in boxes if not any(box.meets(other) for other in self.taken))
            box = next(clear, boxes[0])
            self._point_at(text, (x, box.middle[1]), (start, box.middle[1]), "left")
            self.taken.append(box)

    def name_regions(self) -> None:
        """The name of every solution phase, once, where there is most room for it."""
        narrow = {compound.label for compound in self.compounds}
        labels = dict.fromkeys(label for k in range(len(self.table.stacks)) for label in self.table.regions(k))
        for label in labels:
            middles = [] if label in narrow else self._middles(label)
            if not middles:
                continue
            for text in (FORMULAS.get(label, label), _SHORT.get(label, label)):
                box = self._roomiest(self._size(text, 7), middles)
                if box is not None:
                    self._write(text, box, 7)
                    break
            else:
                self._name_from_beside(_SHORT.get(label, label), middles)

    def name_fields(self) -> None:
        """Both phases of every two-phase field that has room for their names."""
        for field in self.table.fields:
            text = " + ".join(_SHORT.get(label, label) for label in (field.copper_side, field.tin_side))
            size = self._size(text, 5.5)
            t = field.temperature - ZERO_CELSIUS
            for height in _outwards(max(t[0], self.view.t[0]), min(t[-1], self.view.t[1])):
                left, right = (100 * np.interp(height, t, x) for x in (field.x_copper_side, field.x_tin_side))
                middle = 0.5 * (max(left, self.view.x[0]) + min(right, self.view.x[1]))
                box = Box.around(middle, height, *size)
                if self._free(box):
                    self._write(text, box, 5.5, FAINT)
                    break

    def _size(self, text: str, points: float, turned: bool = False) -> Place:
        """Width [at.%] and height [°C] of a text of so many points, on a drawing of the axes' size."""
        box = self.ax.get_position()
        page = self.ax.figure.bbox
        width, height = (72 / self.ax.figure.dpi * side for side in (page.width, page.height))
        long, tall = 0.62 * points * max(len(text), 1), 1.25 * points
        if turned:
            long, tall = tall, long
        return long / (width * box.width) * self.view.width, tall / (height * box.height) * self.view.height

    def _free(self, box: Box) -> bool:
        """Whether a rectangle is in view, free of other labels and of every boundary and horizontal."""
        (left, right), (bottom, top) = self.view
        if box.x0 < left or box.x1 > right or box.t0 < bottom or box.t1 > top:
            return False
        if any(box.meets(other) for other in self.taken):
            return False
        x, t = self.line_x, self.line_t
        return not bool(np.any((x > box.x0) & (x < box.x1) & (t > box.t0) & (t < box.t1)))

    def _beside(self, x: float, low: float, high: float, size: Place) -> Box | None:
        """A free place for turned text beside a line; None without one."""
        width, height = size
        if high - low < 1.1 * height:
            return None
        for middle in np.linspace(low + 0.55 * height, high - 0.55 * height, 15):
            for x0 in (x + 0.25 * width, x - 1.25 * width):
                box = Box(x0, x0 + width, middle - 0.5 * height, middle + 0.5 * height)
                if self._free(box):
                    return box
        return None

    def _middles(self, label: str) -> list[Place]:
        """Places in the middle of a phase's region, at many temperatures."""
        places: list[Place] = []
        for k in range(len(self.table.stacks)):
            t = heights(self.table, k, self.view, most=25)
            for region, phase in enumerate(self.table.regions(k)):
                if phase == label and t.size:
                    edges = self.table.range_of(k, region, t + ZERO_CELSIUS)
                    low, high = (np.clip(100 * x, *self.view.x) for x in edges)
                    inside = (high > self.view.x[0]) & (low < self.view.x[1])
                    places += list(zip(0.5 * (low + high)[inside], t[inside], strict=True))
        return places

    def _roomiest(self, size: Place, middles: list[Place]) -> Box | None:
        """The place where a text has most free space around it; None where it does not fit at all."""
        for scale in (6.0, 4.0, 3.0, 2.4, 2.0, 1.7, 1.4, 1.2, 1.0):
            around = size[0] + (scale - 1) * min(size[0], 2.0 * size[1]), scale * size[1]
            fitting = [middle for middle in middles if self._free(Box.around(*middle, *around))]
            if fitting:
                return Box.around(*fitting[len(fitting) // 2], *size)
        return None

    def _name_from_beside(self, text: str, middles: list[Place]) -> None:
        """Name a region too narrow for its letter from beside it, with a leader."""
        width, height = self._size(text, 6)
        half = len(middles) // 2
        for reach in (0.03, 0.05, 0.08):
            for x, t in middles[half:] + middles[:half]:
                for side in (-1, 1):
                    start = x + side * (reach * self.view.width + 0.5 * width)
                    box = Box.around(start, t, width, height)
                    if self._free(box) and self._two_phases(start, t):
                        self._point_at(text, (x, t), (start, t), "center")
                        self.taken.append(Box(min(x, box.x0), max(x, box.x1), box.t0, box.t1))
                        return

    def _two_phases(self, x: float, t: float) -> bool:
        """Whether a place lies in a two-phase field, where another phase's name does not mislead."""
        return bool(np.count_nonzero(self.table.fractions(t + ZERO_CELSIUS, x / 100)) > 1)

    def _write(self, text: str, box: Box, size: float, colour: str = INK, rotation: float = 0) -> None:
        """A text in the middle of a rectangle, which is taken then."""
        look: dict[str, Any] = {"fontsize": size, "color": colour, "ha": "center", "va": "center", "zorder": 5}
        self.ax.text(*box.middle, text, rotation=rotation, **look)
        self.taken.append(box)

    def _point_at(self, text: str, target: Place, place: Place, align: str) -> None:
        """A text with a thin line to what it names."""
        line = {"arrowstyle": "-", "lw": 0.5, "color": INK, "shrinkA": 1, "shrinkB": 0}
        self.ax.annotate(text, target, place, fontsize=6, color=INK, ha=align, va="center", zorder=5, arrowprops=line)


def _outwards(low: float, high: float) -> Array:
    """Temperatures from the middle of a range outwards."""
    if high <= low:
        return np.empty(0)
    steps = np.linspace(low, high, 31)[1:-1]
    return steps[np.argsort(np.abs(steps - 0.5 * (low + high)))]
