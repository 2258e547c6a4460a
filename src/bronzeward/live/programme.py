"""The furnace programme as it is edited: segments of rate, set-point and dwell, and the corners of their curve."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from math import log2
from typing import Any, NamedTuple

from bronzeward.errors import InputError
from bronzeward.inputs.schedule import HOTTEST_C
from bronzeward.studies.optimise.limits import STEPS

START, ARRIVAL, DEPARTURE = "start", "arrival", "departure"
"""Kinds of corners: where the programme starts, where a segment reaches its set-point, where its dwell ends."""

_GRID = dict(STEPS)
RATE, CELSIUS, HOURS = _GRID["ramp_C_per_h"], _GRID["_C"], _GRID["hold_h"]
"""What dragging is rounded to: what a furnace controller can be set to [°C/h], [°C], [h]."""


@dataclass(frozen=True)
class Segment:
    """To the set-point `to` [°C] at `rate` [°C/h], then a `dwell` [h] there.

    With a `half_time` [h] the furnace cools by itself, its distance to `room` [°C] halved in each; without either the
    temperature is there already.
    """

    to: float
    rate: float | None = None
    dwell: float = 0.0
    half_time: float | None = None
    room: float = 20.0

    def hours_from(self, celsius: float) -> float:
        """Time [h] to the set-point."""
        if celsius == self.to:
            return 0.0
        if self.half_time is not None:
            if not self.room < self.to < celsius:
                raise InputError(
                    f"set-point: the furnace cools by itself from {celsius:g} °C towards {self.room:g} °C; "
                    f"{self.to:g} °C does not lie between"
                )
            return self.half_time * log2((celsius - self.room) / (self.to - self.room))
        return abs(self.to - celsius) / self.rate if self.rate else 0.0


class Corner(NamedTuple):
    """A corner of the curve: where it lies, its kind, and the segment it belongs to."""

    hours: float
    celsius: float
    kind: str
    segment: int


@dataclass(frozen=True)
class Programme:
    """A start temperature [°C], segments, and whether a quench ends it."""

    start: float
    segments: tuple[Segment, ...]
    quench: bool

    @classmethod
    def from_data(cls, schedule: Mapping[str, Any]) -> Programme | None:
        """The programme of a case file's [schedule]; None for a measured log."""
        if "steps" not in schedule:
            return None
        start = float(schedule.get("start_C", 20.0))
        segments: list[Segment] = []
        steps = [dict(step) for step in schedule["steps"]]
        for step in steps:
            if "ramp_C_per_h" in step:
                segments.append(Segment(step["to_C"], step["ramp_C_per_h"]))
            elif "cool_half_time_h" in step:
                cool = Segment(step["to_C"], half_time=step["cool_half_time_h"], room=step.get("room_C", 20.0))
                segments.append(cool)
            elif "hold_h" in step:
                last = segments.pop() if segments else Segment(start)
                segments.append(replace(last, dwell=last.dwell + step["hold_h"]))
        return cls(start, tuple(segments), any("quench" in step for step in steps))

    def to_data(self) -> dict[str, Any]:
        """The same with the keys of a case file; a ramp to where it starts is none."""
        steps: list[dict[str, Any]] = []
        celsius = self.start
        for segment in self.segments:
            if segment.to != celsius and segment.half_time is not None:
                steps.append({"cool_half_time_h": segment.half_time, "to_C": segment.to, "room_C": segment.room})
            elif segment.to != celsius:
                steps.append({"ramp_C_per_h": segment.rate or 0.0, "to_C": segment.to})
            if segment.dwell:
                steps.append({"hold_h": segment.dwell})
            celsius = segment.to
        return {"start_C": self.start, "steps": [*steps, *([{"quench": True}] if self.quench else [])]}

    def corners(self) -> list[Corner]:
        """All corners in order of time, the start first."""
        corners = [Corner(0.0, self.start, START, -1)]
        for k, segment in enumerate(self.segments):
            hours, celsius = corners[-1][:2]
            if segment.to != celsius:
                hours += segment.hours_from(celsius)
                corners.append(Corner(hours, segment.to, ARRIVAL, k))
            if segment.dwell:
                corners.append(Corner(hours + segment.dwell, segment.to, DEPARTURE, k))
        return corners

    def moved(self, corner: int, hours: float, celsius: float) -> Programme:
        """The programme with one of `corners` dragged to a time [h] and a temperature [°C], on the controller's grid.

        The end of a ramp sets its rate and set-point, the end of a dwell its length and, with the rate kept, the
        set-point. What comes later keeps its own rates and dwells.
        """
        _, was, kind, k = self.corners()[corner]
        celsius = min(max(_on_grid(celsius, CELSIUS), 0.0), HOTTEST_C)
        if kind == START:
            return self.with_start(celsius)
        since, begun = self.corners()[corner - 1][:2]
        taken = max(hours - since, 0.0)
        if kind == DEPARTURE:
            segment = self.segments[k]
            changed = self.with_values(k, dwell=max(_on_grid(taken, HOURS), HOURS))
            return changed.with_values(k, to=celsius) if segment.rate or segment.half_time else changed
        if celsius == begun:
            celsius += CELSIUS if was > begun else -CELSIUS
        if self.segments[k].half_time is not None:
            halves = replace(self.segments[k], to=celsius, half_time=1.0).hours_from(begun)
            return self.with_values(k, to=celsius, half_time=max(_on_grid(taken / halves, HOURS), HOURS))
        rate = abs(celsius - begun) / max(taken, 1e-3)
        return self.with_values(k, to=celsius, rate=max(_on_grid(rate, RATE), RATE))

    def with_start(self, celsius: float) -> Programme:
        """The programme with another start [°C]; a dwell there follows."""
        first = self.segments[:1]
        if first and first[0].rate is None and first[0].half_time is None:
            first = (replace(first[0], to=celsius),)
        return replace(self, start=celsius, segments=(*first, *self.segments[1:]))

    def with_values(self, segment: int, **values: float) -> Programme:
        """The programme with other values of one segment."""
        changed = replace(self.segments[segment], **values)
        return replace(self, segments=(*self.segments[:segment], changed, *self.segments[segment + 1 :]))

    def with_segment(self) -> Programme:
        """The programme with one more segment at its end, like the ramp before it, 50 °C further."""
        last = self.segments[-1].to if self.segments else self.start
        rates = [segment.rate for segment in self.segments if segment.rate]
        more = Segment(last + 50.0 if last + 50.0 <= HOTTEST_C else last - 50.0, rates[-1] if rates else 25.0, 1.0)
        return replace(self, segments=(*self.segments, more))

    def without_segment(self, segment: int) -> Programme:
        """The programme without one of its segments."""
        return replace(self, segments=(*self.segments[:segment], *self.segments[segment + 1 :]))

    def without_corners(self, gone: Sequence[int]) -> Programme:
        """The programme without some corners: the end of a dwell takes the dwell with it, of a ramp the segment."""
        corners = [self.corners()[k] for k in gone]
        ramps = {corner.segment for corner in corners if corner.kind == ARRIVAL}
        dwells = {corner.segment for corner in corners if corner.kind == DEPARTURE}
        kept = [
            replace(segment, dwell=0.0) if k in dwells else segment
            for k, segment in enumerate(self.segments)
            if k not in ramps
        ]
        return replace(self, segments=tuple(kept))


def _on_grid(value: float, step: float) -> float:
    return round(round(value / step) * step, 6)
