"""The charts over time: the programme with corners to drag, layers, liquid; the moment marked in all of them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from bokeh.models import ColumnDataSource, Div, PointDrawTool, Range1d
from bokeh.plotting import figure

from bronzeward.live.hatched import hatch_once
from bronzeward.live.legend import legend
from bronzeward.live.programme import Corner
from bronzeward.live.tables import STYLE
from bronzeward.materials.phases import LIQUID, PHASES
from bronzeward.model.events import events
from bronzeward.model.layers import COLUMN
from bronzeward.model.result import Result
from bronzeward.plots import style
from bronzeward.plots.panels import THINNEST
from bronzeward.units import HOUR, ZERO_CELSIUS

DRAWN = tuple(phase for phase in PHASES if phase != "alpha")
"""Copper, which surrounds everything, has no line."""

ROOM = 0.02
"""Beside the first and the last corner, as a share of the whole time."""

BANDS = ("shell_low", "shell_high", "liquid_low", "liquid_high")
BESIDE = ("hours", "celsius", "shell", "melt")
LINE = ("hours", "thickness", "colour", "width", "dash")


class Charts:
    """Three charts with one axis of time: `schedule`, `thickness` and `liquid`, and the sources they draw from.

    `corners` holds those of the programme: `x` [h] and `y` [°C]. `legend` stands above the thickness: the charts' own
    would draw all its entries anew whenever a line changes. It has an entry for the band where one is or is to come
    (`banded`): what came and went with each band would push all that is below up and down.
    """

    def __init__(self, banded: bool = True) -> None:
        self.corners = ColumnDataSource({"x": [], "y": []})
        self._run = ColumnDataSource({name: [] for name in ("hours", "celsius", "shell", "melt")})
        # all lines of all layers in one: each renderer costs the browser a millisecond whenever its data change
        self._layers = ColumnDataSource({name: [] for name in LINE})
        self._band = ColumnDataSource({name: [] for name in ("hours", *BANDS)})
        self._beside = ColumnDataSource({name: [] for name in BESIDE})
        self._events = ColumnDataSource({"hours": [], "name": []})
        self._across = Range1d(0.0, 1.0)
        self._moment = ColumnDataSource({"hours": [0.0]})
        self._seen: tuple[str, ...] = ()
        self._banded, self._accompanied = banded, False
        self.legend = Div(text="", stylesheets=[STYLE], sizing_mode="stretch_width")
        self.schedule = self._schedule()
        self.thickness = self._thickness()
        self.liquid = self._liquid()
        for chart in self.all:
            # on a layer of its own: a moving pointer must not have everything below drawn again
            chart.vspan(x="hours", source=self._moment, line_color=style.WARN, line_width=2, level="overlay")

    @property
    def all(self) -> tuple[Any, Any, Any]:
        """The charts from the top."""
        return self.schedule, self.thickness, self.liquid

    def show_corners(self, corners: Sequence[Corner]) -> None:
        """Put the corners where they are."""
        places = {"x": [corner.hours for corner in corners], "y": [corner.celsius for corner in corners]}
        self._tool.num_objects = len(corners)
        if self.corners.data != places:
            self.corners.data = places

    def show_moment(self, hours: float) -> None:
        """Mark a moment [h]."""
        self._moment.data = {"hours": [hours]}

    def show(self, result: Result) -> None:
        """Draw a run, with bands if it has them."""
        hours = result["time"] / HOUR
        columns = {"hours": hours, "celsius": result["temperature"] - ZERO_CELSIUS}
        columns |= {"shell": 1e6 * result["shell_thickness"], "melt": 100.0 * result["liquid_tin_fraction"]}
        self._seen = tuple(phase for phase in DRAWN if result["thickness"][:, COLUMN[phase]].max() >= THINNEST)
        lines = [line for phase in self._seen for line in _lines(phase, hours, result["thickness"][:, COLUMN[phase]])]
        self._layers.data = {name: [line[name] for line in lines] for name in LINE}
        self._run.data = columns
        banded = "shell_thickness_low" in result.variables
        self._show_legend()
        names = ("shell_thickness_low", "shell_thickness_high", "liquid_tin_fraction_low", "liquid_tin_fraction_high")
        factors = (1e6, 1e6, 100.0, 100.0)
        bands = [factor * result[name] if banded else np.zeros(0) for name, factor in zip(names, factors, strict=True)]
        self._band.data = {"hours": hours if banded else np.zeros(0), **dict(zip(BANDS, bands, strict=True))}
        listed = [event for event in events(result) if event.name != "end"]
        self._events.data = {"hours": [e.hours for e in listed], "name": [e.words for e in listed]}
        self._across.update(start=-ROOM * hours[-1], end=(1.0 + ROOM) * hours[-1])
        tops = {
            self.schedule: float(columns["celsius"].max()),
            self.thickness: max(1e6 * float(result["thickness"][:, [COLUMN[phase] for phase in DRAWN]].max()),
                                float(columns["shell"].max()), *bands[1].tolist()),
            self.liquid: max(float(columns["melt"].max()), 1.0, *bands[3].tolist()),
        }  # fmt: skip
        for chart, top in tops.items():
            chart.y_range.end = 1.12 * top

    def show_beside(self, result: Result | None) -> None:
        """Draw another run thin and dashed; none takes it away."""
        none = np.zeros(0)
        self._accompanied = result is not None
        self._show_legend()
        self._beside.data = dict.fromkeys(BESIDE, none) if result is None else {
            "hours": result["time"] / HOUR,
            "celsius": result["temperature"] - ZERO_CELSIUS,
            "shell": 1e6 * result["shell_thickness"],
            "melt": 100.0 * result["liquid_tin_fraction"],
        }  # fmt: skip

    def _show_legend(self) -> None:
        self.legend.text = legend(self._seen, self._banded, self._accompanied)

    def _chart(self, name: str, label: str, height: int) -> Any:
        chart = figure(
            name=name, height=height, sizing_mode="stretch_width", tools="", toolbar_location=None, min_border_left=56,
            x_range=self._across, y_range=Range1d(0.0, 1.0), y_axis_label=label, output_backend="canvas",
        )  # fmt: skip
        chart.outline_line_color = None
        chart.xgrid.grid_line_color = None
        chart.ygrid.grid_line_color = style.RULE
        for axis in chart.axis:
            axis.update(
                axis_line_color=style.INK, major_tick_line_color=style.INK, minor_tick_line_color=None,
                major_label_text_color=style.INK, axis_label_text_color=style.INK, axis_label_text_font_style="normal",
                axis_label_text_font_size="12px", major_label_text_font_size="11px",
            )  # fmt: skip
        chart.vspan(x="hours", source=self._events, line_color=style.WARN, line_alpha=0.4, line_width=1)
        return chart

    def _dashed(self, chart: Any, name: str) -> None:
        chart.line("hours", name, source=self._beside, line_color=style.STROKES[1][0], line_dash="dashed", line_width=2)

    def _schedule(self) -> Any:
        chart = self._chart("schedule", "temperature, °C", 230)
        self._dashed(chart, "celsius")
        chart.line("hours", "celsius", source=self._run, line_color=style.INK, line_width=2)
        chart.line("x", "y", source=self.corners, line_color=style.FAINT, line_width=1)
        dots = chart.scatter("x", "y", source=self.corners, size=15, fill_color="white", line_color=style.INK,
                             line_width=2)  # fmt: skip
        dots.nonselection_glyph = dots.selection_glyph = None
        self._tool = PointDrawTool(renderers=[dots], add=False)
        chart.add_tools(self._tool)
        chart.toolbar.active_drag = self._tool
        return chart

    def _thickness(self) -> Any:
        chart = self._chart("thickness", "thickness, µm", 230)
        chart.varea("hours", "shell_low", "shell_high", source=self._band, fill_color=style.FAINT, fill_alpha=0.2)
        self._dashed(chart, "shell")
        chart.multi_line("hours", "thickness", source=self._layers, line_color="colour", line_width="width",
                         line_dash="dash")  # fmt: skip
        chart.line("hours", "shell", source=self._run, line_color=style.INK, line_width=1.5, line_dash="dotted")
        return chart

    def _liquid(self) -> Any:
        chart = self._chart("liquid", "liquid, % of the tin", 190)
        chart.xaxis.axis_label = "time, h"
        chart.varea("hours", "liquid_low", "liquid_high", source=self._band, fill_color=style.LOOKS[LIQUID].colour,
                    fill_alpha=0.25)  # fmt: skip
        melt = chart.varea("hours", 0, "melt", source=self._run, fill_color=style.LOOKS[LIQUID].colour,
                           hatch_pattern="o", hatch_color=style.hatch_ink(LIQUID), hatch_weight=0.5,
                           hatch_scale=8)  # fmt: skip
        hatch_once(melt)
        chart.line("hours", "melt", source=self._run, line_color=style.INK, line_width=1)
        self._dashed(chart, "melt")
        return chart


def _lines(phase: str, hours: np.ndarray, thickness: np.ndarray) -> list[dict[str, Any]]:
    """A layer [m] as a line in its colour upon a darker, wider one, where there is any."""
    look = style.LOOKS[phase]
    course = {"hours": hours, "thickness": 1e6 * np.where(thickness > 0.0, thickness, np.nan),
              "dash": [round(3 * part) for part in look.dash]}  # fmt: skip
    return [{**course, "colour": style.INK, "width": 4.0}, {**course, "colour": look.colour, "width": 2.5}]
