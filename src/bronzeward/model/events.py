"""The events of a run: what appeared, melted or was used up, when and how hot."""

from __future__ import annotations

import json
from typing import NamedTuple

from bronzeward.materials.phases import LETTERS, LIQUID, SOLID_TIN
from bronzeward.model.result import Result, names
from bronzeward.units import HOUR, ZERO_CELSIUS


class Event(NamedTuple):
    """One event of a result: name, time [h], temperature [°C], row of the first state after it."""

    name: str
    hours: float
    celsius: float
    row: int

    @property
    def words(self) -> str:
        """The name with Greek letters for phases."""
        first, _, rest = self.name.partition(" ")
        letter = first if first in (LIQUID, SOLID_TIN) else LETTERS.get(first, first)
        return f"{letter} {rest}".strip()


def events(result: Result) -> list[Event]:
    """The events of a result in order of time; the last state of a schedule without quench is called its end."""
    last = len(result["time"]) - 1
    columns = (result[name] for name in ("event_time", "event_temperature", "event_row"))
    listed = [
        Event(name, float(time) / HOUR, float(kelvin) - ZERO_CELSIUS, min(int(row), last))
        for name, time, kelvin, row in zip(names(result, "event_name"), *columns, strict=True)
    ]
    if listed and listed[-1].name == "quench" and not _quenched(result):
        listed[-1] = listed[-1]._replace(name="end")
    return listed


def _quenched(result: Result) -> bool:
    steps = json.loads(result.attributes["inputs"])["schedule"].get("steps", [])
    return bool(steps) and "quench" in steps[-1]
