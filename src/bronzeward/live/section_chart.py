"""The section at one moment: rings to scale, filaments and barrier; slabs for a plane couple."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import Any

from bokeh.models import ColumnDataSource, Range1d
from bokeh.plotting import figure

from bronzeward.inputs.strand import Strand
from bronzeward.live.hatched import hatch_once
from bronzeward.model.layer_stack import PLACES, SEED
from bronzeward.plots import style
from bronzeward.plots.round_section import filament_dots
from bronzeward.plots.section_words import round_length, shift

_COLUMNS = ("x", "inner", "outer", "colour", "hatch", "ink")


class SectionChart:
    """A chart of the section, and what it draws from."""

    def __init__(self) -> None:
        self._rings = ColumnDataSource({name: [] for name in _COLUMNS})
        self._dots = ColumnDataSource({"x": [], "y": [], "r": []})
        self._slabs = ColumnDataSource({name: [] for name in (*_COLUMNS, "top", "bottom")})
        self._barrier = ColumnDataSource({"inner": [], "outer": []})
        self._bar = ColumnDataSource({"x0": [], "x1": [], "y": [], "text": []})
        self._strand: Strand | None = None
        self.chart = self._chart()

    def show(self, edges: Sequence[float], strand: Strand) -> None:
        """Draw a state by the outer radii [m] of `layer_stack.PLACES`."""
        if strand != self._strand:
            self._show_strand(strand)
        left = shift(strand, edges[-2])  # copper is outermost and stays where it is, the others lie on it
        layers = [
            (0.0, 0.0 if left else 1e6 * edges[-2], 1e6 * edges[-1], *_look("alpha")),
            *(
                (-1e6 * left, 1e6 * inner, 1e6 * outer, *_look(phase))
                for phase, (inner, outer) in reversed([*zip(PLACES[:-1], pairwise([0.0, *edges[:-1]]), strict=True)])
                if outer - inner > SEED
            ),
        ]
        columns = dict(zip(_COLUMNS, map(list, zip(*layers, strict=True)), strict=True))
        tall = 1e6 * strand.barrier_radius
        source = self._slabs if strand.plane else self._rings
        places = {"top": [0.65 * tall] * len(layers), "bottom": [0.25 * tall] * len(layers)} if strand.plane else {}
        source.data = {**columns, **places}

    def _show_strand(self, strand: Strand) -> None:
        """What does not change with time: filaments, barrier, how far the axes go."""
        self._strand = strand
        radius = 1e6 * strand.barrier_radius
        dots = [] if strand.plane else [(x, y, r) for places, r in filament_dots(strand) for x, y in places]
        x, y, r = map(list, zip(*dots, strict=True)) if dots else ([], [], [])
        self._dots.data = {"x": x, "y": y, "r": r}
        wall = [] if strand.plane else [radius]
        self._barrier.data = {"inner": wall, "outer": [1.035 * w for w in wall]}
        low, high = (-0.02 * radius, 1.02 * radius) if strand.plane else (-1.2 * radius, 1.2 * radius)
        self.chart.x_range.update(start=low, end=high)
        self.chart.y_range.update(start=low, end=high)
        length = round_length(radius)
        left, below = (0.0, 0.1 * radius) if strand.plane else (-1.15 * radius, -1.12 * radius)
        self._bar.data = {"x0": [left], "x1": [left + length], "y": [below], "text": [f" {length:g} µm"]}

    def _chart(self) -> Any:
        chart = figure(width=280, height=280, min_border=0, tools="", toolbar_location=None, x_range=Range1d(-1, 1),
                       y_range=Range1d(-1, 1))  # fmt: skip
        chart.update(outline_line_color=None)
        chart.grid.visible = False
        chart.axis.visible = False
        fills = {"fill_color": "colour", "hatch_pattern": "hatch", "hatch_color": "ink", "hatch_weight": 0.6,
                 "hatch_scale": 7, "line_color": style.INK, "line_width": 0.6}  # fmt: skip
        hatch_once(chart.annulus("x", 0, "inner", "outer", source=self._rings, **fills))
        chart.circle("x", "y", radius="r", source=self._dots, fill_color=style.FILAMENT, line_color=None)
        chart.annulus(0, 0, "inner", "outer", source=self._barrier, fill_color=style.BARRIER, line_color=None)
        hatch_once(chart.quad("inner", "outer", "top", "bottom", source=self._slabs, **fills))
        chart.segment("x0", "y", "x1", "y", source=self._bar, line_color=style.INK, line_width=4)
        chart.text("x1", "y", "text", source=self._bar, text_baseline="middle", text_font_size="12px",
                   text_color=style.INK)  # fmt: skip
        return chart


def _look(phase: str | None) -> tuple[str, str, str]:
    if phase is None:
        return style.VOID, " ", style.INK
    look = style.LOOKS[phase]
    return look.colour, look.hatch[:1] or " ", style.hatch_ink(phase)
