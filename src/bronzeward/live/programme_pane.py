"""The programme as typed: a line of fields for each segment, and the corners of the curve where they are dragged."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from bokeh.models import Button, Checkbox, Column, Div, Row

from bronzeward.live.charts import Charts
from bronzeward.live.draft import Draft
from bronzeward.live.fields import Complaint, NumberField
from bronzeward.live.programme import Corner, Programme, Segment

Change = Callable[..., None]
"""Called with a function that makes a draft of the present one; raises InputError where that is refused."""

SAME = 1e-9
"""Corners this near have not been moved [h], [°C]."""


class ProgrammePane:
    """Fields and corners of the programme; `root` holds the fields."""

    def __init__(self, charts: Charts, change: Change) -> None:
        self._charts, self._change = charts, change
        self._programme: Programme | None = None
        self._told = Complaint()
        self._start = NumberField("start, °C", self._take_start, self._told)
        self._quench = Checkbox(label="quench at the end", align="center")
        self._more = Button(label="add a segment", width=130)
        self._lines: list[_Line] = []
        self._rows = Column(sizing_mode="stretch_width")
        self.dragging = Complaint()
        self.root = Column(self._start.root, self._rows, self._told.root, Row(self._more, self._quench),
                           sizing_mode="stretch_width")  # fmt: skip
        self._quench.on_change("active", lambda _a, _o, new: self._take_quench(new))
        self._more.on_click(lambda: self._attempt(lambda programme: programme.with_segment()))
        charts.corners.on_change("data", lambda _a, _o, new: self._dragged(new))

    def take(self, draft: Draft) -> None:
        """Let further changes start from this draft; it is shown later."""
        self._programme = draft.programme

    def show(self, draft: Draft) -> None:
        """Show the programme of a draft; a measured log has none to edit."""
        self.take(draft)
        programme = self._programme
        self._told.tell("")
        self._charts.show_corners(programme.corners() if programme is not None else [])
        if programme is None:
            text = "The schedule is a measured log: it can be looked at, not edited."
            self.root.children = [Div(text=text)]
            return
        self._start.show(programme.start)
        self._quench.active = programme.quench
        if [line.kind for line in self._lines] != [_kind(segment) for segment in programme.segments]:
            self._lines = [_Line(k, segment, self) for k, segment in enumerate(programme.segments)]
            self._rows.children = [line.root for line in self._lines]
        for line, segment in zip(self._lines, programme.segments, strict=True):
            line.show(segment)

    def edit(self, make: Callable[[Programme], Programme], told: Complaint, **more: bool) -> bool:
        """Change the programme; what is refused is told. `more` is for the change."""
        programme = self._programme
        if programme is None:
            return False
        return told.attempt(lambda: self._change(lambda draft: draft.with_programme(make(programme)), **more))

    def set(self, segment: int, **values: float) -> None:
        """Set values of a segment; raises InputError where they are refused."""
        programme = self._programme
        if programme is not None:
            self._change(lambda draft: draft.with_programme(programme.with_values(segment, **values)))

    def _attempt(self, make: Callable[[Programme], Programme]) -> None:
        self.edit(make, self._told)

    def _take_start(self, celsius: float) -> None:
        programme = self._programme
        if programme is not None:
            self._change(lambda draft: draft.with_programme(programme.with_start(celsius)))

    def _take_quench(self, wanted: bool) -> None:
        if self._programme is not None and wanted != self._programme.quench:
            self._attempt(lambda programme: Programme(programme.start, programme.segments, wanted))

    def _dragged(self, points: dict[str, Any]) -> None:
        """A corner was dragged or deleted in the chart; the corners are then put where the programme has them."""
        if self._programme is None:
            return
        corners = self._programme.corners()
        places = list(zip(points["x"], points["y"], strict=True))
        away = [k for k, corner in enumerate(corners) if not any(_same(corner, place) for place in places)]
        if len(places) == len(corners) and not away:
            return
        if len(places) == len(corners):
            k = away[0]
            done = self.edit(lambda now: now.moved(k, *map(float, places[k])), self.dragging, dragged=True)
        else:
            done = len(places) < len(corners) and self.edit(lambda now: now.without_corners(away), self.dragging)
        if not done:
            self._charts.show_corners(self._programme.corners())


class _Line:
    """The fields of one segment."""

    def __init__(self, k: int, segment: Segment, pane: ProgrammePane) -> None:
        self.kind = _kind(segment)
        self._told = Complaint()
        self._rate = NumberField("rate, °C/h", lambda value: pane.set(k, rate=value), self._told)
        self._half = NumberField("halved in, h", lambda value: pane.set(k, half_time=value), self._told)
        self._to = NumberField("set-point, °C", lambda value: pane.set(k, to=value), self._told)
        self._dwell = NumberField("dwell, h", lambda value: pane.set(k, dwell=value), self._told)
        remove = Button(label=f"✕ {k + 1}", width=46, align="end")
        remove.on_click(lambda: pane.edit(lambda programme: programme.without_segment(k), self._told))
        speed = {"ramp": [self._rate.root], "cool": [self._half.root], "stay": []}[self.kind]
        to = [] if self.kind == "stay" else [self._to.root]
        self.root = Column(Row(*speed, *to, self._dwell.root, remove), self._told.root)

    def show(self, segment: Segment) -> None:
        self._told.tell("")
        self._rate.show(segment.rate or 0.0)
        self._half.show(segment.half_time or 0.0)
        self._to.show(segment.to)
        self._dwell.show(segment.dwell)


def _kind(segment: Segment) -> str:
    return "cool" if segment.half_time is not None else "stay" if segment.rate is None else "ramp"


def _same(corner: Corner, place: tuple[float, float]) -> bool:
    return abs(corner.hours - place[0]) < SAME and abs(corner.celsius - place[1]) < SAME
